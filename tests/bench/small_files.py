"""The row on adding many small files."""

from __future__ import annotations

import os
import subprocess
import time
from pathlib import Path

from tests.bench.frame import bench, in_turns, ratio_at_most
from tests.bench.world import World, keeper_line


def _timed(line: list[str], made: Path) -> float:
    """Seconds of a command that makes `made`, whose name is free afterwards.

    Nothing is removed: ext4 passes over inodes that were freed lately, and whoever comes next would pay for it.
    """
    os.sync()
    begun = time.perf_counter()
    subprocess.run(line, capture_output=True, check=True)
    os.sync()
    took = time.perf_counter() - begun
    made.rename(made.with_name(f"{made.name}-{time.time_ns()}"))
    return took


@bench(
    "store add, small files",
    what="bundlekeeper store add of a folder of small files into a new store, start to end",
    against="cp -r of the folder and sync",
    unit="s",
    target=ratio_at_most(5),
)
def add_small(world: World) -> tuple[float, float]:
    """One flush serves many files."""
    manifest, offered = world.small_inputs

    def ours(world: World) -> float:
        store = world.folder / "small-store"
        return _timed(
            keeper_line("store", "add", str(manifest), "--from", str(offered), "--store", str(store), "--json"), store
        )

    def theirs(world: World) -> float:
        copy = world.folder / "small-copy"
        return _timed(["cp", "-r", str(offered), str(copy)], copy)

    return in_turns(world, ours, theirs)
