"""What is derived from the events and stored beside them: the states of every component, from when to when.

Rules: it changes in the same transaction as the events; it can be deleted and made again, and comes out equal; an
event that is later than all that counted for its component is added to the end; any other event folds that component's
whole history again.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any, NamedTuple, Self

from bundlekeeper.ledger.event import seals
from bundlekeeper.ledger.event.events import EventKind
from bundlekeeper.ledger.event.rows import METHOD_CODE, WHAT_CODE, Words, counts, events_of
from bundlekeeper.ledger.state.absence import AbsenceReadings
from bundlekeeper.ledger.state.banks import Bank, Image
from bundlekeeper.ledger.state.fold import (
    OPEN,
    ComponentState,
    Fact,
    Interval,
    Lookups,
    Snapshot,
    fact_of,
    fold,
)
from bundlekeeper.model.vocabulary import KINDS


class StateRow(NamedTuple):
    """A row of `state`."""

    component: int
    since: int
    until: int
    kind: int | None
    model: int | None
    parent: int | None
    name: int | None
    tags: int | None
    site: int | None
    domain: int | None
    chassis: int | None
    slot: int | None
    present: int
    active: int | None
    active_event: int | None
    pending: int | None
    pending_event: int | None
    spare: int | None
    spare_event: int | None
    staged: int | None
    staged_event: int | None
    tried: int | None
    tried_event: int | None
    ran_before: int | None
    ran_before_event: int | None
    boot_file_count: int
    boot_files_known: int
    recorded: int | None
    recorded_event: int | None
    differs: int
    unread: int
    healthy: int | None
    failed_event: int | None
    no_answer_event: int | None
    seen_event: int | None
    last: int
    before: int | None
    seal: int

    def snapshot(self, images: Images) -> Snapshot:
        """The component as it was when the row was written. Raises DamagedError for an image that there is not."""

        def bank(number: int | None, event: int | None) -> Bank:
            if number is None or event is None:
                return None
            return (images.image(number) if number else None, event)

        return Snapshot(
            self.kind, self.model, self.parent, self.name, self.tags, self.site, self.domain, self.chassis, self.slot,
            self.present, bank(self.active, self.active_event), bank(self.pending, self.pending_event),
            bank(self.spare, self.spare_event), bank(self.staged, self.staged_event),
            bank(self.tried, self.tried_event), bank(self.ran_before, self.ran_before_event),
            self.boot_file_count, self.boot_files_known, bank(self.recorded, self.recorded_event), self.differs,
            self.unread, self.healthy, self.failed_event, self.no_answer_event,
        )  # fmt: skip


STATE_COLUMNS = ", ".join(StateRow._fields)
_PUT_STATE = f"INSERT INTO state ({STATE_COLUMNS}) VALUES ({', '.join('?' * len(StateRow._fields))})"  # noqa: S608
TAG_COLUMNS = "component, tag, seal"
_PUT_TAG = f"INSERT OR REPLACE INTO tagged ({TAG_COLUMNS}) VALUES (?, ?, ?)"  # noqa: S608  (our own names)
BOOT_FILE_COLUMNS = "component, image, since, until, event, seal"
_PUT_BOOT_FILES = f"INSERT INTO boot_files ({BOOT_FILE_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)"  # noqa: S608  (our own names)
_IMAGE = "id, version, family, bundle, sha256, seal"
_BATCH = 500  # components of one question
_OBSERVED = WHAT_CODE[EventKind.OBSERVED]
_FACT = Fact._fields.index
_PLACE_OF, _NO_PLACE = itemgetter(*range(_FACT("site"), _FACT("slot") + 1)), (None,) * 4
_SHAPE_OF = itemgetter(*range(_FACT("version"), _FACT("reading")))  # what is observed beside words and the place
_WORDS = Snapshot._fields.index("present")
_EVENTS = tuple(name.endswith("_event") for name in StateRow._fields[StateRow._fields.index("present") : -3])


class Images:
    """The table of images; what was read of it is kept in memory."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._numbers: dict[Image, int] = {}
        self._images: dict[int, Image] = {}

    def number(self, image: Image) -> int:
        """The image's number; a new image gets one (inside the caller's transaction)."""
        found = self.find(image)
        if found is None:
            (last,) = self._connection.execute("SELECT max(id) FROM image").fetchone()
            found = self._numbers[image] = (last or 0) + 1
            into = "INSERT INTO image (id, version, family, bundle, sha256, seal) VALUES (?, ?, ?, ?, ?, ?)"
            self._connection.execute(into, (found, *image, seals.seal((found, *image))))
        return found

    def find(self, image: Image) -> int | None:
        """The image's number, None where it is not in the table."""
        found = self._numbers.get(image)
        if found is None:
            select = f"SELECT {_IMAGE} FROM image WHERE version = ? AND family = ? AND bundle = ? AND sha256 = ?"  # noqa: S608
            row = self._connection.execute(select, image).fetchone()
            if row is None:
                return None
            self._keep(row)
            found = self._numbers[image] = int(row[0])
        return found

    def image(self, number: int) -> Image:
        """The image with that number. Raises DamagedError where there is none, or it is not what it was."""
        found = self._images.get(number)
        if found is None:
            row = self._connection.execute(f"SELECT {_IMAGE} FROM image WHERE id = ?", (number,)).fetchone()  # noqa: S608
            if row is None:
                raise seals.derived(f"there is no image {number}")
            found = self._keep(row)
        return found

    def all(self) -> dict[int, Image]:
        """Every image by its number. Raises DamagedError where the table and its index do not have as many."""
        rows = self._connection.execute(f"SELECT {_IMAGE} FROM image NOT INDEXED").fetchall()  # noqa: S608
        indexed = self._connection.execute("SELECT count(*) FROM image WHERE version > 0").fetchone()[0]
        if len({row[0] for row in rows}) != indexed:
            raise seals.derived("images are missing")
        return {row[0]: self._keep(row) for row in rows}

    def _keep(self, row: tuple[Any, ...]) -> Image:
        number, *image, seal = row
        if not seals.is_whole((number, *image), seal):
            raise seals.derived(f"image {number} is not what it was")
        found: Image = (image[0], image[1], image[2], image[3])
        self._images[number] = found
        return found

    def forget(self) -> None:
        """Forget what is in memory, after a transaction was rolled back."""
        self._numbers.clear()
        self._images.clear()


