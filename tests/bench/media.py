"""Rows on media: a set written to one target and to two, before its verification from the medium, and the memory it
takes.

The verification from the medium is not counted: cp has none.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

from bundlekeeper.errors import StoppedError
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.media.writing.write import WriteMeans, WriteOrder, WriteTarget, write_set
from bundlekeeper.model.media.packing import SetPacking
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.contents.store import Store
from bundlekeeper.verification.hashing.read import Stop
from tests.bench.frame import Judged, bench, in_turns, ratio_at_most, seconds
from tests.bench.frame import Target as Goal
from tests.bench.world import World, keeper, warm
from tests.kits.media_write_kit import ANYWHERE, packing_of_one, sign
from tests.kits.memory import peak_bytes
from tests.kits.store_kit import now

_VERIFICATION = "verifying from the medium"
_MOST_BYTES = 100_000_000


class _UntilVerification(Silent):
    """Stops the work when the verification from the medium begins, and knows when that was."""

    def __init__(self) -> None:
        self.stop = Stop()
        self.reached_s = 0.0

    def begin(self, title: str, total_bytes: int, files: int) -> None:
        """The verification is not counted."""
        if title == _VERIFICATION:
            self.reached_s = time.perf_counter()
            self.stop.set()


def _packing(world: World) -> tuple[Path, SetPacking]:
    """A store with the large bundle, and the packing of a set of it; made once."""
    root = world.folder / "media-store"
    if not root.exists():
        manifest = world.big_store_inputs
        keeper("store", "add", str(manifest), "--from", str(world.folder / "offered"), "--store", str(root))
    return root, packing_of_one(root, "blade/6.1.0/marram-blade-6.1.0.bin", "blade", "6.1.0")


def _write(world: World, count: int) -> float:
    """Seconds from the beginning of a write to `count` targets until its verification begins."""
    root, packing = _packing(world)
    targets = [world.folder / f"stick-{n}" for n in range(count)]
    for each in targets:
        each.mkdir()
    warm(root / "blade/6.1.0/marram-blade-6.1.0.bin")
    shutil.rmtree(root / ".keeper/sets", ignore_errors=True)
    progress = _UntilVerification()
    order = WriteOrder(tuple(WriteTarget(each) for each in targets), expected=ANYWHERE)
    try:
        with Store.open(root, write=True) as store:
            with Ledger.open(root / ".keeper/ledger.sqlite", write=True) as ledger:
                head = ledger.head()
            os.sync()  # nobody pays for what another wrote
            begun = time.perf_counter()
            with suppress(StoppedError):
                write_set(store, packing, order, WriteMeans(now, progress, sign, head, progress.stop))
            return progress.reached_s - begun
    finally:
        for each in targets:
            shutil.rmtree(each)
        os.sync()


def _copy(world: World, count: int) -> float:
    """Seconds of cp to `count` folders, and sync of their file system."""
    targets = [world.folder / f"copy-{n}" for n in range(count)]
    for each in targets:
        each.mkdir()
    warm(world.big)
    try:

        def work() -> None:
            for each in targets:
                subprocess.run(["cp", world.big, each / "copy"], check=True)
            subprocess.run(["sync", "-f", targets[0]], check=True)

        os.sync()
        return seconds(work)
    finally:
        for each in targets:
            shutil.rmtree(each)
        os.sync()


@bench(
    "media write",
    what="media write of a set to one folder, until its verification from the medium begins",
    against="cp and sync -f of the same bytes on the same file system",
    unit="s",
    target=ratio_at_most(1.15),
)
def to_one(world: World) -> tuple[float, float]:
    """One target."""
    return in_turns(world, lambda w: _write(w, 1), lambda w: _copy(w, 1))


@bench(
    "media write, two",
    what="media write of a set to two folders from one read, until its verification begins",
    against="cp twice and sync -f of the same bytes on the same file system",
    unit="s",
)
def to_two(world: World) -> tuple[float, float]:
    """Two targets on one disk: what is saved is the second read."""
    return in_turns(world, lambda w: _write(w, 2), lambda w: _copy(w, 2))


@bench(
    "media write, memory",
    what="peak memory of the process that writes a set to two folders and verifies it",
    against="100 MB",
    unit="bytes",
    target=Goal(Judged.OURS, False, _MOST_BYTES),
)
def memory(world: World) -> tuple[float, float]:
    """Peak resident size of a process of its own."""
    root, _ = _packing(world)
    line = [sys.executable, "-m", "tests.bench.media", str(root), str(world.folder)]
    done = subprocess.run(line, capture_output=True, text=True, check=True)
    return float(done.stdout), float(_MOST_BYTES)


def _measured(root: Path, base: Path) -> int:
    """Write to two folders, and the peak memory of this process in bytes."""
    world = World(base)
    packing = packing_of_one(root, "blade/6.1.0/marram-blade-6.1.0.bin", "blade", "6.1.0")
    targets = [world.folder / f"memory-{n}" for n in range(2)]
    for each in targets:
        each.mkdir()
    try:
        with Store.open(root, write=True) as store:
            with Ledger.open(root / ".keeper/ledger.sqlite", write=True) as ledger:
                head = ledger.head()
            order = WriteOrder(tuple(WriteTarget(each) for each in targets), expected=ANYWHERE)
            if write_set(store, packing, order, WriteMeans(now, Silent(), sign, head)).status:
                raise RuntimeError("the set was not written")
    finally:
        for each in targets:
            shutil.rmtree(each)
    return peak_bytes()


if __name__ == "__main__":
    os.umask(0o022)
    print(_measured(Path(sys.argv[1]), Path(sys.argv[2])))
