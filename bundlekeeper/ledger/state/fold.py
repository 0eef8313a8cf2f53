"""The state of a component, event after event: what is active, pending, spare, staged, and on its file system; where,
and by which event.

Rules: the answer follows from the set of events alone, in the order of (moment, order, rank, id), never from the order
of learning; a bank that no event names is not known; a version is in a bank since the first event of an unbroken
series that names it; a reading overrules what was recorded, and the difference is kept; an image staged on a two-bank
component overwrites what is known of its one bank that does not run, pending or spare, and a bank that is not known
stays not known. What was staged is a fact of its own, whatever the bank, until it runs, is overwritten, removed or not
found where it was. Where another version is read to be running than was known, a two-bank component has switched: its
other bank is not known unless it was read. An activation that failed, or after which the old version is read, leaves
what was staged staged.
Effects by method are common practice. Everything here is numbers of one store: of words, images and events.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import field
from operator import itemgetter
from typing import Any, NamedTuple, Self

from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event.events import RANK, SEEN, EventKind
from bundlekeeper.ledger.event.rows import BANK_CODE, METHOD_CODE, PLACE_OF, WHAT_CODE, WHATS
from bundlekeeper.ledger.state.banks import (
    Bank,
    Image,
    emptied,
    filled,
    forgotten,
    goes,
    named,
    overwritten,
    put,
    read_in,
    version_in,
)
from bundlekeeper.model.vocabulary import METHODS, SPARE

#: Methods that write over the spare bank, and those that add a file to others.
_SPARED = frozenset(METHOD_CODE[method] for method, facts in METHODS.items() if facts.over == SPARE)
_KEEPS = frozenset(METHOD_CODE[method] for method, facts in METHODS.items() if facts.over is None)
_PENDING, _SPARE, _BOOT_FILES = (BANK_CODE[b] for b in ("pending", "spare", "boot_files"))
ANY = -1  # in place of a domain's number: every domain of the site
OPEN = 2**63 - 1  # `until` of the state now

_GONE = WHAT_CODE[EventKind.GONE]
_ABSENT = len(WHATS)  # not an event: a reading of the component's domain that does not list the component
_RANKS = (*(RANK[what] for what in WHATS), RANK[EventKind.GONE])


class Absence(NamedTuple):
    """What a reading lists whole, as (site, domain), the domain ANY for a whole site: nothing else is there."""

    seq: int
    id: bytes
    at: int
    turn: int
    scope: frozenset[tuple[int, int]]


class Fact(NamedTuple):
    """What folding needs of an event, in columns of its row."""

    seq: int
    id: bytes
    what: int
    at: int
    turn: int
    method: int
    bank: int
    kind: int | None
    model: int | None
    parent: int | None
    name: int | None
    tags: int | None
    site: int | None
    domain: int | None
    chassis: int | None
    slot: int | None
    version: int | None
    family: int | None
    bundle: int | None
    sha256: int | None
    seen_active: int | None
    seen_pending: int | None
    seen_spare: int | None
    seen_boot_files: int | None
    seen_staged: int | None
    seen_healthy: int | None
    reading: int | None
    absent: Absence | None = None  # not a column: a reading that does not list the component

    def key(self) -> tuple[int, int, int, bytes]:
        """What events are sorted by."""
        return (self.at, self.turn, _RANKS[self.what], self.id)

    def image(self) -> Image:
        """The image that the event names."""
        return (self.version or 0, self.family or 0, self.bundle or 0, self.sha256 or 0)


_READINGS_OF = itemgetter(*(Fact._fields.index(name) for name in SEEN))
_UNREAD = (None,) * len(SEEN)
_FACT_OF = itemgetter(*(PLACE_OF[name] for name in Fact._fields[:-1]))


def fact_of(row: tuple[Any, ...]) -> Fact:
    """What folding needs of an event's row in the order of rows.COLUMNS."""
    return Fact._make((*_FACT_OF(row), None))


def absence(reading: Absence) -> Fact:
    """The fact that a reading does not list a component."""
    cells = (reading.seq, reading.id, _ABSENT, reading.at, reading.turn, 0, 0)
    return Fact._make((*cells, *(None,) * (len(Fact._fields) - len(cells) - 1), reading))


