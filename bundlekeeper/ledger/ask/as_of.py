"""The state of components at the end of a day, or at an instant, as it is known now or as it was believed then.

Rules: without a date it is the state now, and events of a later day do not count; a bare date is the end of that day
at the component's own site; a component that changed sites over that midnight is where it last was by its site's own
clock; what was known on a day are the events learned up to the last one learned by then, in the order of learning, so
that a clock that was set back hides nothing; an event that is undone later, or learned later, changes no answer about
what was known before.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import date, datetime
from functools import cached_property
from typing import Any

from bundlekeeper.formats import moments
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.ask.future_events import is_any
from bundlekeeper.ledger.event import own_chain, seals
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import EventKind
from bundlekeeper.ledger.event.learnings import learnings
from bundlekeeper.ledger.event.places import RowsQuestion, by_place, components, rows_of
from bundlekeeper.ledger.event.rows import (
    EVENT_COLUMNS,
    PLACE_OF,
    WHAT_CODE,
    counts,
    events_of,
    is_void,
    sealed,
    states,
)
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.state.absence import AbsenceReadings, in_scope, reading_rows
from bundlekeeper.ledger.state.banks import Image
from bundlekeeper.ledger.state.fold import OPEN, ComponentState, Fact, Interval, Snapshot, fact_of, fold
from bundlekeeper.ledger.state.projection import STATE_COLUMNS, StateRow, boot_files_of, lookups, whole_state

_BATCH = 500  # components of one question
_OBSERVED, _UNDONE, _INVENTORY = (WHAT_CODE[w] for w in (EventKind.OBSERVED, EventKind.UNDONE, EventKind.INVENTORY))
BootFiles = tuple[tuple[Image, int], ...]


@dataclass(frozen=True, slots=True)
class StateAsOf:
    """The state of one component: its snapshot, its boot files with their events, the last reading's event."""

    component: int
    snapshot: Snapshot
    boot_files: BootFiles
    seen: int | None


COMPONENT = "component"


def about(components: Sequence[int]) -> RowsQuestion:
    """The question about these components, answered by the table itself."""
    return RowsQuestion(f"component IN ({','.join('?' * len(components))})", components, COMPONENT)


