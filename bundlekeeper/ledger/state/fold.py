"""The state of a component, event after event: what is active, pending, spare, and on its file system; where, and by
which event.

Rules: the answer follows from the set of events alone, in the order of (moment, order, rank, id), never from the order
of learning; a bank that no event names is not known; a version is in a bank since the first event of an unbroken
series that names it; a reading overrules what was recorded, and the difference is kept; an image staged on a two-bank
component overwrites what is known of its one bank that does not run, pending or spare, and a bank that is not known
stays not known.
Effects by method are common practice. Everything here is numbers: words, images and sequence numbers of events in one
store.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any, NamedTuple

from bundlekeeper.ledger.event.events import RANK, EventKind
from bundlekeeper.ledger.event.rows import BANK_CODE, METHOD_CODE, NOTHING, PLACE_OF, WHAT_CODE, WHATS
from bundlekeeper.model.vocabulary import METHODS, SPARE

#: version, family, bundle, sha256 as words; 0 where not stated.
Image = tuple[int, int, int, int]
#: What is in a bank and the event that put or found it there: None is not known, (None, event) known to be none.
Bank = tuple[Image | None, int] | None

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
    reading: int | None
    absent: Absence | None = None  # not a column: a reading that does not list the component

    def key(self) -> tuple[int, int, int, bytes]:
        """What events are sorted by."""
        return (self.at, self.turn, _RANKS[self.what], self.id)

    def image(self) -> Image:
        """The image that the event names."""
        return (self.version or 0, self.family or 0, self.bundle or 0, self.sha256 or 0)


_FACT_OF = itemgetter(*(PLACE_OF[name] for name in Fact._fields[:-1]))


def fact_of(row: tuple[Any, ...]) -> Fact:
    """What folding needs of an event's row in the order of rows.COLUMNS."""
    return Fact(*_FACT_OF(row))


def absence(reading: Absence) -> Fact:
    """The fact that a reading does not list a component."""
    cells = (reading.seq, reading.id, _ABSENT, reading.at, reading.turn, 0, 0)
    return Fact._make((*cells, *(None,) * (len(Fact._fields) - len(cells) - 1), reading))


@dataclass(frozen=True, slots=True)
class Lookups:
    """What folding asks about words: a kind's usual method, and the versions in a list of boot files."""

    method_of: Callable[[int | None], int]
    boot_files: Callable[[int], tuple[int, ...]]


class Snapshot(NamedTuple):
    """One component at one time, without its boot files. The order is that of the columns of `state`."""

    kind: int | None
    model: int | None
    parent: int | None
    site: int | None
    domain: int | None
    chassis: int | None
    slot: int | None
    present: int
    active: Bank
    pending: Bank
    spare: Bank
    boot_file_count: int
    boot_files_known: int
    recorded: Bank
    differs: int