@dataclass(frozen=True, slots=True)
class Lookups:
    """What folding asks about words: a kind's usual method, and the words of a list."""

    method_of: Callable[[int | None], int]
    listed: Callable[[int], tuple[int, ...]]


class Snapshot(NamedTuple):
    """One component at one time, without its boot files. The order is that of the columns of `state`.

    `tried` is what was staged before an activation that was not read back, (None, event) where nothing was. `unread`
    is 1 until `recorded` is read. `failed` and `no_answer` are events."""

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
    active: Bank
    pending: Bank
    spare: Bank
    staged: Bank
    tried: Bank
    ran_before: Bank
    boot_file_count: int
    boot_files_known: int
    recorded: Bank
    differs: int
    unread: int
    healthy: int | None
    failed: int | None
    no_answer: int | None

    @property
    def words(self) -> tuple[int | None, ...]:
        """Its cells that are words."""
        place = (self.site, self.domain, self.chassis, self.slot)
        return (self.kind, self.model, self.parent, self.name, self.tags, *place)


@dataclass(slots=True)
class ComponentState:
    """One component while it is folded. `boot_files` maps a version to its image, the event and since when."""

    kind: int | None = None
    model: int | None = None
    parent: int | None = None
    name: int | None = None
    tags: int | None = None
    place: tuple[int | None, int | None, int | None, int | None] = (None, None, None, None)
    present: int = 1
    active: Bank = None
    pending: Bank = None
    spare: Bank = None
    staged: Bank = None
    tried: Bank = None
    ran_before: Bank = None
    boot_files: dict[int, tuple[Image, int, int]] = field(default_factory=dict)
    boot_files_known: int = 0
    recorded: Bank = None
    differs: int = 0
    unread: int = 0
    healthy: int | None = None
    failed: int | None = None
    no_answer: int | None = None
    seen: int | None = None
    removed_boot_files: list[tuple[Image, int, int, int]] = field(default_factory=list)  # image, event, since, until

    @classmethod
    def of(cls, found: Snapshot, seen: int | None) -> Self:
        """The component as it was stored, without its boot files."""
        return cls(
            found.kind, found.model, found.parent, found.name, found.tags,
            (found.site, found.domain, found.chassis, found.slot), found.present,
            found.active, found.pending, found.spare, found.staged, found.tried, found.ran_before,
            boot_files_known=found.boot_files_known, recorded=found.recorded, differs=found.differs,
            unread=found.unread, healthy=found.healthy, failed=found.failed, no_answer=found.no_answer, seen=seen,
        )  # fmt: skip

    def snapshot(self) -> Snapshot:
        """What can be compared and stored."""
        return Snapshot(
            self.kind, self.model, self.parent, self.name, self.tags, *self.place, self.present,
            self.active, self.pending, self.spare, self.staged, self.tried, self.ran_before,
            len(self.boot_files), self.boot_files_known, self.recorded, self.differs,
            self.unread, self.healthy, self.failed, self.no_answer,
        )  # fmt: skip

    def apply(self, fact: Fact, lookups: Lookups) -> None:
        """Let one more event happen. Raises nothing."""
        self.kind = fact.kind or self.kind
        self.model = fact.model or self.model
        self.parent = fact.parent or self.parent
        self.name = fact.name or self.name
        self.tags = fact.tags or self.tags
        if fact.site is not None and fact.what != _GONE:
            self.place = _moved(self.place, (fact.site, fact.domain, fact.chassis, fact.slot))
        _STEPS[fact.what](self, fact, lookups)

    def _method(self, fact: Fact, lookups: Lookups) -> int:
        return fact.method or lookups.method_of(self.kind)

    def _staged(self, fact: Fact, lookups: Lookups) -> None:
        image, method = self._known(fact.image()), self._method(fact, lookups)
        self.present, self.no_answer = 1, None
        if method in _KEEPS or fact.bank == _BOOT_FILES:
            self._add_boot_file(image, fact)
        if fact.bank == _PENDING:
            self.pending = put(self.pending, image, fact.seq)
            if method in _SPARED:  # the bank that does not run is pending or spare, never both (common practice)
                self.spare = overwritten(self.spare, fact.seq)
        elif fact.bank == _SPARE:
            self.spare = put(self.spare, image, fact.seq)
            if method in _SPARED:
                self.pending = overwritten(self.pending, fact.seq)
        self.staged = put(self.staged, image, fact.seq)
        if method in _SPARED and self.tried is not None:  # what was activated before is overwritten, if it does not run
            self.tried = (None, fact.seq)

    def _activated(self, fact: Fact, lookups: Lookups) -> None:
        image, old, method = self._known(fact.image()), self.active, self._method(fact, lookups)
        self.present, self.failed, self.no_answer = 1, None, None
        self.active = put(old, image, fact.seq)
        same = version_in(old) == image[0]
        if not same and method in _SPARED:
            self.spare = None if old is None else (old[0], fact.seq)
            self.pending = emptied(self.pending, fact.seq)
        elif not same or version_in(self.pending) == image[0]:
            if old is not None and method in _SPARED:  # the same version in both banks: they are switched, too
                self.spare = (old[0], fact.seq)
            self.pending = emptied(self.pending, fact.seq)
        if method in _KEEPS:
            self._add_boot_file(image, fact)
            if old is not None and old[0] is not None and not same:
                self._add_boot_file(old[0], fact)
        was_staged = version_in(self.staged) == image[0]
        if not same or was_staged:
            self.tried = self.staged if was_staged else (None, fact.seq)
            self.ran_before = old
        is_over = not same and method not in _KEEPS and (method in _SPARED or not self._is_in_a_bank(self.staged))
        if was_staged or is_over:
            self.staged = emptied(self.staged, fact.seq)
        self.recorded = (image, fact.seq)
        self.differs, self.unread = 0, 1

    def _failed(self, fact: Fact, lookups: Lookups) -> None:
        """Nothing changes but that; where the same activation was recorded before, all is as it was before it."""
        self.present, self.failed, self.no_answer = 1, fact.seq, None
        if self.tried is not None and fact.version is not None and fact.version == version_in(self.active):
            self._back(fact, lookups)
            self.active, self.ran_before, self.recorded, self.differs, self.unread = self.ran_before, None, None, 0, 0

    def _back(self, fact: Fact, lookups: Lookups) -> None:
        """What was activated does not run: it is still staged, and nobody has read the other bank."""
        if version_in(self.staged) is None:
            self.staged = self.tried if version_in(self.tried) is not None else None
        if self._method(fact, lookups) in _SPARED:
            self.pending = self.spare = None
        self.tried = None

    def _did_not_answer(self, fact: Fact, lookups: Lookups) -> None:
        self.no_answer = fact.seq

    def _removed(self, fact: Fact, lookups: Lookups) -> None:
        self.no_answer = None
        method = self._method(fact, lookups)
        bank = {_PENDING: self.pending, _SPARE: self.spare}.get(fact.bank)
        if fact.bank == _PENDING and goes(self.pending, fact.version):
            self.pending = emptied(self.pending, fact.seq)
        elif fact.bank == _SPARE and goes(self.spare, fact.version):
            self.spare = emptied(self.spare, fact.seq)
        if fact.version and (fact.bank == _BOOT_FILES or method in _KEEPS):
            self._remove_boot_file(fact.version, fact.at)
        removed = fact.version or version_in(bank)
        if removed is not None and removed == version_in(self.tried):
            self.tried = (None, fact.seq)
        if removed is not None and removed == version_in(self.staged) and not self._is_in_a_bank(self.staged):
            self.staged = emptied(self.staged, fact.seq)
        elif removed is None and bank is None and not self._is_in_a_bank(self.staged):  # of a bank that was not known
            self.staged = forgotten(self.staged)

    def _observed(self, fact: Fact, lookups: Lookups) -> None:
        self.present = 1
        known: dict[int, Image] = {}  # images on the component before this reading, by version
        for image in self._images():
            known[image[0]] = filled(known[image[0]], image) if image[0] in known else image
        held = version_in(self.pending), version_in(self.spare)
        if _READINGS_OF(fact) != _UNREAD:  # of its own answer, not only of its place
            self.no_answer = None
        if fact.seen_active is not None:
            self._read_active(fact, fact.seen_active, known, lookups)
        if fact.seen_pending is not None:
            self.pending = read_in(self.pending, fact.seen_pending, fact.seq, known)
        if fact.seen_spare is not None:
            self.spare = read_in(self.spare, fact.seen_spare, fact.seq, known)
        if fact.seen_boot_files is not None:
            versions = lookups.listed(fact.seen_boot_files)
            for version in [v for v in self.boot_files if v not in versions]:
                self._remove_boot_file(version, fact.at)
            for version in versions:
                self._add_boot_file(known.get(version, (version, 0, 0, 0)), fact)
            self.boot_files_known = 1
        self._read_staged(fact, known, held, self._method(fact, lookups))
        if fact.seen_healthy is not None or fact.reading is not None:  # a reading that does not state it leaves it open
            self.healthy = fact.seen_healthy

    def _read_active(self, fact: Fact, seen: int, known: dict[int, Image], lookups: Lookups) -> None:
        old = self.active
        if version_in(old) != seen:
            is_staged = version_in(self.staged) == seen
            switched = self._method(fact, lookups) in _SPARED and (old is not None or is_staged)
            if is_staged:
                self.staged = None if old is None else emptied(self.staged, fact.seq)
            elif self.tried is not None and version_in(self.ran_before) in {None, seen}:
                self._back(fact, lookups)
                old = None  # what ran before the old version is not known
            elif switched:
                self.staged = None
            if switched:
                self.pending = self.spare = None
            if version_in(self.pending) == seen:
                self.pending = None  # it runs, so it is not pending; what is in that bank now was not read
            self.ran_before = old
        self.active = put(self.active, known.get(seen, (seen, 0, 0, 0)), fact.seq)
        self.tried = self.failed = None
        self.seen, self.unread = fact.seq, 0
        self.differs = int(self.recorded is not None and version_in(self.recorded) != seen)

    def _read_staged(
        self, fact: Fact, known: dict[int, Image], held: tuple[int | None, int | None], method: int
    ) -> None:
        """What is staged after a reading of banks; `held` are the versions that were pending and spare before it."""
        pending, spare = named(fact.seen_pending), named(fact.seen_spare)
        if method in _SPARED:  # the bank that does not run is pending or spare, never both
            if pending and fact.seen_spare is None:
                self.spare = forgotten(self.spare)
            if spare and fact.seen_pending is None:
                self.pending = forgotten(self.pending)
        if fact.seen_staged is not None:
            self.staged = read_in(self.staged, fact.seen_staged, fact.seq, known)
            if method in _SPARED and named(fact.seen_staged) and not self._is_in_a_bank(self.staged):
                self.pending = self.pending if fact.seen_pending is not None else forgotten(self.pending)
                self.spare = self.spare if fact.seen_spare is not None else forgotten(self.spare)
            return
        if pending:
            self.staged = read_in(self.staged, pending, fact.seq, known)
            return
        version = version_in(self.staged)
        was_read = (fact.seen_pending is not None, fact.seen_spare is not None)
        if all(was_read) and not pending and not spare and method in _SPARED:
            self.staged = emptied(self.staged, fact.seq)  # the bank that does not run is empty
            return
        if version is None or self._is_in_a_bank(self.staged):
            return
        if method in _KEEPS:
            is_gone = fact.seen_boot_files is not None
        elif method in _SPARED:
            is_gone = all(was_read) or bool(spare and held[0] != version)
            if any(was_read) and not is_gone:
                self.staged = None  # it may be in the bank that was not read
        else:
            is_gone = any(here == version and read for here, read in zip(held, was_read, strict=True))
        if is_gone:
            self.staged = emptied(self.staged, fact.seq)

    def _gone(self, fact: Fact, lookups: Lookups) -> None:
        """A list of one domain says nothing about a component that has been seen in another domain since."""
        if fact.site is None or self.place[:2] == (fact.site, fact.domain):
            self.present = 0

    def _absent(self, fact: Fact, lookups: Lookups) -> None:
        """A list of one domain says nothing about a component that is in another domain at that time."""
        site, domain = self.place[:2]
        if fact.absent is not None and site is not None:
            covered = fact.absent.scope
            if (site, ANY) in covered or (domain is not None and (site, domain) in covered):
                self.present = 0

    def _nothing(self, fact: Fact, lookups: Lookups) -> None:
        """An event of a kind that states nothing of one component: undone, inventory, skipped, and others."""

    def _images(self) -> Iterator[Image]:
        """Every image known to be on the component; of equal versions, the bundle of the first one counts."""
        for bank in (self.active, self.pending, self.spare, self.staged):
            if bank is not None and bank[0] is not None:
                yield bank[0]
        yield from (image for image, _, _ in self.boot_files.values())

    def _known(self, image: Image) -> Image:
        """The image, completed with what is known of the same version on this component."""
        if image[3] and image[2]:
            return image
        for other in self._images():
            if other[0] == image[0]:
                image = filled(image, other)
        return image

    def _is_in_a_bank(self, bank: Bank) -> bool:
        """True when the image's version is known to be pending, spare or a boot file."""
        version = version_in(bank)
        there = {version_in(self.pending), version_in(self.spare), *self.boot_files}
        return version is not None and version in there

    def _add_boot_file(self, image: Image, fact: Fact) -> None:
        there = self.boot_files.get(image[0])
        if there is None:
            self.boot_files[image[0]] = (image, fact.seq, fact.at)
        elif there[0] != (now := filled(image, there[0])):
            self._remove_boot_file(image[0], fact.at)
            self.boot_files[image[0]] = (now, there[1], fact.at)

    def _remove_boot_file(self, version: int, at: int) -> None:
        there = self.boot_files.pop(version, None)
        if there is not None and there[2] < at:
            self.removed_boot_files.append((there[0], there[1], there[2], at))


