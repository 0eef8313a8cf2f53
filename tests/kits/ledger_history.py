"""What several tests share with those of ledger/ask/test_where.py."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from bundlekeeper.formats import moments
from bundlekeeper.ledger.ask.types import Agreement, Selector, WhereAnswer
from bundlekeeper.ledger.ask.where import where
from bundlekeeper.ledger.event.events import Event, EventKind, EvidenceKind, Seen
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.inventory.types import Place
from bundlekeeper.model.vocabulary import KINDS

MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # hundreds of small ledgers, and none needs to last


DAY0 = datetime(2026, 1, 1, tzinfo=UTC)


def at(day: int, hour: int | None = None, zone: str = "UTC") -> moments.Moment:
    """A day of the tests' calendar, or an hour of it."""
    if hour is None:
        return moments.end_of((DAY0 + timedelta(days=day)).date(), zone)
    return moments.at(DAY0 + timedelta(days=day, hours=hour), zone)


RANKS = {"inventory": 0, "removed": 1, "staged": 2, "activated": 3, "gone": 4, "observed": 5, "undone": 6}


def naive_void(events: Sequence[Event]) -> set[str]:
    """An event is void when an event that is not void undoes it, or when its reading is void."""
    ids = {e.id(): e for e in events}

    def void(event_id: str) -> bool:
        named = any(e.undoes == event_id and not void(i) for i, e in ids.items() if e.what is EventKind.UNDONE)
        reading = ids[event_id].reading if event_id in ids else ""
        return named or (reading in ids and void(reading))

    return {i for i in ids if void(i)}


@dataclass
class NaiveState:
    """One component in the naive replay. A bank is None (not known), ("",) for none, or [version, bundle, event]."""

    place: tuple[str | None, ...] = (None, None, None, None)
    kind: str = ""
    present: bool = True
    banks: dict[str, Any] = field(default_factory=lambda: {"active": None, "pending": None, "spare": None})
    boot_files: dict[str, Any] = field(default_factory=dict)
    recorded: Any = None
    seen: Any = None
    differs: bool = False


def naive(events: Iterable[Event], on: Any, zones: dict[str, str] | None = None) -> dict[str, NaiveState]:
    """The state of every component at the end of the day `on` (or at an instant, or now)."""
    events = list({e.id(): e for e in events}.values())
    void = naive_void(events)
    components: dict[str, NaiveState] = {}
    for name in {e.component for e in events if e.component}:
        mine = [e for e in events if e.component == name and e.id() not in void]
        mine.sort(key=naive_key)
        first, listed = (
            (naive_key(mine[0]) if mine else None),
            {e.reading for e in mine if e.what is EventKind.OBSERVED},
        )
        for e in events:
            silent = e.what is EventKind.INVENTORY and e.id() not in void and e.id() not in listed
            if first and silent and naive_key(e, "gone") > first:
                mine.append(e)
        mine.sort(key=lambda e: naive_key(e, "gone" if e.what is EventKind.INVENTORY else ""))
        component = NaiveState()
        moments_of = sorted({e.at.at_us for e in mine})
        for moment in moments_of:
            now = naive_copy(component)
            for e in mine:
                if e.at.at_us == moment:
                    naive_step(now, e)
            zone = (zones or {}).get(now.place[0] or "", "UTC")
            limit = None if on is None else moments.moment(on, zone).at_us
            component = now
            if limit is None or moment <= limit:
                components[name] = now
    return components


def naive_key(e: Event, rank: str = "") -> Any:
    return (e.at.at_us, e.order, RANKS[rank or e.what], e.id())


def naive_copy(p: NaiveState) -> NaiveState:
    return replace(p, banks=dict(p.banks), boot_files=dict(p.boot_files))


