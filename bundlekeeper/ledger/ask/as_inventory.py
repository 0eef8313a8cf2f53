"""Inventories and the ledger: a reading becomes events, and the events with the newest readings an inventory again.

Rules: a reading is one event of its own and one observation of each component, so that undoing the one event undoes
all of it; loading the same reading again changes nothing; of two readings of one moment, the one that was loaded later
counts later, in every store, by the `order` of its events; a component is gone only where a reading lists everything,
or has another one in its place; a reading that is loaded late is compared with the state at its own time; the text of
each reading is kept whole. A fact of a reading that may have changed, because something was put on the component
since, is not known.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from datetime import date, datetime
from operator import attrgetter, itemgetter
from typing import Any

from bundlekeeper.errors import DamagedError, InputError
from bundlekeeper.formats import moments
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.ask.answering import tags_of
from bundlekeeper.ledger.ask.as_of import AsOf, StateAsOf, about
from bundlekeeper.ledger.event import own_chain
from bundlekeeper.ledger.event.events import SEEN_OF, Event, EventKind, EvidenceKind, Seen
from bundlekeeper.ledger.event.places import RowsQuestion
from bundlekeeper.ledger.event.rows import PLACE_OF, WHAT_CODE, counts, events_of, from_row, is_void
from bundlekeeper.ledger.record.kept_texts import LOAD_HINT
from bundlekeeper.ledger.record.ledger import Ledger, Recorded
from bundlekeeper.ledger.state.absence import reading_rows
from bundlekeeper.ledger.state.banks import Bank
from bundlekeeper.ledger.state.fold import Snapshot
from bundlekeeper.model.inventory import changes as inventory_changes
from bundlekeeper.model.inventory.changes import Changed, InventoryChange
from bundlekeeper.model.inventory.read import InventorySource, read_inventory
from bundlekeeper.model.inventory.types import COMPONENT_KEYS, PLACES, Component, Inventory, Partition, Place, Policy
from bundlekeeper.model.inventory.write_json import to_json
from bundlekeeper.model.vocabulary import KINDS

_INVENTORY, _OBSERVED = WHAT_CODE[EventKind.INVENTORY], WHAT_CODE[EventKind.OBSERVED]
_RECORDS = tuple(WHAT_CODE[what] for what in (EventKind.STAGED, EventKind.ACTIVATED, EventKind.REMOVED))
Scope = tuple[str, str, str]  # site, domain, kind

#: The keys of a component by their source: events, as words (also in `Snapshot`), as versions, as what was seen; the
#: newest reading.
_SEEN = tuple(key.name for key in fields(Seen))
_VERSIONS = tuple(name for name in _SEEN if COMPONENT_KEYS[name].cell in {"running", "version"})
_WORDS = tuple(name for name, key in COMPONENT_KEYS.items() if key.recorded and name not in {*_SEEN, "tags"})
_TEXTS = tuple(name for name in _WORDS if name not in PLACES)
_READ = tuple(name for name, key in COMPONENT_KEYS.items() if not key.recorded)
_LASTING = tuple(name for name in _READ if name != "serial")
_TEXTS_OF, _READ_OF = attrgetter(*_TEXTS), attrgetter(*_READ)
_WORDS_OF = itemgetter(*map(Snapshot._fields.index, _WORDS))  # fails where a recorded key is not there
_VERSIONS_OF = itemgetter(*map(Snapshot._fields.index, _VERSIONS))


@dataclass(frozen=True, slots=True)
class InventoryLoad:
    """What loading a reading will do; a dry run and the real one share it.

    `unlisted` counts, by (site, domain, kind), the components of the reading's domains that it does not mention and
    that stay as they were. `reading` is the id of the reading's own event. `again` is True when this very reading was
    loaded before and is not undone: then nothing changes; `overtaken` is the id of a reading of the same moment and of
    one of its domains that was loaded after it and counts instead, "" where there is none.
    """

    reading: str
    events: tuple[Event, ...]
    documents: Mapping[str, str]
    changes: tuple[Changed, ...]
    unlisted: Mapping[Scope, int]
    again: bool = False
    overtaken: str = ""

    @property
    def gone(self) -> tuple[Changed, ...]:
        """What is not there any more, because the reading lists everything there and does not list it."""
        return tuple(change for change in self.changes if change.what is InventoryChange.GONE)


@dataclass(frozen=True, slots=True)
class InventoryReading:
    """One reading: its event's id, when it was read, by whom reported, from where, its text's SHA-256, what it has.

    `scope` is the (site, domain, kind) that it lists, `complete` what it lists whole, `components` how many it lists.
    """

    id: str
    at: moments.Moment
    reported_by: str
    source: str
    document: str
    scope: tuple[Scope, ...]
    complete: tuple[str, ...]
    components: int
    undone: bool


@dataclass(frozen=True, slots=True)
class Believed:
    """An inventory as it is believed at a moment.

    `unread` are the identities of components that are in no reading that counts; `unplaced` those of components whose
    place is not known, which are not in the inventory.
    """

    inventory: Inventory
    unread: tuple[str, ...]
    unplaced: tuple[str, ...]


def plan_load(
    ledger: Ledger, inventory: Inventory, *, reported_by: str, source: str, done_by: str = ""
) -> InventoryLoad:
    """Find out what a reading changes, and make its events.

    `reported_by` is who reports it, `source` where the reading is from (a file's name, an address). Raises InputError
    (the zone); DamagedError, LockedError, UnfinishedError.
    """
    when = moments.moment(inventory.read_at, inventory.zone)
    new = {component.key for component in inventory.components}
    domains = {(component.site, component.domain) for component in inventory.components}
    text = to_json(inventory)
    digest = hashlib.sha256(text.encode()).hexdigest()
    scope = tuple(sorted({(component.site, component.domain, component.kind) for component in inventory.components}))
    reading = Event(
        what=EventKind.INVENTORY,
        at=when,
        reported_by=reported_by,
        done_by=done_by,
        source=source,
        document=digest,
        scope=scope,
        complete=inventory.complete,
    )
    with ledger.reading():
        joined = _StatesWithReadings(ledger, AsOf(ledger, when.utc(), None, inventory.zone), {digest: text})
        states = joined.at_sites(dict.fromkeys(site for site, _ in domains))
        states += joined.of(new - {ledger.words.text(state.component) for state in states})
        joined.read({site for site, _ in domains} | {joined.text(state.snapshot.site) for state in states})
        there = [joined.component(s) for s in states if s.snapshot.domain is not None and s.snapshot.present]
        reading, again = _ordered(ledger, reading, [state.component for state in states])
        overtaken = _overtaking(ledger, reading) if again else ""
        outlived = [] if again else list(_outlived(ledger, inventory, when))
    changes = [] if again else inventory_changes.compare(there, inventory.components, inventory.whole())
    common = replace(
        reading, what=EventKind.OBSERVED, document="", scope=(), complete=(), evidence=EvidenceKind.INVENTORY,
        reading=reading.id(),
    )  # fmt: skip
    events = (reading, *(_observation(common, component) for component in inventory.components))
    events += tuple(_displaced(common, changes, new))
    events += tuple(replace(common, what=EventKind.GONE, **stated) for stated in outlived)
    settled = new | {change.before.key for change in changes if change.before is not None}
    left = (c for c in there if c.key not in settled and (c.site, c.domain) in domains)
    unlisted = {} if again else dict(sorted(Counter((c.site, c.domain, c.kind) for c in left).items()))
    return InventoryLoad(reading.id(), events, {digest: text}, tuple(changes), unlisted, again, overtaken)


def seen_after(ledger: Ledger, plan: InventoryLoad) -> set[str]:
    """The components of a reading that were read later already, so that it changes nothing of what is known today.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    when = plan.events[0].at.at_us
    with ledger.reading():
        if own_chain.read(ledger.connection).latest <= when:
            return set()
        select = "SELECT DISTINCT component FROM event WHERE at > ? AND what = ? AND NOT void AND component IS NOT NULL"
        numbers = {row[0] for row in ledger.connection.execute(select, (when, _OBSERVED))}
        ledger.words.fetch(numbers)
        later = {ledger.words.text(number) for number in numbers}
    return later & {event.component for event in plan.events}


def _ordered(ledger: Ledger, reading: Event, components: Sequence[int]) -> tuple[Event, bool]:
    """The reading, ordered after all earlier events of its moment; and whether it was loaded already."""
    select = "SELECT id, turn, void FROM event WHERE component IS NULL AND what = ? AND at = ?"
    there = ledger.connection.execute(select, (_INVENTORY, reading.at.at_us)).fetchall()
    for event_id, turn, void in there:
        same = replace(reading, order=turn)
        if not void and same.id() == event_id.hex():
            return same, True
    order = max((turn + 1 for _, turn, _ in there), default=0)
    for start in range(0, len(components), 500):
        batch = components[start : start + 500]
        marks = ",".join("?" * len(batch))
        # observations need an earlier order; other events come first by their rank (events.RANK) in the same order
        select = f"SELECT max(turn + (what = ?)) FROM event WHERE component IN ({marks}) AND at = ?"  # noqa: S608
        (latest,) = ledger.connection.execute(select, (_OBSERVED, *batch, reading.at.at_us)).fetchone()
        order = max(order, latest or 0)
    return replace(reading, order=order), False


def _overtaking(ledger: Ledger, reading: Event) -> str:
    """The last reading of the same moment that lists one of its domains and was loaded after it; "" for none."""
    domains = {(site, domain) for site, domain, _ in reading.scope}
    for other in readings(ledger):
        if other.id == reading.id():
            return ""
        if other.at.at_us == reading.at.at_us and domains & {(site, domain) for site, domain, _ in other.scope}:
            return other.id
    return ""


def load(ledger: Ledger, plan: InventoryLoad, learned: datetime) -> Recorded:
    """Record what was planned, all of it or nothing. Raises as `Ledger.record`."""
    return ledger.record(plan.events, learned, documents=plan.documents)


def _observation(common: Event, component: Component) -> Event:
    texts: dict[str, Any] = {key: text or "" for key, text in zip(_TEXTS, _TEXTS_OF(component), strict=True)}
    return Event(
        what=EventKind.OBSERVED, at=common.at, reported_by=common.reported_by, done_by=common.done_by,
        source=common.source, evidence=common.evidence, order=common.order, reading=common.reading,
        component=component.key, place=component.place, seen=Seen(*SEEN_OF(component)), tags=component.tags or (),
        **texts,
    )  # fmt: skip


def _displaced(common: Event, changes: Iterable[Changed], listed: Collection[str]) -> Iterator[Event]:
    """What a reading states of components that it does not list: replaced, or moved with their server."""
    for change in changes:
        component = change.component
        if change.what is InventoryChange.REPLACED and change.before is not None:
            reason = f"replaced by {change.by or component.key}"
            yield replace(
                common, what=EventKind.GONE, component=change.before.key, place=change.before.place, reason=reason
            )
        elif change.what is InventoryChange.MOVED and component.key not in listed:
            yield replace(common, component=component.key, place=component.place)


def _outlived(ledger: Ledger, inventory: Inventory, when: moments.Moment) -> Iterator[dict[str, Any]]:
    """What a late reading lists in places that something else was seen in later: what states that each is gone then."""
    if own_chain.read(ledger.connection).latest <= when.at_us:
        return
    joined = _StatesWithReadings(ledger, AsOf(ledger, None, None, inventory.zone))
    listed = {component.key for component in inventory.components}
    states = joined.at_sites({component.site for component in inventory.components})
    now = [joined.component(s) for s in states if s.snapshot.domain is not None and s.snapshot.present]
    others = [component for component in now if component.key not in listed]
    for change in inventory_changes.displaced(inventory.components, others):
        before = change.before
        if change.what is not InventoryChange.REPLACED or before is None or _after(ledger, before, when):
            continue
        came = [other for other in others if other.parent == change.by] if change.by else [change.component]
        seen = [row for other in came for row in _after(ledger, other, when, place=before.place)]
        if seen:
            first = from_row(min(seen, key=itemgetter(PLACE_OF["at"], PLACE_OF["turn"])), ledger.words)
            reason = f"replaced by {change.by or change.component.key}"
            yield {
                "at": first.at, "order": first.order, "component": before.key, "place": before.place, "reason": reason,
                **({"reading": first.reading} if first.reading else {}),  # undone with what it rests on
            }  # fmt: skip


def _after(
    ledger: Ledger, component: Component, when: moments.Moment, place: Place | None = None
) -> list[tuple[Any, ...]]:
    """The rows of a component's events after a moment, with `place` only those in that chassis and slot."""
    number = ledger.words.find(component.key)
    rows = [] if number is None else events_of(ledger.connection, number)
    rows = [row for row in rows if counts(row) and row[PLACE_OF["at"]] > when.at_us]
    if place is None:
        return rows
    slot = (place.slot or "").partition("/")[0]
    chassis = ledger.words.find(place.chassis or "")
    maybe = ledger.words.maybe
    return [
        row
        for row in rows
        if row[PLACE_OF["chassis"]] == chassis and (maybe(row[PLACE_OF["slot"]]) or "").partition("/")[0] == slot
    ]


def readings(ledger: Ledger, *, undone: bool = False) -> list[InventoryReading]:
    """Every reading, newest first, with `undone` also those that were undone.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    with ledger.reading():
        rows = [row for row in reversed(reading_rows(ledger.connection)) if undone or not is_void(row)]
        events = [(row[1].hex(), from_row(row, ledger.words), is_void(row)) for row in rows]
        select = "SELECT count(*) FROM event WHERE reading = ? AND what = ?"
        numbers = [
            ledger.connection.execute(select, (ledger.words.find(i), _OBSERVED)).fetchone()[0] for i, _, _ in events
        ]
    return [
        InventoryReading(i, e.at, e.reported_by, e.source, e.document, e.scope, e.complete, count, void)
        for (i, e, void), count in zip(events, numbers, strict=True)
    ]


def believed(
    ledger: Ledger,
    *,
    sites: Iterable[str] = (),
    on: date | datetime | None = None,
    zone: str = "UTC",
    clock: datetime | None = None,
) -> Believed | None:
    """Return the inventory that is believed now, or of a past day: the newest readings, brought up to date.

    Versions and places are the ledger's, everything else is the readings'. The free bytes of a partition are not known
    where something was put on its component, or removed, after the reading. Only `sites` are in it, or all. `clock` is
    the time now, aware: without `on`, events of a later day do not count. None where no reading lists any of them.
    Raises InputError for an unknown zone; DamagedError, LockedError, UnfinishedError.
    """
    with ledger.reading():
        joined = _StatesWithReadings(ledger, AsOf(ledger, on, None, zone, clock))
        asked = set(sites)
        states = joined.at_sites(asked) if asked else joined.everywhere()
        joined.read(asked)
        if not joined.used:
            return None
        placed = [state for state in states if state.snapshot.domain is not None and state.snapshot.present]
        components = [joined.component(state) for state in placed]
        partitions = tuple(joined.partitions({component.key: component for component in components}))
    newest = joined.used[0].at
    inventory = Inventory(
        read_at=date.fromisoformat(newest.text()) if newest.is_day else newest.utc(),
        zone=newest.zone,
        components=tuple(
            sorted(components, key=lambda c: (c.site, c.domain, c.chassis or "", c.slot or "", c.kind, c.key))
        ),
        partitions=partitions,
        policies=_policies(joined.documents),
        separate_windows=tuple(
            dict.fromkeys(
                separate_windows for document in joined.documents for separate_windows in document.separate_windows
            )
        ),
        own_kinds=frozenset(component.kind for component in components if component.kind not in KINDS),
    )
    unread = tuple(sorted(component.key for component in components if component.key not in joined.rows))
    unplaced = [state for state in states if state.snapshot.domain is None and state.snapshot.present]
    return Believed(inventory, unread, tuple(sorted(ledger.words.text(state.component) for state in unplaced)))


class _StatesWithReadings:
    """The states of components, joined with what the readings know of them beyond versions and places."""

    def __init__(self, ledger: Ledger, as_of: AsOf, kept: Mapping[str, str] | None = None) -> None:
        """`kept` are texts by their SHA-256 that need not be read from the ledger."""
        self._kept = kept or {}
        self.ledger = ledger
        self.as_of = as_of
        self.text = ledger.words.maybe
        self.used: list[InventoryReading] = []  # newest first
        self.documents: list[Inventory] = []
        self.rows: dict[str, Component] = {}
        self._partitions: dict[str, tuple[InventoryReading, list[Partition]]] = {}

    def everywhere(self) -> list[StateAsOf]:
        """The state of every component."""
        return self._fetched([RowsQuestion("true", ())])

    def at_sites(self, sites: Iterable[str]) -> list[StateAsOf]:
        """The states of the components at these sites, gone ones too."""
        numbers = {self.ledger.words.surely(site) for site in sites}
        questions = [RowsQuestion("site = ?", (number,), "state_site") for number in numbers if number is not None]
        return [state for state in self._fetched(questions) if state.snapshot.site in numbers]

    def of(self, keys: Iterable[str]) -> list[StateAsOf]:
        """The states of these components, wherever they are."""
        numbers = [n for key in keys if (n := self.ledger.words.find(key)) is not None]
        states = self._fetched([about(numbers[start : start + 500]) for start in range(0, len(numbers), 500)])
        return [state for state in states if state.component in set(numbers)]

    def _fetched(self, questions: Sequence[RowsQuestion]) -> list[StateAsOf]:
        states = list(self.as_of.states(questions))
        self.ledger.words.fetch({n for state in states for n in (state.component, *state.snapshot.words) if n})
        return states

    def read(self, sites: set[str | None] | set[str]) -> None:
        """Read the readings that count at these sites, or everywhere: for each domain back to one that lists it whole.

        Of a component that several list, each fact is the newest one's that states it.
        """
        closed: set[tuple[str, str]] = set()
        for reading in readings(self.ledger):
            if reading.at.at_us > self.as_of.latest:
                continue
            domains = {(site, domain) for site, domain, _ in reading.scope if not sites or site in sites} - closed
            if not domains:
                continue
            self.used.append(reading)
            document = self._document(reading)
            self.documents.append(document)
            self._rows_of(reading, document, domains)
            whole = document.whole()
            closed.update(domain for domain in domains if whole(*domain))

    def _rows_of(self, reading: InventoryReading, document: Inventory, domains: set[tuple[str, str]]) -> None:
        listed: dict[str, list[Partition]] = {}
        for partition in document.partitions:
            listed.setdefault(partition.component, []).append(partition)
        for component in document.components:
            if (component.site, component.domain) not in domains:
                continue
            key, newer = component.key, self.rows.get(component.key)
            if newer is None:
                self.rows[key] = component
            elif learned := {
                name: value
                for name in _LASTING
                if getattr(newer, name) is None and (value := getattr(component, name)) is not None
            }:
                self.rows[key] = replace(newer, **learned)
            if key in listed and key not in self._partitions:
                # free bytes are those of a moment: a newer reading of the component does not confirm them
                known = (p if newer is None else replace(p, free_bytes=None) for p in listed[key])
                self._partitions[key] = (reading, list(known))

    def _document(self, reading: InventoryReading) -> Inventory:
        text = self._kept.get(reading.document) or self.ledger.document(reading.document)
        try:
            if text is None:
                raise InputError("it is not in the ledger")
            source = InventorySource(reading.source or "reading", text.encode(), "json")
            return read_inventory([source], own_kinds={kind for _, _, kind in reading.scope}, kept=True)
        except InputError as e:
            message = f"the ledger is damaged: the text of the inventory {reading.document[:12]}… cannot be read"
            raise DamagedError(message, hint=LOAD_HINT, where=self.ledger.where) from e

    def component(self, state: StateAsOf) -> Component:
        """The component: versions and place by its state, everything else by its newest reading."""
        found, text = state.snapshot, self.text
        key = self.ledger.words.text(state.component)
        row = self.rows.get(key)
        base = row if row is not None else Component(text(found.kind) or "", "", "", serial=key)
        values: dict[str, Any] = dict(zip(_READ, _READ_OF(base), strict=True))
        values |= zip(_WORDS, map(text, _WORDS_OF(found)), strict=True)
        values |= zip(_VERSIONS, map(self._version, _VERSIONS_OF(found)), strict=True)
        values["tags"] = tags_of(self.ledger, found) or None
        values["healthy"] = None if found.healthy is None else bool(found.healthy)
        values["kind"] = values["kind"] or base.kind
        values["site"], values["domain"] = values["site"] or "", values["domain"] or ""
        component = Component(boot_files=self._boot_files(state), **values)
        return component if component.key == key else replace(component, serial=key)

    def _version(self, bank: Bank) -> str | None:
        if bank is None:
            return None
        return "" if bank[0] is None else self.text(bank[0][0])

    def _boot_files(self, state: StateAsOf) -> tuple[str, ...] | None:
        if not state.snapshot.boot_files_known:
            return None
        return tuple(sorted(self.ledger.words.text(image[0]) for image, _ in state.boot_files))

    def partitions(self, components: Mapping[str, Component]) -> Iterator[Partition]:
        """The partitions of these components; free bytes only where no work on the component was recorded since."""
        for key, (reading, listed) in self._partitions.items():
            if not listed or key not in components:
                continue
            changed = False
            for row in events_of(self.ledger.connection, self.ledger.words.number(key), self.as_of.latest):
                if row[PLACE_OF["at"]] <= reading.at.at_us:
                    break
                changed = changed or (not is_void(row) and row[PLACE_OF["what"]] in _RECORDS)
            yield from (replace(partition, free_bytes=None) if changed else partition for partition in listed)


def _policies(documents: Iterable[Inventory]) -> tuple[Policy, ...]:
    """Each policy as in the newest reading that has it; `documents` come newest first."""
    found: dict[tuple[str, tuple[str, ...] | None], Policy] = {}
    for document in documents:
        for policy in document.policies:
            found.setdefault((policy.name, policy.scope), policy)
    return tuple(found.values())
