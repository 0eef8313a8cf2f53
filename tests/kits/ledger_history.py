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


RANKS = {
    "inventory": 0, "removed": 1, "staged": 2, "activated": 3, "failed": 4, "skipped": 5, "no-answer": 6, "gone": 7,
    "observed": 8, "undone": 9,
}  # fmt: skip


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
    """One component in the naive replay. A bank is None (not known), ("",) for none, or [version, bundle, event].

    `tried` is what was staged when an activation was recorded that was not read back, `before` what ran until then.
    """

    place: tuple[str | None, ...] = (None, None, None, None)
    kind: str = ""
    present: bool = True
    banks: dict[str, Any] = field(default_factory=lambda: {"active": None, "pending": None, "spare": None})
    boot_files: dict[str, Any] = field(default_factory=dict)
    staged: Any = None
    tried: Any = None
    before: Any = None
    failed: bool = False
    silent: bool = False
    name: str = ""
    tags: tuple[str, ...] = ()
    healthy: bool | None = None
    recorded: Any = None
    seen: Any = None
    differs: bool = False


def naive(events: Iterable[Event], on: Any, zones: dict[str, str] | None = None) -> dict[str, NaiveState]:
    """The state of every component at the end of the day `on` (or at an instant, or now)."""
    events = list({e.id(): e for e in events}.values())
    void = naive_void(events)
    components: dict[str, NaiveState] = {}
    for name in {e.component for e in events if e.component}:
        mine = [e for e in events if e.component == name and e.id() not in void and e.what != "skipped"]
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
    p.name, p.tags = e.name or p.name, e.tags or p.tags
    if e.place is not None and e.what is not EventKind.GONE:
        stated_levels = (e.place.site, e.place.domain, e.place.chassis, e.place.slot)
        levels: list[str | None] = []
        for i, level in enumerate(stated_levels):
            same_above = all(levels[j] == p.place[j] for j in range(i))
            levels.append(p.place[i] if level is None and same_above else level)
        p.place = tuple(levels)
    method = e.method or (KINDS[p.kind].method if p.kind in KINDS else "")
    known: dict[str, str] = {}  # of equal versions, the first one with a bundle counts
    for b in (p.banks["active"], p.banks["pending"], p.banks["spare"], p.staged, *p.boot_files.values()):
        if b and b[0]:
            known[b[0]] = known.get(b[0]) or b[1]
    bundle = e.bundle or known.get(e.version, "")
    if e.what in {EventKind.STAGED, EventKind.ACTIVATED, EventKind.OBSERVED, EventKind.FAILED}:
        p.present = True
    if e.what is EventKind.NO_ANSWER:
        p.silent = True
    elif e.what is not EventKind.GONE and (e.what is not EventKind.OBSERVED or e.seen):
        p.silent = False
    if e.what is EventKind.STAGED:
        if method == "boot-file" or e.bank == "boot_files":
            naive_boot_file(p, e.version, bundle, e)
        if e.bank in {"pending", "spare"}:
            naive_put(p, e.bank, e.version, bundle, e)
            other = "spare" if e.bank == "pending" else "pending"
            if method == "two-bank" and p.banks[other] is not None:
                naive_empty(p, other, e)
        p.staged = naive_same(p.staged, e.version, bundle, e)
        if method == "two-bank" and p.tried is not None:
            p.tried = ["", "", e.id()]
    elif e.what is EventKind.FAILED:
        p.failed = True
        active = p.banks["active"]
        if p.tried and active and e.version and e.version == active[0]:  # it was recorded too early
            naive_back(p, method)
            p.banks["active"], p.before, p.recorded, p.differs = p.before, None, None, False
    elif e.what is EventKind.ACTIVATED:
        p.failed = False
        old = p.banks["active"]
        naive_put(p, "active", e.version, bundle, e)
        if old is None or old[0] != e.version:
            if method == "two-bank":
                p.banks["spare"] = None if old is None else [old[0], old[1], e.id()]
            naive_empty(p, "pending", e)
        elif p.banks["pending"] and p.banks["pending"][0] == e.version:
            if method == "two-bank":  # both banks have it, and are switched
                p.banks["spare"] = [old[0], old[1], e.id()]
            naive_empty(p, "pending", e)
        was_staged = p.staged and p.staged[0] == e.version
        if old is None or old[0] != e.version or was_staged:
            p.before = old
            p.tried = p.staged if was_staged else ["", "", e.id()]
        if method == "boot-file":
            naive_boot_file(p, e.version, bundle, e)
            if old and old[0] != e.version:
                naive_boot_file(p, old[0], old[1], e)
        differs = old is None or old[0] != e.version
        runs = p.staged and p.staged[0] == e.version
        written = differs and (method == "two-bank" or (method != "boot-file" and not naive_there(p)))
        if (runs or written) and not (p.staged and p.staged[0] == ""):
            p.staged = ["", "", e.id()]
        p.recorded, p.differs = [e.version, bundle, e.id()], False
    elif e.what is EventKind.REMOVED:
        held = p.banks.get(e.bank)
        known_bank = held is not None
        removed = e.version or (held[0] if held else "")
        if e.bank != "boot_files" and (not held or not held[0] or not e.version or held[0] == e.version):
            naive_empty(p, e.bank, e)
        if e.version and (e.bank == "boot_files" or method == "boot-file"):
            p.boot_files.pop(e.version, None)
        if removed and p.tried and p.tried[0] == removed:
            p.tried = ["", "", e.id()]
        if p.staged and p.staged[0] and not naive_there(p):
            if removed == p.staged[0]:
                p.staged = ["", "", e.id()]
            elif not removed and not known_bank:
                p.staged = None
    elif e.what is EventKind.OBSERVED:
        seen = e.seen
        held = {bank: (p.banks[bank] or [""])[0] for bank in ("pending", "spare")}
        if seen.active is not None:
            naive_other_runs(p, seen.active, method, e)
            p.failed, p.tried = False, None
            naive_put(p, "active", seen.active, known.get(seen.active, ""), e)
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
        naive_read_staged(p, e, method, held, known)
        if seen.healthy is not None or e.reading:
            p.healthy = seen.healthy
    elif e.what is EventKind.GONE and (e.place is None or p.place[:2] == (e.place.site, e.place.domain)):
        p.present = False