def naive_step(p: NaiveState, e: Event) -> None:
    if e.what is EventKind.INVENTORY:  # a list that does not list the component
        site, domain = p.place[:2]
        there = {(site, domain) for site, domain, _ in e.scope}
        if f"site:{site}" in e.complete or (f"domain:{domain}" in e.complete and (site, domain) in there):
            p.present = False
        return
    p.kind = e.kind or p.kind
    if e.place is not None and e.what is not EventKind.GONE:
        stated_levels = (e.place.site, e.place.domain, e.place.chassis, e.place.slot)
        levels: list[str | None] = []
        for i, level in enumerate(stated_levels):
            same_above = all(levels[j] == p.place[j] for j in range(i))
            levels.append(p.place[i] if level is None and same_above else level)
        p.place = tuple(levels)
    method = e.method or (KINDS[p.kind].method if p.kind in KINDS else "")
    known: dict[str, str] = {}  # of equal versions, the first one with a bundle counts
    for b in (p.banks["active"], p.banks["pending"], p.banks["spare"], *p.boot_files.values()):
        if b and b[0]:
            known[b[0]] = known.get(b[0]) or b[1]
    bundle = e.bundle or known.get(e.version, "")
    if e.what in {EventKind.STAGED, EventKind.ACTIVATED, EventKind.OBSERVED}:
        p.present = True
    if e.what is EventKind.STAGED:
        if method == "boot-file" or e.bank == "boot_files":
            naive_boot_file(p, e.version, bundle, e)
        if e.bank in {"pending", "spare"}:
            naive_put(p, e.bank, e.version, bundle, e)
            other = "spare" if e.bank == "pending" else "pending"
            if method == "two-bank" and p.banks[other] is not None:
                naive_empty(p, other, e)
    elif e.what is EventKind.ACTIVATED:
        old = p.banks["active"]
        naive_put(p, "active", e.version, bundle, e)
        if old is None or old[0] != e.version:
            if method == "two-bank":
                p.banks["spare"] = None if old is None else [old[0], old[1], e.id()]
            naive_empty(p, "pending", e)
        elif p.banks["pending"] and p.banks["pending"][0] == e.version:
            naive_empty(p, "pending", e)
        if method == "boot-file":
            naive_boot_file(p, e.version, bundle, e)
            if old and old[0] != e.version:
                naive_boot_file(p, old[0], old[1], e)
        p.recorded, p.differs = [e.version, bundle, e.id()], False
    elif e.what is EventKind.REMOVED:
        if e.bank in {"pending", "spare"}:
            there = p.banks[e.bank]
            if not there or not there[0] or not e.version or there[0] == e.version:
                naive_empty(p, e.bank, e)
        if e.version and (e.bank == "boot_files" or method == "boot-file"):
            p.boot_files.pop(e.version, None)
    elif e.what is EventKind.OBSERVED:
        seen = e.seen
        if seen.active is not None:
            naive_put(p, "active", seen.active, known.get(seen.active, ""), e)
            if p.banks["pending"] and p.banks["pending"][0] == seen.active:
                p.banks["pending"] = None
            p.seen = e.id()
            p.differs = p.recorded is not None and p.recorded[0] != seen.active
        for bank, version in (("pending", seen.pending), ("spare", seen.spare)):
            if version == "":
                naive_empty(p, bank, e)
            elif version is not None:
                naive_put(p, bank, version, known.get(version, ""), e)
        if seen.boot_files is not None:
            p.boot_files = {v: b for v, b in p.boot_files.items() if v in seen.boot_files}
            for version in seen.boot_files:
                naive_boot_file(p, version, known.get(version, ""), e)
    elif e.what is EventKind.GONE and (e.place is None or p.place[:2] == (e.place.site, e.place.domain)):
        p.present = False


def naive_put(p: NaiveState, bank: str, version: str, bundle: str, e: Event) -> None:
    there = p.banks[bank]
    same = there and there[0] == version
    p.banks[bank] = [version, bundle or there[1], there[2]] if same else [version, bundle, e.id()]


def naive_empty(p: NaiveState, bank: str, e: Event) -> None:
    there = p.banks[bank]
    if not there or there[0]:
        p.banks[bank] = ["", "", e.id()]


