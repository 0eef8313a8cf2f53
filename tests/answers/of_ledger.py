"""Questions of the ledger: random histories, then how everything stands, stood, and was believed to stand."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.ledger.ask import find as finding_names
from bundlekeeper.ledger.ask import where as asks
from bundlekeeper.ledger.ask.as_inventory import believed, load, plan_load, readings
from bundlekeeper.ledger.ask.future_events import ahead
from bundlekeeper.ledger.ask.types import BundleOf, ImageOf, Selector
from bundlekeeper.ledger.event.events import Event, EventKind, EvidenceKind, Seen
from bundlekeeper.ledger.exchange import merge as exchange
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.verify import verify
from bundlekeeper.model.inventory.read import InventorySource, read_inventory
from bundlekeeper.model.inventory.types import COMPONENT_KEYS, Inventory
from bundlekeeper.model.inventory.write_json import to_json
from tests.answers.plain import plain, text, told
from tests.answers.registry import question
from tests.answers.worlds import blurred
from tests.kits.ledger_history import COMPONENTS, DAY0, MEMORY, PLACES, VERSIONS, ZONES, at
from tests.kits.planning_kit import whole_domain

_BUNDLES = (
    BundleOf("blade", "9.0", (ImageOf("bios", ("Tern-2", "Tern-4"), "6.0"), ImageOf("disk", ("MD-1",), "6.0"))),
    BundleOf("blade", "9.1", (ImageOf("bios", ("Tern-4",), "6.1"), ImageOf("fabric-switch", ("Reed-40",), "6.1"))),
    BundleOf("infrastructure", "9.2", ()),
)


def _statement(rnd: Random) -> Event:
    component, kind = rnd.choice(COMPONENTS)
    observed = EventKind.OBSERVED
    what = rnd.choice([EventKind.STAGED, EventKind.ACTIVATED, EventKind.REMOVED, observed, observed, EventKind.GONE])
    when = at(rnd.randint(0, 5), rnd.choice([None, 0, 9, 12, 23]), rnd.choice(["UTC", *ZONES.values()]))
    event = Event(
        what=what,
        at=when,
        reported_by=rnd.choice(["ada", "paper"]),
        done_by=rnd.choice(["", "bo"]),
        component=component,
        kind=rnd.choice(["", kind, kind]),
        model=rnd.choice(["", "Tern-2", "Tern-4", "Reed-40"]),
        parent=rnd.choice(["", "", "SRV-1"]),
        place=rnd.choice([None, *PLACES]),
        order=rnd.choice([0, 0, 0, 1]),
        evidence=rnd.choice(list(EvidenceKind)),
        source=rnd.choice(["", "list.csv"]),
        note=rnd.choice(["", "by night"]),
    )
    if what in {EventKind.STAGED, EventKind.ACTIVATED}:
        event = replace(event, version=rnd.choice(VERSIONS), family=rnd.choice(["blade", "infrastructure"]))
        event = replace(
            event, bundle=rnd.choice(["", "9.0", "9.1", "9.2"]), sha256=rnd.choice(["", "a" * 64, "b" * 64])
        )
        event = replace(event, method=rnd.choice(["", "", "two-bank", "boot-file", "overwrite"]))
        if not event.bundle:
            event = replace(event, sha256="")
    if what in {EventKind.STAGED, EventKind.REMOVED}:
        event = replace(event, bank=rnd.choice(["pending", "spare", "boot_files"]))
    if what is EventKind.REMOVED:
        event = replace(event, version=rnd.choice([*VERSIONS, *(() if event.bank == "boot_files" else ("",))]))
    if what is observed:
        banks = [rnd.choice([None, "", *VERSIONS]) for _ in range(2)]
        stored = rnd.choice([None, (), tuple(rnd.sample(VERSIONS, 2)), tuple(rnd.sample(VERSIONS, 3))])
        seen = Seen(rnd.choice([None, *VERSIONS, *VERSIONS]), banks[0], banks[1], stored)
        event = replace(event, seen=seen, place=rnd.choice(PLACES) if not seen else event.place)
    return event


def _history(rnd: Random) -> list[Event]:
    """Readings, statements, some of them of a reading, and corrections, also of corrections."""
    events: list[Event] = []
    lists: list[Event] = []
    for site, zone in ZONES.items():
        if rnd.random() < 0.6:
            domains = sorted({place.domain or "" for place in PLACES if place.site == site})
            kinds = [kind for _, kind in COMPONENTS]
            scope = sorted({(site, rnd.choice(domains), rnd.choice(kinds)) for _ in range(rnd.randint(1, 3))})
            event = Event(
                what=EventKind.INVENTORY,
                at=at(rnd.randint(0, 5), None, zone),
                reported_by="list",
                document="d" * 64,
                scope=tuple(scope),
            )
            lists.append(replace(event, complete=rnd.choice([(), (), (f"site:{site}",), (f"site:{site}",)])))
    for _ in range(rnd.randint(2, 22)):
        event = _statement(rnd)
        if lists and event.what in {EventKind.OBSERVED, EventKind.GONE} and rnd.random() < 0.4:
            event = replace(event, reading=rnd.choice(lists).id())
        events.append(event)
    events += lists
    for _ in range(rnd.choice([0, 0, 1, 2, 3])):
        target = rnd.choice(events)
        events.append(
            Event(what=EventKind.UNDONE, at=at(5), reported_by="ada", undoes=target.id(), reason=rnd.choice("xy"))
        )
    rnd.shuffle(events)
    return events


@contextmanager
def ledger() -> Iterator[Ledger]:
    """An empty ledger, gone afterwards."""
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "ledger.sqlite"), write=True) as book:
        yield book


def learned(rnd: Random, book: Ledger) -> None:
    """Record a random history, in batches, one a day."""
    events, day = _history(rnd), 10
    while events:
        count = rnd.randint(1, len(events))
        book.record(events[:count], DAY0 + timedelta(days=day))
        events, day = events[count:], day + 1


def _without_ledger(answer: Any, *ledgers: Ledger) -> str:
    """The answer without what is drawn for each ledger again: its id, and its chain's heads."""
    said = text(answer)
    for number, book in enumerate(ledgers):
        said = said.replace(book.head().ledger, f"BOOK-{number}")
    return re.sub(r'"digest": "[0-9a-f]{64}"', '"digest": "HEAD"', said)