class _FirstReading(NamedTuple):
    """What the first event of a component leads to: the cells of `state` from `present` to `seen_event`, with the
    event's number where `events` says so."""

    cells: tuple[int | None, ...]
    events: tuple[bool, ...]

    @classmethod
    def of(cls, fact: Fact, lookups: Lookups, cells_of: Callable[[Snapshot], tuple[int | None, ...]]) -> Self | None:
        """What folding this fact alone gives; None where it brings boot files, which have rows of their own."""
        state = ComponentState()
        (interval,) = fold(state, None, [fact], lookups)
        if state.boot_files or state.removed_boot_files:
            return None
        cells = (*cells_of(interval.snapshot), interval.seen)[_WORDS:]
        return cls(cells, tuple(is_event and cell is not None for is_event, cell in zip(_EVENTS, cells, strict=True)))

    def row(self, component: int, fact: Fact) -> tuple[int | None, ...]:
        """The row of `state`, without its seal, of another component with such a fact."""
        seq, at = fact.seq, fact.at
        place = _PLACE_OF(fact) if fact.site is not None else _NO_PLACE
        cells = [seq if is_event else cell for is_event, cell in zip(self.events, self.cells, strict=True)]
        return (component, at, OPEN, fact.kind, fact.model, fact.parent, fact.name, fact.tags, *place, *cells, at, None)