def naive_boot_file(p: NaiveState, version: str, bundle: str, e: Event) -> None:
    there = p.boot_files.get(version)
    p.boot_files[version] = [version, bundle or there[1], there[2]] if there else [version, bundle, e.id()]


def shown(component: NaiveState) -> Any:
    """What an answer shows of a naive state."""
    banks = [None if b is None else (b[0], b[1], b[2]) for b in component.banks.values()]
    boot_files = sorted((v, b[1], b[2]) for v, b in component.boot_files.items())
    seen = component.recorded[2] if component.recorded else None
    return (component.place, component.present, banks, boot_files, seen, component.seen, component.differs)


def answered(answer: WhereAnswer) -> Any:
    """The same of an answer."""
    place = answer.place
    levels = (None,) * 4 if place is None else (place.site, place.domain, place.chassis, place.slot)
    banks = [
        None if b is None else (b.version, b.bundle, b.since.id) for b in (answer.active, answer.pending, answer.spare)
    ]
    boot_files = sorted((h.version, h.bundle, h.since.id) for h in answer.boot_files)
    recorded = answer.recorded.since.id if answer.recorded else None
    differs = answer.agreement is Agreement.DIFFERS
    return (levels, answer.present, banks, boot_files, recorded, answer.seen.id if answer.seen else None, differs)


COMPONENTS = (("B1", "bios"), ("B2", "bios"), ("F1", "fabric-switch"), ("M1", "domain-manager"), ("X1", "tide-gauge"))


VERSIONS = ("5.4", "6.0", "6.1")


PLACES = (
    Place("holm", "holm-a", "1", "3"),
    Place("holm", "holm-a", "1", "4/1"),
    Place("holm", "holm-b", None, None),
    Place("skerry", "skerry-a", "1", "3"),
    Place("skerry", None, None, None),
)


ZONES = {"holm": "+10:00", "skerry": "-11:00"}


VERSION = st.sampled_from(VERSIONS)


KIND = st.sampled_from([kind for _, kind in COMPONENTS])


MOMENT = st.builds(
    at, st.integers(0, 5), st.none() | st.sampled_from([0, 9, 12, 23]), st.sampled_from(["UTC", *ZONES.values()])
)


@st.composite
def statements(draw: st.DrawFn) -> Event:
    """One event about one of a few components."""
    component, kind = draw(st.sampled_from(COMPONENTS))
    what = draw(
        st.sampled_from(
            [
                EventKind.STAGED,
                EventKind.ACTIVATED,
                EventKind.REMOVED,
                EventKind.OBSERVED,
                EventKind.OBSERVED,
                EventKind.GONE,
            ]
        )
    )
    event = Event(
        what=what, at=draw(MOMENT), reported_by=draw(st.sampled_from(["ada", "written-note"])), component=component,
        kind=draw(st.sampled_from(["", kind])), place=draw(st.none() | st.sampled_from(PLACES)),
        order=draw(st.sampled_from([0, 0, 0, 1])), evidence=draw(st.sampled_from(list(EvidenceKind))),
    )  # fmt: skip
    if what in {EventKind.STAGED, EventKind.ACTIVATED}:
        event = replace(event, version=draw(VERSION), family="blade", bundle=draw(st.sampled_from(["", "9.0", "9.1"])))
        event = replace(event, method=draw(st.sampled_from(["", "", "two-bank", "boot-file", "overwrite"])))
    if what in {EventKind.STAGED, EventKind.REMOVED}:
        event = replace(event, bank=draw(st.sampled_from(["pending", "spare", "boot_files"])))
    if what is EventKind.REMOVED:
        event = replace(event, version=draw(VERSION if event.bank == "boot_files" else st.just("") | VERSION))
    if what is EventKind.OBSERVED:
        bank = st.none() | st.just("") | VERSION
        boot_files = st.none() | st.lists(VERSION, unique=True, max_size=3).map(tuple)
        seen = Seen(draw(st.none() | VERSION), draw(bank), draw(bank), draw(boot_files))
        event = replace(event, seen=seen, place=draw(st.sampled_from(PLACES)) if not seen else event.place)
    return event


