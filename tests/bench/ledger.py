"""Rows on the ledger: questions to a million events of a hundred thousand components, and loading an inventory.

The events are made up by number, so that every run asks the same ledger: ten sites of five domains, four readings of
everything, three rounds of staging and activation; one bundle in ten thousand-part steps is rare, the others common.
"""

from __future__ import annotations

import csv
import itertools
import json
import shutil
import sys
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from bundlekeeper.formats import moments
from bundlekeeper.ledger.event.events import Event, EventKind, EvidenceKind, Seen
from bundlekeeper.ledger.exchange import merge as exchange
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.inventory.types import Place
from tests.bench.frame import Judged, Target, bench, in_turns, seconds
from tests.bench.spawn import BARE, spawned
from tests.bench.world import World, keeper, keeper_line

SITES, DOMAINS = 10, 5  # domains of each site
READINGS, ROUNDS = 4, 3
KINDS = ("bios", "management-controller", "network-adapter", "storage-controller", "board-logic")
_DAY0 = datetime(2026, 1, 1, tzinfo=UTC)
_ABOVE_120_MS, _UNDER_300_MS = Target(Judged.ABOVE, False, 0.12), Target(Judged.OURS, False, 0.3)


def events(components: int) -> Iterator[list[Event]]:
    """The ledger's events, in batches as they would be learned: ten for each component, and the readings' own."""
    day = itertools.count()
    running = "1.0"
    yield from _reading(next(day), running, components)
    for number in range(1, ROUNDS + 1):
        version = f"{number + 1}.0"
        for what in (EventKind.STAGED, EventKind.ACTIVATED):
            today = next(day)
            yield [_said(what, today, version, c) for c in range(components)]
        running = version
        yield from _reading(next(day), running, components)


def _said(what: EventKind, day: int, version: str, number: int) -> Event:
    rare = number % 100 == 7  # one in a hundred has a patch of its own
    return Event(
        what=what, at=moments.end_of((_DAY0 + timedelta(days=day)).date(), "UTC"), reported_by="ada", done_by="bo",
        change=f"change-{day}", component=_serial(number), kind=KINDS[number % 5], model="Tern-4",
        bank="pending" if what is EventKind.STAGED else "", version=f"{version}-p1" if rare else version,
        family="blade",
        bundle=f"{version}-p1" if rare else version, evidence=EvidenceKind.DIGEST,
    )  # fmt: skip


def _reading(day: int, version: str, components: int) -> Iterator[list[Event]]:
    for site in range(SITES):
        numbers = range(site, components, SITES)
        scope = tuple((f"site-{site}", f"domain-{site}-{d}", kind) for d in range(DOMAINS) for kind in KINDS)
        when = moments.end_of((_DAY0 + timedelta(days=day)).date(), "UTC")
        reading = Event(
            what=EventKind.INVENTORY, at=when, reported_by="list", source="list.csv", document="0" * 64, scope=scope
        )
        yield [reading, *(_seen(reading, number, version) for number in numbers)]


def _seen(reading: Event, number: int, version: str) -> Event:
    rare = number % 100 == 7 and version != "1.0"
    return Event(
        what=EventKind.OBSERVED, at=reading.at, reported_by="list", source="list.csv", evidence=EvidenceKind.INVENTORY,
        reading=reading.id(), component=_serial(number), kind=KINDS[number % 5], model="Tern-4",
        parent=f"MB4-{number // 5:06}", place=Place(*_place(number)),
        seen=Seen(f"{version}-p1" if rare else version, ""),
    )  # fmt: skip


def _serial(number: int) -> str:
    return f"B{number:07}"


