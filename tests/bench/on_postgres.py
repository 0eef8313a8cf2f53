"""A shared ledger beside a store's own: the same questions, and the same load, in turns.

`python -m tests.bench.on_postgres` prints it. The server syncs as an administrator's
does. Times are medians of five, of the whole command: what the command itself
computed, and what passed by the clock, in which the server works, too.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from datetime import timedelta
from pathlib import Path

from bundlekeeper.ledger.ask.types import Selector
from bundlekeeper.ledger.ask.where import where
from bundlekeeper.ledger.exchange.merge import export, merge
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.shared.copied_ledger import SharedLedger
from tests.bench import ledger as own
from tests.bench.world import keeper_line
from tests.kits.postgres import Cluster, new_database, running

_OPTIONS = ("shared_buffers=128MB", "max_wal_size=4GB", "ssl=on", "log_min_messages=fatal")
QUESTIONS: Mapping[str, tuple[str, ...]] = {
    "where SERIAL": ("SERIAL",),
    "where --bundle": ("--bundle", "blade/4.0-p1"),
    "where SITE --count": ("site-3", "--count", "domain,kind,model,active"),
    "where SERIAL --on": ("SERIAL", "--on", "2026-01-04"),
}


def timed(line: list[str]) -> tuple[float, float]:
    """Processor seconds and seconds of a command."""
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    subprocess.run(line, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    end, after = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, end - begin


def compared(name: str, ours: Callable[[], list[str]], theirs: Callable[[], list[str]], times: int = 5) -> None:
    """Print both medians, and their ratios."""
    pairs = [(timed(ours()), timed(theirs())) for _ in range(times)]
    (own_cpu, own_s), (cpu, passed) = (
        [statistics.median(pair[side][kind] for pair in pairs) for kind in (0, 1)] for side in (0, 1)
    )
    print(
        f"{name:<22} own {own_cpu:7.3f} s computed {own_s:7.3f} s passed · shared {cpu:7.3f} s {passed:7.3f} s · "
        f"{cpu / own_cpu:.2f} and {passed / own_s:.2f} times",
        flush=True,
    )


def fill(ledger: Ledger, components: int) -> None:
    """The bench's events: ten for each component, and the readings' own."""
    begin, cpu = time.monotonic(), time.process_time()
    for batch in own.events(components):
        ledger.record(batch, own._DAY0 + timedelta(days=40))
    count = ledger.head().count
    print(f"{type(ledger).__name__}: {count} events in {time.monotonic() - begin:.0f} s, "
          f"{time.process_time() - cpu:.0f} s computed here", flush=True)  # fmt: skip


def questions(cluster: Cluster, folder: Path, components: int) -> None:
    """The same questions to both ledgers."""
    store, shared = folder / "store", new_database(cluster, folder)
    small = str(own._list(folder, "csv", 10))
    subprocess.run(
        keeper_line("inventory", "load", small, "--store", str(store)), check=True, stdout=subprocess.DEVNULL
    )
    (store / ".keeper" / "ledger.sqlite").unlink()
    with Ledger.open(store / ".keeper" / "ledger.sqlite", write=True) as ledger:
        fill(ledger, components)
    copies = Path(os.environ["XDG_CACHE_HOME"]) / "bundlekeeper"
    with SharedLedger.connect(shared.address(), copies, write=True, tell=print) as ledger:
        fill(ledger, components)
    begin = time.monotonic()
    with SharedLedger.connect(shared.address("robin"), folder / "new", write=False, tell=lambda note: None):
        print(f"a new machine's copy: {time.monotonic() - begin:.0f} s", flush=True)
    (size,) = shared.run("SELECT pg_database_size(current_database())")[0]
    copy = sum(path.stat().st_size for path in copies.iterdir())
    print(f"database {size / 1e6:.0f} MB, copy {copy / 1e6:.0f} MB", flush=True)
    base = keeper_line("where", "--json", "--store", str(store))
    other = folder / "other"
    subprocess.run(
        keeper_line("inventory", "load", small, "--store", str(other)), check=True, stdout=subprocess.DEVNULL
    )
    (other / ".keeper" / "ledger.sqlite").unlink()
    at = keeper_line("where", "--json", "--store", str(other), "--ledger-at", shared.address("robin"))
    for path in (folder / "new").iterdir():  # the reader's copy, by the reader's address
        shutil.copy(path, copies / path.name)
    for name, asked in QUESTIONS.items():
        words = [own._serial(components // 21) if word == "SERIAL" else word for word in asked]
        compared(name, lambda words=words: [*base, *words], lambda words=words: [*at, *words])  # type: ignore[misc]
    print(f"connecting and one question: {statistics.median(_trip(shared.address('robin')) for _ in range(9)):.4f} s")


def _trip(address: str) -> float:
    import psycopg

    begin = time.monotonic()
    with psycopg.connect(address) as connection:
        connection.execute("SELECT count FROM bundlekeeper.ledger").fetchone()
    return time.monotonic() - begin


def moved(cluster: Cluster, folder: Path, components: int) -> None:
    """Export a store's own ledger, merge it into a shared one and back; every answer must be equal."""
    shared = new_database(cluster, folder)
    with Ledger.open(folder / "from.sqlite", write=True) as first:
        fill(first, components)
        begin = time.monotonic()
        with SharedLedger.connect(shared.address(), folder / "moved", write=True, tell=lambda note: None) as ledger:
            merge(ledger, export(first), own._DAY0 + timedelta(days=40))
        far = SharedLedger.connect(shared.address(), folder / "far", write=False, tell=lambda note: None)
        with far, Ledger.open(folder / "back.sqlite", write=True) as back:
            merge(back, export(far), own._DAY0 + timedelta(days=40))
            print(f"moved there and back: {back.head().count} events in {time.monotonic() - begin:.0f} s")
            for on in (None, (own._DAY0 + timedelta(days=5)).date()):
                answers = [where(each, Selector(gone=True), on=on) for each in (first, far, back)]
                equal = answers[0] == answers[1] == answers[2] and len(answers[0]) == components
                print(f"{len(answers[0])} answers{f' on {on}' if on else ''}: {'equal' if equal else 'NOT EQUAL'}")


def load(cluster: Cluster, folder: Path, components: int) -> None:
    """The same inventory into empty ledgers."""
    path = str(own._list(folder, "csv", components))
    stores = iter(range(1000))

    def line(*more: str) -> list[str]:
        store = str(folder / f"load-{next(stores)}")
        return keeper_line("inventory", "load", path, "--reported-by", "ada", "--store", store, *more)

    def theirs() -> list[str]:
        return line("--ledger-at", new_database(cluster, folder).address())

    compared(f"load {components}", line, theirs, times=3)


def main(arguments: list[str]) -> int:
    """Print the comparison; 0."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.on_postgres", description=__doc__)
    parser.add_argument("--components", type=int, default=100_000, metavar="N", help="ten events each (100000)")
    parser.add_argument("--moved", type=int, default=10_000, metavar="N", help="of a ledger that moves (10000)")
    parser.add_argument("--load", type=int, default=100_000, metavar="N", help="components of the inventory (100000)")
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="postgres-") as name, running(_OPTIONS) as cluster:
        folder = Path(name)
        os.environ["XDG_CACHE_HOME"] = str(folder / "cache")
        if asked.moved:
            moved(cluster, folder, asked.moved)
        if asked.load:
            load(cluster, folder, asked.load)
        if asked.components:
            questions(cluster, folder, asked.components)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