@st.composite
def records(draw: st.DrawFn) -> list[Event]:
    """Events in some order of learning, with readings, undone events, undone undoing events, and duplicates."""
    events: list[Event] = []
    readings: list[Event] = []
    for site, zone in (*ZONES.items(), *ZONES.items()):
        if draw(st.booleans()):
            domains = {place.domain or "" for place in PLACES if place.site == site}
            scope = draw(
                st.lists(st.tuples(st.just(site), st.sampled_from(sorted(domains)), KIND), min_size=1, max_size=3)
            )
            moment = at(draw(st.integers(0, 5)), None, zone)
            event = Event(
                what=EventKind.INVENTORY, at=moment, reported_by="list", document="d" * 64, scope=tuple(scope)
            )
            whole = [f"site:{site}", *(f"domain:{domain}" for _, domain, _ in scope if domain)]
            complete = draw(st.lists(st.sampled_from(whole), unique=True, max_size=2))
            readings.append(replace(event, complete=tuple(complete)))
    for event in draw(st.lists(statements(), min_size=1, max_size=14)):
        if readings and event.what in {EventKind.OBSERVED, EventKind.GONE} and draw(st.booleans()):
            event = replace(event, reading=draw(st.sampled_from(readings)).id())
        events.append(event)
    events += readings
    for _ in range(draw(st.integers(0, 3))):
        target = draw(st.sampled_from(events))
        fix = Event(
            what=EventKind.UNDONE, at=at(5), reported_by="ada", undoes=target.id(), reason=draw(st.sampled_from("xy"))
        )
        events.append(fix)
    return draw(st.permutations(events))


ON = st.none() | st.builds(lambda d: (DAY0 + timedelta(days=d)).date(), st.integers(-1, 6)) | st.builds(
    lambda d, h: DAY0 + timedelta(days=d, hours=h), st.integers(0, 5), st.integers(0, 23)
)  # fmt: skip


def site_zones(events: Iterable[Event]) -> dict[str, str]:
    """Each site's zone by the last reading that is not undone."""
    events = list(events)
    void = naive_void(events)
    readings = [e for e in events if e.what is EventKind.INVENTORY and e.id() not in void]
    readings.sort(key=lambda e: (e.at.at_us, e.order, e.id()))
    return {site: e.at.zone for e in readings for site, _, _ in e.scope}


def everything(ledger: Ledger, on: Any = None, known: Any = None) -> dict[str, Any]:
    """What the ledger answers of every component."""
    return {a.component: answered(a) for a in where(ledger, Selector(gone=True), on=on, known=known)}


def learn(ledger: Ledger, events: Sequence[Event], cuts: Sequence[int] = (), day: int = 10) -> None:
    """Record the events in batches, one batch a day."""
    bounds = [0, *sorted({min(c, len(events)) for c in cuts}), len(events)]
    for number, (start, end) in enumerate(itertools.pairwise(bounds)):
        ledger.record(events[start:end], DAY0 + timedelta(days=day + number))


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "ledger.sqlite", write=True) as opened:
        yield opened


HOLM_3 = Place("holm", "holm-a", "1", "3")


def stated(what: EventKind, day: int, version: str = "", **more: Any) -> Event:
    """An event that the engineer reports of the BIOS of the blade B7."""
    plain = {"reported_by": "ada", "component": "B7", "kind": "bios", "model": "Tern-4", "version": version}
    return Event(**{**plain, "what": what, "at": at(day), **more})


def read(day: int, active: str | None, **more: Any) -> Event:
    """A reading of the BIOS of the blade B7."""
    seen = Seen(active, more.pop("pending", None), more.pop("spare", None), more.pop("boot_files", None))
    more = {"place": HOLM_3, "evidence": EvidenceKind.INVENTORY, **more}
    return stated(EventKind.OBSERVED, day, seen=seen, **more)