def naive_there(p: NaiveState) -> bool:
    """What is staged is in some bank that is known."""
    banks = (p.banks["pending"], p.banks["spare"], *p.boot_files.values())
    return any(p.staged and p.staged[0] and bank and bank[0] == p.staged[0] for bank in banks)


def naive_back(p: NaiveState, method: str) -> None:
    """What was activated does not run: it is staged again, and of two banks the other one was not read."""
    if not (p.staged and p.staged[0]):
        p.staged = p.tried if p.tried[0] else None
    if method == "two-bank":
        p.banks["pending"] = p.banks["spare"] = None
    p.tried = None


def naive_other_runs(p: NaiveState, version: str, method: str, e: Event) -> None:
    """Another version is read to be active than was known."""
    old = p.banks["active"]
    if old and old[0] == version:
        return
    runs = bool(p.staged and p.staged[0] == version)
    switched = method == "two-bank" and (old is not None or runs)
    p_before = old
    if runs:
        p.staged = ["", "", e.id()] if old else None
    elif p.tried and (p.before is None or p.before[0] == version):
        naive_back(p, method)
        p_before = None
    elif switched:
        p.staged = None
    if switched:
        p.banks["pending"] = p.banks["spare"] = None
    elif p.banks["pending"] and p.banks["pending"][0] == version:
        p.banks["pending"] = None
    p.before = p_before