def _selector(rnd: Random) -> Selector:
    place = rnd.choice(PLACES)
    options: dict[str, Any] = {
        "site": place.site,
        "domain": place.domain or "",
        "chassis": "1",
        "slot": rnd.choice(["3", "4", "4/1"]),
        "kind": rnd.choice(COMPONENTS)[1],
        "model": rnd.choice(["Tern-2", "Tern-4", "Reed-40"]),
        "component": rnd.choice(COMPONENTS)[0],
        "parent": "SRV-1",
        "version": rnd.choice(VERSIONS),
        "sha256": rnd.choice(["a" * 64, "b" * 64, "c" * 64]),
        "bundles": tuple(rnd.sample(_BUNDLES, rnd.randint(1, 2))),
    }
    chosen = rnd.sample(sorted(options), rnd.choice([0, 1, 1, 1, 2]))
    bank = (
        rnd.choice(["", "", "active", "pending", "spare", "boot_files", "x"])
        if {"version", "sha256", "bundles"} & set(chosen)
        else ""
    )
    return Selector(**{name: options[name] for name in chosen}, bank=bank, gone=rnd.random() < 0.5)


def _when(rnd: Random) -> Any:
    return rnd.choice(
        [
            None,
            None,
            (DAY0 + timedelta(days=rnd.randint(-1, 6))).date(),
            DAY0 + timedelta(days=rnd.randint(0, 5), hours=9),
        ]
    )


def _known(rnd: Random) -> Any:
    return rnd.choice(
        [
            None,
            None,
            (DAY0 + timedelta(days=rnd.randint(9, 16))).date(),
            DAY0 + timedelta(days=rnd.randint(9, 16), hours=1),
        ]
    )


@question("where", 60)
def _where(rnd: Random) -> Any:
    with ledger() as book:
        learned(rnd, book)
        everything = [asks.where(book, Selector(gone=True), on=on) for on in (None, (DAY0 + timedelta(days=3)).date())]
        rows: list[Any] = []
        for _ in range(8):
            selector, on, known = _selector(rnd), _when(rnd), _known(rnd)
            zone, clock = (
                rnd.choice(["UTC", "UTC", "+10:00", "Mars"]),
                rnd.choice([None, DAY0 + timedelta(days=rnd.randint(0, 6))]),
            )
            asked = {"on": on, "known": known, "zone": zone, "clock": clock}
            rows.append([repr(selector), plain(asked), told(asks.where, book, selector, **asked)])
            by = rnd.sample(list(asks.GROUP_KEYS), rnd.randint(1, 3)) + rnd.choice([[], [], ["zeal"]])
            rows.append([by, told(asks.summary, book, by, selector, **asked)])
        return _without_ledger([everything, rows], book)


@question("ledgers", 30)
def _ledgers(rnd: Random) -> Any:
    with ledger() as book, ledger() as other:
        learned(rnd, book)
        learned(rnd, other)
        names = ["B1", "b1", "holm", "holm-a", "holm/holm-a/1/3", "holm/holm-b", "skerry-x", "SRV-1", "6.0", "F1/"]
        found = [[name, told(finding_names.find, book, name)] for name in names]
        levels = ("site", "domain", "chassis", "slot", "kind", "model", "component")
        words = ("holm", "holm-a", "1", "3", "4", "bios", "Tern-2", "B1", "x")
        ever = [[level, word] for level in levels for word in words if finding_names.ever(book, level, word)]
        bundles = [[f, v] for f in ("blade", "rack") for v in ("9.0", "9.1", "9.2") if asks.ever_bundle(book, f, v)]
        near = [
            finding_names.nearest(book, level, word, ["helm-z"])
            for level, word in (("site", "hlm"), ("domain", "holm-c"), ("kind", "bois"))
        ]
        history = [[e.id, e.seq, e.event] for e in asks.history(book, "B1")]
        future = [told(_ahead, book, DAY0 + timedelta(days=d)) for d in (0, 2, 4)]
        merged = told(
            lambda: exchange.merge(
                book, b"".join(exchange.export(other)).splitlines(keepends=True), DAY0 + timedelta(days=90)
            )
        )
        after = asks.where(book, Selector(gone=True), clock=DAY0 + timedelta(days=rnd.choice([3, 90])))
        answers = [found, ever, bundles, near, history, future, merged, after, verify(book), readings(book)]
        return _without_ledger(answers, book, other)


