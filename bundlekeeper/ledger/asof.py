"""How components stood at the end of a day, or at an instant, as it is known now or as it was believed then.

Rules: without a date it is how things stand now, and nothing that is said of a later day; a bare date is the end of
that day at the component's own site; a component that changed sites over that midnight stands where it last was by its
site's own clock; what was known on a day are the events learned up to the last one learned by then, in the order of
learning, so that a clock that was set back hides nothing; a later correction, or an event learned later, changes no
answer about what was known before.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from bundlekeeper.ledger.ahead import is_any
from bundlekeeper.ledger.book import Book
from bundlekeeper.ledger.events import What
from bundlekeeper.ledger.projection import STATE_COLUMNS, lookups
from bundlekeeper.ledger.rows import WHAT_CODE
from bundlekeeper.ledger.silence import Readings, in_scope
from bundlekeeper.ledger.standing import FACT_COLUMNS, OPEN, Bank, Fact, Image, Interval, Snapshot, Standing, fold
from bundlekeeper.model import moments

_OBSERVED, _CORRECTED, _INVENTORY = (WHAT_CODE[w] for w in (What.OBSERVED, What.CORRECTED, What.INVENTORY))
Held = tuple[tuple[Image, int], ...]


@dataclass(frozen=True, slots=True)
class Stood:
    """One component as it stood: its snapshot, its held images with their events, the last reading's event."""

    component: int
    snapshot: Snapshot
    held: Held
    seen: int | None