def _place(number: int) -> tuple[str, str, str, str]:
    site, rest = number % SITES, number // SITES
    return f"site-{site}", f"domain-{site}-{rest % DOMAINS}", str(rest // 40), str(rest % 8)


@cache
def _store(world_folder: Path, few: Path, components: int) -> Path:
    """A store with the large ledger; how long that took and how large it is go to stderr."""
    store = world_folder / "ledger-store"
    shutil.copytree(few, store)
    path = store / ".keeper" / "ledger.sqlite"
    path.unlink(missing_ok=True)
    with Ledger.open(path, write=True) as ledger:
        took = seconds(lambda: [ledger.record(batch, _DAY0 + timedelta(days=40)) for batch in events(components)])
        count = ledger.head().count
    size = path.stat().st_size
    print(
        f"ledger: {count} events in {took:.1f} s, {size / 1e6:.1f} MB, {size / count:.0f} bytes each", file=sys.stderr
    )
    return store


def _asked(world: World, *arguments: str) -> tuple[float, float]:
    """Ask the ledger; in the arguments SERIAL stands for one of its components."""
    asked = [_serial(world.parts // 21) if word == "SERIAL" else word for word in arguments]
    line = keeper_line(*asked, "--json", "--store", str(_store(world.folder, world.small_store, world.parts)))
    spawned(line)
    return in_turns(world, lambda w: spawned(line, w.starts)[0], lambda w: spawned(BARE, w.starts)[0])


def _row(name: str, what: str, *arguments: str, target: Target = _ABOVE_120_MS) -> None:
    @bench(name, what=f"bundlekeeper {what}, 10⁶ events", against="python -c pass", unit="s", target=target)
    def row(world: World) -> tuple[float, float]:
        return _asked(world, *arguments)


_BY = "domain,kind,model,active"
_row("where, component", "where SERIAL", "where", "SERIAL")
_row("where, bundle", "where --bundle of 1000 components", "where", "--bundle", "blade/4.0-p1")
_row("where, version", "where --version of 1000 components", "where", "--version", "4.0-p1")
_row("where, digest", "where --sha256 that nothing has", "where", "--sha256", "0" * 64)
_row("where, staged", "where --staged, of none", "where", "--staged")
_row("where, site", f"where SITE --count {_BY}: 10000 components", "where", "site-3", "--count", _BY)
_row("where, past day", "where SERIAL --on a day", "where", "SERIAL", "--on", "2026-01-04")
_row("where, known", "where SERIAL --known a day", "where", "SERIAL", "--known", "2026-02-20")
_row("where, history", "where SERIAL --history", "where", "SERIAL", "--history")
_row("status, large", "status", "status", target=_UNDER_300_MS)


@bench(
    "ledger file",
    what="size of ledger.sqlite with 10⁶ events",
    against="the lines of ledger export for the same events",
    unit="bytes",
)
def ledger_file(world: World) -> tuple[float, float]:
    """What the ledger, its indexes and the answers derived from it take, beside the bare statements."""
    path = _store(world.folder, world.small_store, world.parts) / ".keeper" / "ledger.sqlite"
    with Ledger.open(path, write=False) as ledger:
        return path.stat().st_size, sum(map(len, exchange.export(ledger, 0)))


@cache
def _list(folder: Path, form: str, components: int) -> Path:
    """An inventory of so many components, a hundred thousand where not stated otherwise."""
    path = folder / f"list.{form}"
    keys = ("site", "domain", "chassis", "slot", "parent", "kind", "model", "serial", "active", "pending", "policy")
    rows = (
        (*_place(n), f"MB4-{n // 5:06}", KINDS[n % 5], "Tern-4", _serial(n), "5.4.10", "-", "web")
        for n in range(components)
    )
    with path.open("w", encoding="utf-8", newline="") as stream:
        if form == "csv":
            stream.write('# read_at = "2026-03-01"\n# zone = "UTC"\n')
            csv.writer(stream).writerows((keys, *rows))
        elif form == "json":
            head = {"inventory": 1, "read_at": "2026-03-01", "zone": "UTC"}
            json.dump({**head, "component": [dict(zip(keys, row, strict=True)) for row in rows]}, stream)
        else:
            stream.write('inventory = 1\nread_at = 2026-03-01\nzone = "UTC"\n')
            for row in rows:
                stream.write("\n[[component]]\n" + "".join(f'{k} = "{v}"\n' for k, v in zip(keys, row, strict=True)))
    return path


def _load_s(world: World, form: str) -> float:
    store = world.folder / "load-store"
    shutil.copytree(world.small_store, store)
    try:
        path = str(_list(world.folder, form, world.parts))
        return seconds(
            lambda: keeper("inventory", "load", path, "--reported-by", "ada", "--json", "--store", str(store))
        )
    finally:
        shutil.rmtree(store)


_UNDER_10_S = Target(Judged.OURS, False, 10.0)


@bench(
    "inventory load, CSV",
    what="bundlekeeper inventory load of 100000 components",
    against="csv.reader over the same file",
    unit="s",
    target=Target(Judged.OURS, False, 5.0),
)
def load_csv(world: World) -> tuple[float, float]:
    """What a spreadsheet gives."""
    path = _list(world.folder, "csv", world.parts)
    theirs = lambda _: seconds(lambda: list(csv.reader(path.read_text("utf-8").splitlines())))  # noqa: E731
    return in_turns(world, lambda w: _load_s(w, "csv"), theirs)


@bench(
    "inventory load, TOML",
    what="bundlekeeper inventory load of 100000 components",
    against="tomllib.loads of the same file",
    unit="s",
    target=_UNDER_10_S,
)
def load_toml(world: World) -> tuple[float, float]:
    """What is written by hand, a hundred thousand times."""
    path = _list(world.folder, "toml", world.parts)
    theirs = lambda _: seconds(lambda: tomllib.loads(path.read_text("utf-8")))  # noqa: E731
    return in_turns(world, lambda w: _load_s(w, "toml"), theirs)


@bench(
    "inventory load, JSON",
    what="bundlekeeper inventory load of 100000 components",
    against="json.loads of the same file",
    unit="s",
    target=_UNDER_10_S,
)
def load_json(world: World) -> tuple[float, float]:
    """What another program gives."""
    path = _list(world.folder, "json", world.parts)
    theirs = lambda _: seconds(lambda: json.loads(path.read_text("utf-8")))  # noqa: E731
    return in_turns(world, lambda w: _load_s(w, "json"), theirs)