class Projection:
    """Keeps the derived tables of one ledger; used inside a writing transaction."""

    def __init__(self, connection: sqlite3.Connection, words: Words, images: Images) -> None:
        self._connection = connection
        self._words = words
        self._images = images
        self.lookups = lookups(words)
        self._readings: AbsenceReadings | None = None
        self._states: list[tuple[Any, ...]] = []  # rows that were folded and not yet written
        self._boot_file_rows: list[tuple[int, ...]] = []
        self._tags: list[tuple[int, int, int]] = []
        self._firsts: dict[tuple[Any, ...], _FirstReading | None] = {}

    def readings(self) -> AbsenceReadings:
        """The readings that count."""
        if self._readings is None:
            self._readings = AbsenceReadings(self._connection, self._words)
        return self._readings

    def forget_readings(self) -> None:
        """Read the readings again when they are next needed, because there are others now."""
        self._readings = None

    def add(self, facts: Mapping[int, Sequence[Fact]]) -> None:
        """Let components' new events count; none of them may be void."""
        components = list(facts)
        for start in range(0, len(components), _BATCH):
            batch = components[start : start + _BATCH]
            marks = ",".join("?" * len(batch))  # +until: by component
            select = f"SELECT {STATE_COLUMNS} FROM state WHERE component IN ({marks}) AND +until = ?"  # noqa: S608
            rows = {row[0]: row for row in map(whole_state, self._connection.execute(select, (*batch, OPEN)))}
            later: dict[tuple[Any, ...], bool] = {}
            for component in batch:
                new, row = facts[component], rows.get(component)
                if row is not None or len(new) != 1 or not self._add_first(component, new[0], later):
                    self._add(component, new, row)
            self._put()

    def _add_first(self, component: int, fact: Fact, later: dict[tuple[Any, ...], bool]) -> bool:
        """Let the only observation of a component count as one of its shape did before; False where that is not known.

        What a first observation leads to is the same whichever component, event and place it has: an inventory of a
        hundred thousand components has a few shapes. `later` keeps which domains have a later reading.
        """
        if fact.what != _OBSERVED:
            return False
        asked = (fact.site, fact.domain, fact.at, fact.reading)
        is_overtaken = later.get(asked)
        if is_overtaken is None:
            places = {(fact.site or 0, fact.domain or 0)}
            is_overtaken = later[asked] = self.readings().later(places, fact.at, {fact.reading})
        if is_overtaken:
            return False
        shape = (fact.kind, fact.method, fact.bank, fact.reading is None, *_SHAPE_OF(fact))
        try:
            first = self._firsts[shape]
        except KeyError:
            first = self._firsts[shape] = _FirstReading.of(fact, self.lookups, self._cells)
        if first is None:
            return False
        row = first.row(component, fact)
        self._states.append((*row, seals.seal(row)))
        if fact.tags:
            self._tags += ((component, tag, seals.seal((component, tag))) for tag in self.lookups.listed(fact.tags))
        return True

    def _add(self, component: int, facts: Sequence[Fact], row: StateRow | None) -> None:
        earliest = facts[0].at if len(facts) == 1 else min(fact.at for fact in facts)
        if (row is not None and row.last >= earliest) or self._is_missed(facts, earliest, row):
            self._again(component)
            return
        state, first = ComponentState(), None
        if row is not None:
            state, first = self._load(row)
        ordered = facts if len(facts) == 1 else sorted(facts, key=Fact.key)
        intervals = fold(state, first, ordered, self.lookups)
        if row is not None and first is not None and len(intervals) == 1 and not state.boot_files:
            update = "UPDATE state SET seen_event = ?, last = ?, seal = ? WHERE component = ? AND since = ?"
            seal = seals.seal(row._replace(seen_event=first.seen, last=first.last)[:-1])
            self._connection.execute(update, (first.seen, first.last, seal, component, first.since))
            return
        if first is not None:
            self._connection.execute("DELETE FROM state WHERE component = ? AND since = ?", (component, first.since))
            self._connection.execute("DELETE FROM boot_files WHERE component = ? AND until = ?", (component, OPEN))
        self._write(component, intervals, state, None if row is None else row.before)

    def _is_missed(self, facts: Sequence[Fact], earliest: int, row: StateRow | None) -> bool:
        """True when a reading that lists whole domains may say something of these facts' component."""
        readings = self.readings()
        if not readings.list_whole:
            return False
        places = {(fact.site or 0, fact.domain or 0) for fact in facts}
        if row is not None:
            places.add((row.site or 0, row.domain or 0))
        observed = {fact.reading for fact in facts if fact.what == _OBSERVED}
        is_late = row is not None and readings.may_have_missed(row.since, observed)
        return is_late or readings.later(places, earliest, observed)

    def again(self, components: Iterable[int]) -> None:
        """Fold the whole histories of components again."""
        for component in components:
            self._again(component)
            if len(self._states) >= _BATCH:
                self._put()
        self._put()

    def _again(self, component: int) -> None:
        facts = sorted((fact_of(row) for row in events_of(self._connection, component) if counts(row)), key=Fact.key)
        if facts:
            facts = sorted([*facts, *self.readings().absences_of(facts)], key=Fact.key)
        state = ComponentState()
        intervals = fold(state, None, facts, self.lookups)
        self._connection.execute("DELETE FROM state WHERE component = ?", (component,))
        self._connection.execute("DELETE FROM boot_files WHERE component = ?", (component,))
        self._connection.execute("DELETE FROM tagged WHERE component = ?", (component,))
        self._write(component, intervals, state, None)

    def rebuild(self) -> None:
        """Delete everything that is derived from single components and make it again."""
        for table in ("state", "boot_files", "tagged", "image"):
            self._connection.execute(f"DELETE FROM {table}")  # noqa: S608
        self._images.forget()
        select = "SELECT DISTINCT component FROM event WHERE component IS NOT NULL"
        self.again(component for (component,) in self._connection.execute(select).fetchall())

    def _load(self, row: StateRow) -> tuple[ComponentState, Interval]:
        """The component's last interval as it was when it was written."""
        found = row.snapshot(self._images)
        state = ComponentState.of(found, row.seen_event)
        if row.boot_file_count:
            for number, event, since in boot_files_of(self._connection, row, OPEN - 1):
                image = self._images.image(number)
                state.boot_files[image[0]] = (image, event, since)
        return state, Interval(row.since, found, row.seen_event, row.last)

    def _write(self, component: int, intervals: Sequence[Interval], state: ComponentState, before: int | None) -> None:
        if not intervals:
            return  # every event of the component is undone
        ends = [*(interval.since for interval in intervals[1:]), OPEN]
        for i, end in zip(intervals, ends, strict=True):
            row = (component, i.since, end, *self._cells(i.snapshot), i.seen, i.last, before)
            self._states.append((*row, seals.seal(row)))
            before = i.since
        for tags in dict.fromkeys(interval.snapshot.tags for interval in intervals):
            for tag in self.lookups.listed(tags) if tags else ():
                self._tags.append((component, tag, seals.seal((component, tag))))
        if state.boot_files or state.removed_boot_files:
            number = self._images.number
            rows = [(component, number(image), since, OPEN, event) for image, event, since in state.boot_files.values()]
            rows += [
                (component, number(image), since, until, event)
                for image, event, since, until in state.removed_boot_files
            ]
            self._boot_file_rows += ((*row, seals.seal(row)) for row in rows)

    def _put(self) -> None:
        """Write what was folded."""
        self._connection.executemany(_PUT_STATE, self._states)
        self._connection.executemany(_PUT_BOOT_FILES, self._boot_file_rows)
        self._connection.executemany(_PUT_TAG, self._tags)
        self._tags.clear()
        self._states.clear()
        self._boot_file_rows.clear()

    def _cells(self, found: Snapshot) -> tuple[int | None, ...]:
        cells = self._bank_cells
        return (
            *found[:10], *cells(found.active), *cells(found.pending), *cells(found.spare), *cells(found.staged),
            *cells(found.tried), *cells(found.ran_before), found.boot_file_count, found.boot_files_known,
            *cells(found.recorded), *found[-5:],
        )  # fmt: skip

    def _bank_cells(self, bank: Bank) -> tuple[int | None, int | None]:
        if bank is None:
            return (None, None)
        image, event = bank
        return (0 if image is None else self._images.number(image), event)