@dataclass(slots=True)
class ComponentState:
    """One component while it is folded. `boot_files` maps a version to its image, the event and since when."""

    kind: int | None = None
    model: int | None = None
    parent: int | None = None
    place: tuple[int | None, int | None, int | None, int | None] = (None, None, None, None)
    present: int = 1
    active: Bank = None
    pending: Bank = None
    spare: Bank = None
    boot_files: dict[int, tuple[Image, int, int]] = field(default_factory=dict)
    boot_files_known: int = 0
    recorded: Bank = None
    differs: int = 0
    seen: int | None = None
    removed_boot_files: list[tuple[Image, int, int, int]] = field(default_factory=list)  # image, event, since, until

    def snapshot(self) -> Snapshot:
        """What can be compared and stored."""
        return Snapshot(
            self.kind, self.model, self.parent, *self.place, self.present, self.active, self.pending, self.spare,
            len(self.boot_files), self.boot_files_known, self.recorded, self.differs,
        )  # fmt: skip

    def apply(self, fact: Fact, lookups: Lookups) -> None:
        """Let one more event happen. Raises nothing."""
        self.kind = fact.kind or self.kind
        self.model = fact.model or self.model
        self.parent = fact.parent or self.parent
        if fact.site is not None and fact.what != _GONE:
            self.place = _moved(self.place, (fact.site, fact.domain, fact.chassis, fact.slot))
        _STEPS[fact.what](self, fact, lookups)

    def _method(self, fact: Fact, lookups: Lookups) -> int:
        return fact.method or lookups.method_of(self.kind)

    def _staged(self, fact: Fact, lookups: Lookups) -> None:
        image, method = self._known(fact.image()), self._method(fact, lookups)
        self.present = 1
        if method in _KEEPS or fact.bank == _BOOT_FILES:
            self._add_boot_file(image, fact)
        if fact.bank == _PENDING:
            self.pending = _put(self.pending, image, fact.seq)
            if method in _SPARED:  # the bank that does not run is pending or spare, never both (common practice)
                self.spare = _overwritten(self.spare, fact.seq)
        elif fact.bank == _SPARE:
            self.spare = _put(self.spare, image, fact.seq)
            if method in _SPARED:
                self.pending = _overwritten(self.pending, fact.seq)

    def _activated(self, fact: Fact, lookups: Lookups) -> None:
        image, old, method = self._known(fact.image()), self.active, self._method(fact, lookups)
        self.present = 1
        self.active = _put(old, image, fact.seq)
        same = old is not None and old[0] is not None and old[0][0] == image[0]
        if not same and method in _SPARED:
            self.spare = None if old is None else (old[0], fact.seq)
            self.pending = _emptied(self.pending, fact.seq)
        elif not same or _version(self.pending) == image[0]:
            self.pending = _emptied(self.pending, fact.seq)
        if method in _KEEPS:
            self._add_boot_file(image, fact)
            if old is not None and old[0] is not None and not same:
                self._add_boot_file(old[0], fact)
        self.recorded = (image, fact.seq)
        self.differs = 0

    def _removed(self, fact: Fact, lookups: Lookups) -> None:
        if fact.bank == _PENDING and _goes(self.pending, fact.version):
            self.pending = _emptied(self.pending, fact.seq)
        elif fact.bank == _SPARE and _goes(self.spare, fact.version):
            self.spare = _emptied(self.spare, fact.seq)
        if fact.version and (fact.bank == _BOOT_FILES or self._method(fact, lookups) in _KEEPS):
            self._remove_boot_file(fact.version, fact.at)

    def _observed(self, fact: Fact, lookups: Lookups) -> None:
        self.present = 1
        known: dict[int, Image] = {}  # images on the component before this reading, by version
        for image in self._images():
            known[image[0]] = _filled(known.get(image[0], image), image)
        if fact.seen_active is not None:
            self.active = _put(self.active, known.get(fact.seen_active, (fact.seen_active, 0, 0, 0)), fact.seq)
            if _version(self.pending) == fact.seen_active:
                self.pending = None  # it runs, so it is not pending; what is in that bank now was not read
            self.seen = fact.seq
            self.differs = int(self.recorded is not None and _version(self.recorded) != fact.seen_active)
        if fact.seen_pending is not None:
            self.pending = _read(self.pending, fact.seen_pending, fact.seq, known)
        if fact.seen_spare is not None:
            self.spare = _read(self.spare, fact.seen_spare, fact.seq, known)
        if fact.seen_boot_files is not None:
            versions = lookups.boot_files(fact.seen_boot_files)
            for version in [v for v in self.boot_files if v not in versions]:
                self._remove_boot_file(version, fact.at)
            for version in versions:
                self._add_boot_file(known.get(version, (version, 0, 0, 0)), fact)
            self.boot_files_known = 1

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
        """An event of the kind undone or inventory states nothing of one component."""

    def _images(self) -> Iterator[Image]:
        """Every image known to be on the component; of equal versions, the bundle of the first one counts."""
        for bank in (self.active, self.pending, self.spare):
            if bank is not None and bank[0] is not None:
                yield bank[0]
        yield from (image for image, _, _ in self.boot_files.values())

    def _known(self, image: Image) -> Image:
        """The image, completed with what is known of the same version on this component."""
        if image[3] and image[2]:
            return image
        for other in self._images():
            if other[0] == image[0]:
                image = _filled(image, other)
        return image

    def _add_boot_file(self, image: Image, fact: Fact) -> None:
        there = self.boot_files.get(image[0])
        if there is None:
            self.boot_files[image[0]] = (image, fact.seq, fact.at)
        elif there[0] != (filled := _filled(image, there[0])):
            self._remove_boot_file(image[0], fact.at)
            self.boot_files[image[0]] = (filled, there[1], fact.at)

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
    ComponentState._absent,
)


def _moved(
    old: tuple[int | None, int | None, int | None, int | None],
    new: tuple[int | None, int | None, int | None, int | None],
) -> tuple[int | None, int | None, int | None, int | None]:
    """The new place; a level that is not stated stays as it was while every level above it is the same."""
    found: list[int | None] = []
    same = True
    for before, after in zip(old, new, strict=True):
        now = before if after is None and same else after
        same = same and now == before
        found.append(now)
    return (found[0], found[1], found[2], found[3])


def _version(bank: Bank) -> int | None:
    return None if bank is None or bank[0] is None else bank[0][0]


def _filled(image: Image, other: Image) -> Image:
    """The image with family, bundle and SHA-256 of `other`, each where it has none.

    Where the two contradict each other, nothing is copied: two bundles may have one version, and the digest of one
    says nothing about the other.
    """
    if any(ours and theirs and ours != theirs for ours, theirs in zip(image[1:], other[1:], strict=True)):
        return image
    return (image[0], image[1] or other[1], image[2] or other[2], image[3] or other[3])


def _put(bank: Bank, image: Image, seq: int) -> Bank:
    """The bank with the image in it: a version that was there already keeps its `since`."""
    if bank is not None and bank[0] is not None and bank[0][0] == image[0]:
        return (_filled(image, bank[0]), bank[1])
    return (image, seq)


def _emptied(bank: Bank, seq: int) -> Bank:
    return bank if bank is not None and bank[0] is None else (None, seq)


def _overwritten(bank: Bank, seq: int) -> Bank:
    """The other one of two banks after one was written: empty if it was known, else still not known."""
    return None if bank is None else _emptied(bank, seq)


def _goes(bank: Bank, version: int | None) -> bool:
    """True when a removal empties the bank: no other version is known to be there."""
    there = _version(bank)
    return there is None or version is None or there == version


def _read(bank: Bank, version: int, seq: int, known: dict[int, Image]) -> Bank:
    if version == NOTHING:
        return _emptied(bank, seq)
    return _put(bank, known.get(version, (version, 0, 0, 0)), seq)


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