def naive_read_staged(p: NaiveState, e: Event, method: str, held: dict[str, str], known: dict[str, str]) -> None:
    """What is staged after banks were read."""
    seen = e.seen
    if method == "two-bank":
        for named, unread, other in ((seen.pending, seen.spare, "spare"), (seen.spare, seen.pending, "pending")):
            if named and unread is None and p.banks[other] and p.banks[other][0]:
                p.banks[other] = None
    if seen.staged is not None:
        p.staged = naive_same(p.staged, seen.staged, known.get(seen.staged, ""), e)
        if method == "two-bank" and seen.staged and not naive_there(p):
            for bank, was_read in (("pending", seen.pending), ("spare", seen.spare)):
                if was_read is None and p.banks[bank] and p.banks[bank][0]:
                    p.banks[bank] = None
    elif seen.pending:
        p.staged = naive_same(p.staged, seen.pending, known.get(seen.pending, ""), e)
    elif method == "two-bank" and seen.pending == seen.spare == "":
        p.staged = naive_same(p.staged, "", "", e)
    elif p.staged and p.staged[0] and not naive_there(p):
        both = seen.pending is not None and seen.spare is not None
        if method == "boot-file":
            lost = seen.boot_files is not None
        elif method == "two-bank":
            lost = both or bool(seen.spare and held["pending"] != p.staged[0])
            if not lost and (seen.pending is not None or seen.spare is not None):
                p.staged = None
        else:
            readings = (("pending", seen.pending), ("spare", seen.spare))
            lost = any(held[bank] == p.staged[0] and was_read is not None for bank, was_read in readings)
        if lost:
            p.staged = ["", "", e.id()]


def naive_same(there: Any, version: str, bundle: str, e: Event) -> Any:
    """The bank with this version, or none: since when, if it was there already."""
    if there and there[0] == version:
        return [version, bundle or there[1], there[2]] if version else there
    return [version, bundle if version else "", e.id()]


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
    banks = [None if b is None else (b[0], b[1], b[2]) for b in (*component.banks.values(), component.staged)]
    boot_files = sorted((v, b[1], b[2]) for v, b in component.boot_files.items())
    seen = component.recorded[2] if component.recorded else None
    said = (component.name, component.tags, component.healthy)
    trouble = "activation-failed" if component.failed else "no-answer" if component.silent else ""
    differs = component.differs and not trouble
    return (component.place, component.present, banks, boot_files, seen, component.seen, differs, trouble, said)


def answered(answer: WhereAnswer) -> Any:
    """The same of an answer."""
    place = answer.place
    levels = (None,) * 4 if place is None else (place.site, place.domain, place.chassis, place.slot)
    banks = [
        None if b is None else (b.version, b.bundle, b.since.id)
        for b in (answer.active, answer.pending, answer.spare, answer.staged)
    ]
    boot_files = sorted((h.version, h.bundle, h.since.id) for h in answer.boot_files)
    recorded = answer.recorded.since.id if answer.recorded else None
    differs = answer.agreement is Agreement.DIFFERS
    said = (answer.name, answer.tags, answer.healthy)
    trouble = str(answer.agreement) if answer.agreement in {"activation-failed", "no-answer"} else ""
    seen = answer.seen.id if answer.seen else None
    return (levels, answer.present, banks, boot_files, recorded, seen, differs, trouble, said)


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
                EventKind.FAILED,
                EventKind.NO_ANSWER,
                EventKind.SKIPPED,
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
    if what in {EventKind.FAILED, EventKind.SKIPPED}:
        event = replace(event, version=draw(st.just("") | VERSION), reason="it stopped", plan="c" * 64)
    if what in {EventKind.STAGED, EventKind.REMOVED}:
        event = replace(event, bank=draw(st.sampled_from(["pending", "spare", "boot_files"])))
    if what is EventKind.REMOVED:
        event = replace(event, version=draw(VERSION if event.bank == "boot_files" else st.just("") | VERSION))
    if what is EventKind.OBSERVED:
        bank = st.none() | st.just("") | VERSION
        boot_files = st.none() | st.lists(VERSION, unique=True, max_size=3).map(tuple)
        seen = Seen(draw(st.none() | VERSION), draw(bank), draw(bank), draw(boot_files), draw(st.none() | bank))
        seen = replace(seen, healthy=draw(st.sampled_from([None, None, True, False])))
        event = replace(
            event, name=draw(st.sampled_from(["", "host-7"])), tags=draw(st.sampled_from([(), ("4711", "R1")]))
        )
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