def whole_state(row: tuple[Any, ...]) -> StateRow:
    """A row in the order of STATE_COLUMNS as it was written. Raises DamagedError where it is not."""
    if not seals.is_whole(row[:-1], row[-1]):
        raise seals.derived("the state of a component is not what was written")
    return StateRow._make(row)


def boot_files_of(connection: sqlite3.Connection, state: StateRow, cut: int) -> list[tuple[int, int, int]]:
    """Image, event and `since` of the boot files of a component with this row of `state`; as many as the row counts.

    Raises DamagedError where they are not what was written.
    """
    select = f"SELECT {BOOT_FILE_COLUMNS} FROM boot_files WHERE component = ? AND since <= ? AND until > ?"  # noqa: S608
    rows = connection.execute(select, (state.component, cut, cut)).fetchall()
    if len({row[1:3] for row in rows}) != state.boot_file_count or not all(
        seals.is_whole(row[:-1], row[-1]) for row in rows
    ):
        raise seals.derived("the boot files of a component are not what was written")
    return [(row[1], row[4], row[2]) for row in rows]


def lookups(words: Words) -> Lookups:
    """What folding asks about words."""
    methods: dict[int | None, int] = {None: 0}

    def method_of(kind: int | None) -> int:
        found = methods.get(kind)
        if found is None and kind is not None:
            facts = KINDS.get(words.text(kind))
            found = methods[kind] = METHOD_CODE[facts.method] if facts else 0
        return found or 0

    def listed(number: int) -> tuple[int, ...]:
        return tuple(words.number(text) for text in json.loads(words.text(number)))

    return Lookups(method_of, listed)