class AsOf:
    """One moment and one state of knowledge, to ask the ledger about; use it inside `ledger.reading()`."""

    def __init__(
        self,
        ledger: Ledger,
        on: date | datetime | None,
        known: date | datetime | None,
        zone: str,
        clock: datetime | None = None,
    ) -> None:
        """`zone` is that of sites whose zone no reading has, and of `known`.

        `clock`, the time now, aware, counts where neither `on` nor `known` is given: events of a moment more than a
        day later (`moments.AHEAD`) do not count. Raises InputError for an unknown zone.
        """
        self.ledger = ledger
        self.connection = ledger.connection
        self.known = None if known is None else self._learned_by(moments.moment(known, zone).at_us)
        if on is None and known is not None:
            on = known  # what was believed on a day is believed of that day
        self.is_newest = on is None  # the last row of every component is the answer
        if on is None and clock is not None:
            on = clock + moments.AHEAD
            # a state begins with an event: mostly there is no such event, and no state is looked at
            after = moments.at(on).at_us
            ahead = is_any(self.connection, after)
            later = ahead and by_place(self.connection, "component", "until = ? AND since > ?", (OPEN, after))
            self.is_newest = not later
        self.cuts: dict[int, int] = {}  # site -> the last microsecond that counts
        self.cut = OPEN - 1
        self._void = frozenset[bytes]() if self.known is None else self._void_then(self.known)
        self._readings = AbsenceReadings(self.connection, ledger.words, self.known, self._void)
        if on is not None:
            self.cut = moments.moment(on, zone).at_us
            if not isinstance(on, datetime):
                for site, word in self._readings.zones.items():
                    self.cuts[site] = moments.end_of(on, ledger.words.text(word)).at_us
        self.earliest = min([self.cut, *self.cuts.values()])
        self.latest = max([self.cut, *self.cuts.values()])

    def cut_of(self, site: int | None) -> int:
        """The last microsecond that counts at a site."""
        return self.cuts.get(site or 0, self.cut)

    def states(self, questions: Iterable[RowsQuestion], only: Collection[int] | None = None) -> Iterator[StateAsOf]:
        """The state of every component that answers one of these questions, and of those that must be folded again.

        Each component comes once; with `only`, no others are asked for. The caller filters again: the conditions only
        save time. Raises DamagedError where a row is not what was written, or is missing.
        """
        again = self.again if only is None or self._knew_all else sorted(only)
        done = set(again)
        for component in again:
            state = self._folded(component)
            if state is not None:
                yield state
        for question in questions:
            for state in self._states_of(question):
                if state.component not in done:
                    done.add(state.component)
                    yield state

    @property
    def rows_then(self) -> tuple[str, tuple[int, ...]] | None:
        """The condition that the one row of each component that counts meets, and its values; None where rows do not
        say it alone, because sites have times of their own."""
        if self.is_newest:
            return "until = ?", (OPEN,)
        return ("until > ? AND since <= ?", (self.cut, self.cut)) if self.earliest == self.latest else None

    def _states_of(self, question: RowsQuestion) -> Iterator[StateAsOf]:
        if question.index == COMPONENT:
            yield from self._of_components(question)
        elif self.rows_then is not None:
            rows = rows_of(self.connection, STATE_COLUMNS, question, *self.rows_then)
            yield from map(self._from_row, map(whole_state, rows))
        else:
            limits = (self.earliest, self.latest)
            listed = components(self.connection, question, "until > ? AND since <= ?", limits)
            for start in range(0, len(listed), _BATCH):
                yield from self._of_components(about(listed[start : start + _BATCH]))

    def _of_components(self, question: RowsQuestion) -> Iterator[StateAsOf]:
        """The states of these components. For a past day all rows of each are read: one that vanished leaves a gap."""
        newest = f"AND +until = {OPEN}" if self.is_newest else ""  # +: by component
        select = f"SELECT {STATE_COLUMNS} FROM state WHERE {question.condition} {newest} ORDER BY component, since"  # noqa: S608
        by_component: dict[int, list[StateRow]] = {}
        for row in map(whole_state, self.connection.execute(select, question.values)):
            by_component.setdefault(row.component, []).append(row)
        for component in question.values:
            rows = by_component.get(component, [])
            if not rows and any(map(counts, events_of(self.connection, component))):
                raise seals.derived("the state of a component is missing")
            if not self.is_newest:
                ends = [*(row.since for row in rows), OPEN]
                befores = [None, *ends[:-2]][: len(rows)]
                if [row.until for row in rows] != ends[1:] or [row.before for row in rows] != befores:
                    raise seals.derived("states of a component are missing")
                rows = [row for row in rows if row.since <= self.cut_of(row.site)]
            yield from map(self._from_row, rows[-1:])

    def _from_row(self, row: StateRow) -> StateAsOf:
        cut = min(self.cut_of(row.site), row.until - 1)
        boot_files: BootFiles = ()
        if row.boot_file_count:
            boot_files = tuple(
                (self.ledger.images.image(image), event) for image, event, _ in boot_files_of(self.connection, row, cut)
            )
        seen = row.seen_event
        if seen is not None and row.last > cut:  # later readings changed nothing else
            seen = self._seen_by(row.component, cut)
        return StateAsOf(row.component, row.snapshot(self.ledger.images), boot_files, seen)

    def _seen_by(self, component: int, cut: int) -> int | None:
        """The last event up to a moment by which the running version was read."""
        found: list[Fact] = []
        for row in events_of(self.connection, component, cut):  # the latest first
            fact = fact_of(row)
            if found and fact.at < found[0].at:
                break
            if fact.what == _OBSERVED and fact.seen_active is not None and not is_void(row):
                found.append(fact)
        return max(found, key=Fact.key).seq if found else None

    # What was known

    def _learned_by(self, at_us: int) -> int:
        """The number of the last event learned by then, by the order of learning."""
        firsts = learnings(self.connection)
        last = max((number for number, (_, at) in enumerate(firsts) if at <= at_us), default=None)
        if last is None:
            return 0
        return own_chain.read(self.connection).events if last + 1 == len(firsts) else firsts[last + 1][0] - 1

    def _void_then(self, known: int) -> frozenset[bytes]:
        """The ids of the events that were undone by what was known then, without the events of an undone reading."""
        rows = self._undo_rows()
        undone: dict[bytes, list[bytes]] = {}
        for seq, event_id, undoes in rows:
            if seq <= known:
                undone.setdefault(undoes, []).append(event_id)
        void: dict[bytes, bool] = {}

        def is_void(event_id: bytes) -> bool:
            if event_id not in void:
                void[event_id] = any(not is_void(by) for by in undone.get(event_id, ()))
            return void[event_id]

        return frozenset(event_id for event_id in undone if is_void(event_id) and self._seq_of(event_id) <= known)

    def _row_of(self, event_id: bytes) -> tuple[Any, ...] | None:
        """The row of an event; where the index has none, the table is asked as well."""
        select = f"SELECT {EVENT_COLUMNS} FROM event {{}} WHERE id = ?"  # noqa: S608  (our own names)
        for index in ("", "NOT INDEXED"):
            found = list(sealed(self.connection.execute(select.format(index), (event_id,))))
            if found and index:
                raise DATABASE.damaged("the index of its events lacks one")
            if found:
                return found[0]
        return None

    def _seq_of(self, event_id: bytes) -> int:
        row = self._row_of(event_id)
        return OPEN if row is None else int(row[0])

    def _undo_rows(self) -> list[tuple[int, bytes, bytes]]:
        """Number and id of every event of the kind undone, and the id of the event that it undoes."""
        select = f"SELECT {EVENT_COLUMNS} FROM event WHERE undoes > x''"  # noqa: S608  (our own names)
        rows = list(sealed(self.connection.execute(select)))
        if len({row[0] for row in rows}) != own_chain.read(self.connection).undone:
            raise DATABASE.damaged("events of the kind undone are missing")
        return [(row[0], row[1], row[PLACE_OF["undoes"]]) for row in rows]

    @property
    def _knew_all(self) -> bool:
        return self.known is None or self.known == own_chain.read(self.connection).events

    @cached_property
    def again(self) -> Collection[int]:
        """The components whose rows in the table of states may rest on events that were not known then.

        Raises DamagedError.
        """
        known = self.known
        if known is None or self._knew_all:
            return ()
        select = "SELECT DISTINCT component FROM event {} WHERE seq > ? AND at <= ? AND component IS NOT NULL"
        found, other = (
            {component for (component,) in self.connection.execute(select.format(index), (known, self.latest))}
            for index in ("NOT INDEXED", "INDEXED BY event_component")
        )
        if found != other:
            raise DATABASE.damaged("events of a component are missing")
        for row in reading_rows(self.connection):
            if row[0] > known:
                found |= self._touched_by(row[1]) if is_void(row) else self._absent_since(row[PLACE_OF["at"]])
        for seq, _, undone in self._undo_rows():
            if seq > known:
                found |= self._touched_by(undone)
        return sorted(found)

    def _touched_by(self, event_id: bytes) -> set[int]:
        """The components whose state depends on whether this event is void."""
        row = self._row_of(event_id)
        if row is None:
            return set()
        what, component, undoes = (row[PLACE_OF[name]] for name in ("what", "component", "undoes"))
        if what == _UNDONE:
            return self._touched_by(undoes)
        if what == _INVENTORY:
            reading = self.ledger.words.find(event_id.hex())
            select = "SELECT DISTINCT component FROM event WHERE reading = ?"
            listed = {component for (component,) in self.connection.execute(select, (reading,))}
            return listed | in_scope(self.connection, self.ledger.words, event_id)
        return {component}

    def _absent_since(self, at: int) -> set[int]:
        """The components that are no longer there since a moment, also because a reading does not list them."""
        return {
            component for (component,) in by_place(self.connection, "component", "since = ? AND present = 0", (at,))
        }

    def _folded(self, component: int) -> StateAsOf | None:
        """Fold what was known of a component then, up to the moment that is asked about."""
        intervals = list(self._ends(component))
        found = None
        for state, interval in intervals:
            if interval.since <= self.cut_of(interval.snapshot.site):
                found = (state, interval)
        if found is None:
            return None
        (boot_files, seen), interval = found
        return StateAsOf(component, interval.snapshot, boot_files, seen)

    def _ends(self, component: int) -> Iterable[tuple[tuple[BootFiles, int | None], Interval]]:
        words, known, void = self.ledger.words, self.known or 0, self._void
        facts = [
            fact
            for fact in map(fact_of, filter(states, events_of(self.connection, component, self.latest)))
            if fact.seq <= known
            and fact.id not in void
            and (fact.reading is None or bytes.fromhex(words.text(fact.reading)) not in void)
        ]
        state, asked = ComponentState(), lookups(words)
        facts.sort(key=Fact.key)
        if facts:
            absences = (fact for fact in self._readings.absences_of(facts) if fact.at <= self.latest)
            facts = sorted([*facts, *absences], key=Fact.key)
        at = {fact.at for fact in facts}
        for moment in sorted(at):
            now = [fact for fact in facts if fact.at == moment]
            interval = fold(state, None, now, asked)[-1]
            yield (tuple((image, event) for image, event, _ in state.boot_files.values()), state.seen), interval