def _ahead(book: Ledger, clock: datetime) -> Any:
    found = ahead(book, clock)
    return found and [found, found.doubt(), found.doubt("so it is")]


def _next(rnd: Random, fleet: Inventory, number: int) -> Inventory:
    """A later reading of the same site: components gone, new, moved, brought up to date."""
    before, components = fleet, list(fleet.components)
    for _ in range(rnd.randint(0, 5)):
        at_ = rnd.randrange(len(components))
        component = components[at_]
        match rnd.randrange(5):
            case 0:
                components.pop(at_)
            case 1:
                components[at_] = replace(component, serial=f"NEW-{number}-{at_}")
            case 2:
                components[at_] = replace(component, active="6.1.0", spare=component.active, pending=None)
            case 3:
                components[at_] = replace(component, slot="9", site=rnd.choice(["holm", "skerry"]))
            case _:
                components = [p for p in components if p.kind != component.kind] or components
    keys = {component.key for component in components}
    rooms = tuple(room for room in fleet.partitions if room.component in keys)
    taken = rnd.choice(
        [(DAY0 + timedelta(days=rnd.choice([1, 1, 5]))).date(), DAY0 + timedelta(days=1, hours=rnd.choice([7, 9]))]
    )
    zone = rnd.choice(["UTC", "+10:00", "-11:00"])
    fleet = replace(fleet, components=tuple(components), partitions=rooms, read_at=taken, zone=zone)
    return _sound(blurred(rnd, fleet, rnd.choice([0.0, 0.2]))) or _sound(fleet) or before


def _sound(fleet: Inventory) -> Inventory | None:
    """The inventory as a file would bring it; None where its rows may not stand together."""
    try:
        return read_inventory([InventorySource("i.json", to_json(fleet).encode(), "json")])
    except InputError:
        return None


@question("inventories-believed", 40)
def _believed(rnd: Random) -> Any:
    with ledger() as book:
        fleet = whole_domain("6.0.1", blades=2, racks=1)
        rows: list[Any] = []
        for number in range(rnd.randint(1, 3)):
            fleet = _next(rnd, fleet, number)
            complete = rnd.choice([(), (), tuple(f"domain:{domain}" for domain in fleet.domains())])
            fleet = replace(fleet, complete=complete)
            plan = plan_load(book, fleet, reported_by="ada", source=f"{number}.toml", done_by=rnd.choice(["", "bo"]))
            told_of = [
                [c.message() for c in plan.changes],
                plan.unlisted,
                plan.again,
                bool(plan.overtaken),
                len(plan.events),
            ]
            rows.append([complete, told_of, plan.reading, load(book, plan, DAY0 + timedelta(days=10 + number))])
            again = plan_load(book, fleet, reported_by="ada", source="again.toml")
            rows.append([again.again, again.overtaken, len(again.events)])
            component = rnd.choice(fleet.components)
            events = [
                Event(
                    what=EventKind.STAGED,
                    at=at(rnd.choice([1, 1, 3, 8])),
                    reported_by="ada",
                    component=component.key,
                    version="6.1.0",
                    bank="spare",
                ),
                Event(
                    what=EventKind.ACTIVATED,
                    at=at(rnd.choice([1, 1, 3, 8])),
                    reported_by="ada",
                    component=component.key,
                    version="6.1.0",
                    family="blade",
                    bundle="6.1.0",
                ),
                Event(
                    what=EventKind.OBSERVED,
                    at=at(3),
                    reported_by="bo",
                    component="STRAY",
                    kind="bios",
                    seen=Seen("6.0", None, None, None),
                ),
            ]
            book.record(rnd.sample(events, rnd.randint(0, 3)), DAY0 + timedelta(days=20 + number))
        for on in (None, (DAY0 + timedelta(days=3)).date(), DAY0 + timedelta(days=5)):
            sites = rnd.choice([(), ("holm",), ("skerry",)])
            clock = rnd.choice([None, DAY0 + timedelta(days=4)])
            found = believed(book, sites=sites, on=on, zone="UTC", clock=clock)
            if found is not None:
                rows.append([to_json(found.inventory), found.unread, found.unplaced])
        kept = {name for name, key in COMPONENT_KEYS.items() if key.recorded}
        return _without_ledger([rows, readings(book), sorted(kept)], book)