class AsOf:
    """One moment and one state of knowledge, to ask the ledger about; use it inside `book.reading()`."""

    def __init__(
        self,
        book: Book,
        on: date | datetime | None,
        known: date | datetime | None,
        zone: str,
        clock: datetime | None = None,
    ) -> None:
        """`zone` is that of sites whose zone no reading told, and of `known`.

        `clock`, the time now, aware, counts where neither `on` nor `known` is given: what is said of a moment more than
        a day later (`moments.AHEAD`) is passed over. Raises InputError for an unknown zone.
        """
        self.book = book
        self.connection = book.connection
        self.known = None if known is None else self._learned_by(moments.moment(known, zone).at_us)
        if on is None and known is not None:
            on = known  # what was believed on a day is believed of that day
        self.is_newest = on is None  # every component stands by its last row
        if on is None and clock is not None:
            on = clock + moments.AHEAD
            after = moments.at(on).at_us
            later = "SELECT 1 FROM state WHERE until = ? AND since > ? LIMIT 1"  # reads every component's row
            ahead = is_any(self.connection, after)  # looks into an index: no state begins where no event is
            self.is_newest = not (ahead and self.connection.execute(later, (OPEN, after)).fetchone())
        self.cuts: dict[int, int] = {}  # site -> the last microsecond that counts
        self.cut = OPEN - 1
        self._void = frozenset[bytes]() if self.known is None else self._void_then(self.known)
        self._readings = Readings(self.connection, book.words, self.known, self._void)
        if on is not None:
            self.cut = moments.moment(on, zone).at_us
            if not isinstance(on, datetime):
                for site, word in self._readings.zones.items():
                    self.cuts[site] = moments.end_of(on, book.words.text(word)).at_us
        self.earliest = min([self.cut, *self.cuts.values()])
        self.latest = max([self.cut, *self.cuts.values()])

    def cut_of(self, site: int | None) -> int:
        """The last microsecond that counts at a site."""
        return self.cuts.get(site or 0, self.cut)

    def stood(self, ways: Iterable[tuple[str, Sequence[Any]]]) -> Iterator[Stood]:
        """Every component that a row of `state` with one of these conditions speaks of, and those to be folded again.

        A condition on components begins with it.
        Each component comes once. The caller filters again: the conditions only save time.
        """
        again = self._must_fold()
        done = set(again)
        for component in again:
            stood = self._folded(component)
            if stood is not None:
                yield stood
        for where, values in ways:
            for stood in self._stood_in_rows(where, values):
                if stood.component not in done:
                    done.add(stood.component)
                    yield stood

    def _stood_in_rows(self, where: str, values: Sequence[Any]) -> Iterator[Stood]:
        if self.earliest == self.latest:
            # A plus keeps SQLite from the index that begins with `until`, which fits places and nothing narrower.
            time: str = "+until = ?" if where.startswith("component") else "until = ?"
            limits: tuple[int, ...] = (OPEN,)
            if not self.is_newest:
                time, limits = "since <= ? AND +until > ?", (self.cut, self.cut)
            yield from map(self._from_row, self._rows(f"{time} AND {where}", (*limits, *values)))
        else:
            select = f"SELECT DISTINCT component FROM state WHERE since <= ? AND +until > ? AND {where}"  # noqa: S608
            found = self.connection.execute(select, (self.latest, self.earliest, *values)).fetchall()
            for (component,) in found:
                picked = self._picked(component)
                if picked is not None:
                    yield self._from_row(picked)

    def _rows(self, where: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
        return self.connection.execute(f"SELECT {STATE_COLUMNS} FROM state WHERE {where}", values).fetchall()  # noqa: S608

    def _picked(self, component: int) -> tuple[Any, ...] | None:
        """The last row of a component that had begun by the end of the day at the row's own site."""
        rows = self._rows("component = ? AND since <= ? ORDER BY since DESC", (component, self.latest))
        return next((row for row in rows if row[1] <= self.cut_of(row[6])), None)

    def _from_row(self, row: tuple[Any, ...]) -> Stood:
        active, pending, spare, said = (self._bank(*row[at : at + 2]) for at in (11, 13, 15, 19))
        snapshot = Snapshot._make((*row[3:11], active, pending, spare, *row[17:19], said, row[21]))
        cut = min(self.cut_of(row[6]), row[2] - 1)
        held: Held = ()
        if row[17]:
            select = "SELECT image, event FROM held WHERE component = ? AND since <= ? AND until > ?"
            found = self.connection.execute(select, (row[0], cut, cut))
            held = tuple((self.book.images.image(image), event) for image, event in found)
        seen = row[22]
        if seen is not None and row[23] > cut:  # readings after the moment that is asked about changed nothing else
            select = (
                "SELECT seq FROM event WHERE component = ? AND at <= ? AND what = ? AND void = 0 "
                "AND seen_active IS NOT NULL ORDER BY at DESC, turn DESC, id DESC LIMIT 1"
            )
            last = self.connection.execute(select, (row[0], cut, _OBSERVED)).fetchone()
            seen = last[0] if last else None
        return Stood(row[0], snapshot, held, seen)

    def _bank(self, image: int | None, event: int | None) -> Bank:
        if image is None or event is None:
            return None
        return (self.book.images.image(image) if image else None, event)

    # What was known

    def _learned_by(self, at_us: int) -> int:
        """The number of the last event learned by then, by the order of learning."""
        last = self.connection.execute("SELECT max(first) FROM learning WHERE at <= ?", (at_us,)).fetchone()[0]
        if last is None:
            return 0
        following = self.connection.execute("SELECT min(first) FROM learning WHERE first > ?", (last,)).fetchone()[0]
        count: int = self.connection.execute("SELECT count FROM book").fetchone()[0]
        return count if following is None else int(following) - 1

    def _void_then(self, known: int) -> frozenset[bytes]:
        """The ids that a correction known then made void, but for the events of a void reading."""
        select = "SELECT id, corrects FROM event WHERE corrects > x'' AND seq <= ?"
        corrections: dict[bytes, list[bytes]] = {}
        for event_id, corrected in self.connection.execute(select, (known,)):
            corrections.setdefault(corrected, []).append(event_id)
        void: dict[bytes, bool] = {}

        def is_void(event_id: bytes) -> bool:
            if event_id not in void:
                void[event_id] = any(not is_void(by) for by in corrections.get(event_id, ()))
            return void[event_id]

        learned = "SELECT 1 FROM event WHERE id = ? AND seq <= ?"
        return frozenset(
            event_id
            for event_id in corrections
            if is_void(event_id) and self.connection.execute(learned, (event_id, known)).fetchone()
        )

    def _must_fold(self) -> Collection[int]:
        """The components of which the table of states, which knows everything, may say what was not known then."""
        if self.known is None:
            return ()
        select = "SELECT DISTINCT component FROM event WHERE seq > ? AND at <= ? AND component IS NOT NULL"
        found = {row[0] for row in self.connection.execute(select, (self.known, self.latest))}
        select = "SELECT id, at, void FROM event WHERE seq > ? AND component IS NULL AND what = ?"
        for event_id, at, void in self.connection.execute(select, (self.known, _INVENTORY)).fetchall():
            found |= self._spoken_of(event_id) if void else self._missed_at(at)
        for (corrected,) in self.connection.execute(
            "SELECT corrects FROM event WHERE seq > ? AND corrects > x''", (self.known,)
        ).fetchall():
            found |= self._spoken_of(corrected)
        return sorted(found)

    def _spoken_of(self, event_id: bytes) -> set[int]:
        """The components whose state depends on whether this event is void."""
        row = self.connection.execute(
            "SELECT what, component, corrects FROM event WHERE id = ?", (event_id,)
        ).fetchone()
        if row is None:
            return set()
        what, component, corrects = row
        if what == _CORRECTED:
            return self._spoken_of(corrects)
        if what == _INVENTORY:
            reading = self.book.words.find(event_id.hex())
            select = "SELECT DISTINCT component, 0 FROM event WHERE reading = ?"
            listed = {each for each, _ in self.connection.execute(select, (reading,))}
            return listed | in_scope(self.connection, self.book.words, event_id)
        return {component}

    def _missed_at(self, at: int) -> set[int]:
        """The components that are not there any more since a moment, be it because a reading does not list them."""
        select = "SELECT component FROM state WHERE since = ? AND present = 0"
        return {component for (component,) in self.connection.execute(select, (at,))}

    def _folded(self, component: int) -> Stood | None:
        """Fold what was known of a component then, up to the moment that is asked about."""
        intervals = list(self._ends(component))
        found = None
        for standing, interval in intervals:
            if interval.since <= self.cut_of(interval.snapshot.site):
                found = (standing, interval)
        if found is None:
            return None
        (held, seen), interval = found
        return Stood(component, interval.snapshot, held, seen)

    def _ends(self, component: int) -> Iterable[tuple[tuple[Held, int | None], Interval]]:
        words, known, void = self.book.words, self.known or 0, self._void
        select = f"SELECT {FACT_COLUMNS} FROM event WHERE component = ? AND seq <= ? AND at <= ?"  # noqa: S608
        rows = self.connection.execute(select, (component, known, self.latest)).fetchall()
        facts = [
            Fact(*row)
            for row in rows
            if row[1] not in void and (row[-1] is None or bytes.fromhex(words.text(row[-1])) not in void)
        ]
        standing, asked = Standing(), lookups(words)
        facts.sort(key=Fact.key)
        if facts:
            silent = (fact for fact in self._readings.silent_on(facts) if fact.at <= self.latest)
            facts = sorted([*facts, *silent], key=Fact.key)
        at = {fact.at for fact in facts}
        for moment in sorted(at):
            now = [fact for fact in facts if fact.at == moment]
            interval = fold(standing, None, now, asked)[-1]
            yield (tuple((image, event) for image, event, _ in standing.held.values()), standing.seen), interval