_STEPS = (
    ComponentState._staged,
    ComponentState._activated,
    ComponentState._removed,
    ComponentState._observed,
    ComponentState._gone,
    ComponentState._nothing,
    ComponentState._nothing,
    ComponentState._failed,
    ComponentState._did_not_answer,
    *[ComponentState._nothing] * 5,
    ComponentState._absent,
)


def _moved(
    old: tuple[int | None, int | None, int | None, int | None],
    new: tuple[int | None, int | None, int | None, int | None],
) -> tuple[int | None, int | None, int | None, int | None]:
    """The new place; a level that is not stated stays as it was while every level above it is the same."""
    if None not in new:
        return new
    found: list[int | None] = []
    same = True
    for before, after in zip(old, new, strict=True):
        now = before if after is None and same else after
        same = same and now == before
        found.append(now)
    return (found[0], found[1], found[2], found[3])


@dataclass(slots=True)
class Interval:
    """The state of a component from `since` on; `seen` and `last`, the moment of its last event, belong to its end."""

    since: int
    snapshot: Snapshot
    seen: int | None
    last: int


def fold(state: ComponentState, first: Interval | None, facts: Iterable[Fact], lookups: Lookups) -> list[Interval]:
    """Let the facts happen one after the other, in the order of `Fact.key`; return the intervals, `first` included."""
    found = [] if first is None else [first]
    for fact in facts:
        state.apply(fact, lookups)
        snapshot = state.snapshot()
        if found and (found[-1].since == fact.at or found[-1].snapshot == snapshot):
            end = found[-1]
            end.snapshot, end.seen, end.last = snapshot, state.seen, fact.at if fact.absent is None else end.last
            if len(found) > 1 and found[-2].snapshot == snapshot:  # several events of one moment that cancel out
                found.pop()
                found[-1].seen, found[-1].last = end.seen, end.last
        else:
            last = found[-1].last if fact.absent is not None and found else fact.at
            found.append(Interval(fact.at, snapshot, state.seen, last))
    return found
