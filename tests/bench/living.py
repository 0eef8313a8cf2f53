"""Rows on what every command costs: memory and start-up, and the quick check of many files."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence

from tests.bench.frame import Judged, Target, bench, in_turns, ratio_at_most
from tests.bench.spawn import BARE, spawned
from tests.bench.world import World, keeper, keeper_line


def peak_bytes(line: Sequence[str]) -> float:
    """The peak resident memory of one command, in bytes."""
    return spawned(line)[1]


_UNDER_100_MB = Target(Judged.OURS, False, 100e6)


@bench(
    "memory, store add",
    what="peak memory of bundlekeeper store add of one large bundle",
    against="peak memory of openssl dgst -sha256 of the same file",
    unit="bytes",
    target=_UNDER_100_MB,
)
def memory_of_add(world: World) -> tuple[float, float]:
    """The memory of the largest job."""
    store = world.folder / "memory-store"
    offered = str(world.folder / "offered")
    line = keeper_line("store", "add", str(world.big_store_inputs), "--from", offered, "--store", str(store), "--json")
    try:
        ours = peak_bytes(line)
    finally:
        shutil.rmtree(store, ignore_errors=True)
    return ours, peak_bytes(["openssl", "dgst", "-sha256", str(world.big)])


@bench(
    "memory, verify",
    what="peak memory of bundlekeeper verify --at of one large bundle",
    against="peak memory of openssl dgst -sha256 of the same file",
    unit="bytes",
    target=_UNDER_100_MB,
)
def memory_of_verify(world: World) -> tuple[float, float]:
    """The memory of a verification in any folder."""
    at, store = str(world.folder / "offered"), str(world.small_store)  # not the user's own store
    line = keeper_line("verify", str(world.big_store_inputs), "--at", at, "--store", store, "--json")
    return peak_bytes(line), peak_bytes(["openssl", "dgst", "-sha256", str(world.big)])


def _against_bare(world: World, *arguments: str) -> tuple[float, float]:
    line = keeper_line(*arguments)
    spawned(line)  # the first start writes the bytecode
    return in_turns(world, lambda _: spawned(line, world.starts)[0], lambda _: spawned(BARE, world.starts)[0])


@bench("--version", what="bundlekeeper --version", against="python -c pass", unit="s", target=ratio_at_most(2.0))
def start_version(world: World) -> tuple[float, float]:
    """The cheapest command."""
    return _against_bare(world, "--version")


@bench("--help", what="bundlekeeper --help", against="python -c pass", unit="s", target=ratio_at_most(2.0))
def start_help(world: World) -> tuple[float, float]:
    """The first command that anyone runs."""
    return _against_bare(world, "--help")


def _row(name: str, times: float, what: str, *words: str) -> None:
    """One command on a store of 30 bundles, as a multiple of the interpreter's start."""

    @bench(
        name,
        what=f"bundlekeeper {what}, on a store of 30 bundles",
        against="python -c pass",
        unit="s",
        target=ratio_at_most(times),
    )
    def row(world: World) -> tuple[float, float]:
        return _against_bare(world, *words, "--json", "--store", str(world.working_store))


_row("store list", 8, "store list --json", "store", "list")
_row("where NAME", 8, "where of one server", "where", "HOLM-S1")
_row("verify --quick, all", 8, "verify --quick of all bundles, unchanged since their verification", "verify", "--quick")
_row("status", 12, "status", "status")
_row("gaps", 15, "gaps of one domain of 5 servers", "gaps", "holm-a", "--to", "newest")
_row("route, command", 20, "route of that domain", "route", "holm-a", "--to", "newest")


@bench(
    "verify --quick",
    what="bundlekeeper verify MANIFEST --at DIR --quick: many small files, unchanged since their verification",
    against="python -c pass",
    unit="s",
    target=Target(Judged.ABOVE, False, 0.5),
)
def quick(world: World) -> tuple[float, float]:
    """The everyday question to a large folder, its manifest read included; that no other byte is read is checked."""
    store = str(world.small_store)  # it keeps the verifications
    line = ["verify", str(world.many_inputs), "--at", str(world.folder / "many"), "--quick", "--store", store, "--json"]
    keeper(*line)  # the first time there is no verification yet, and all is read
    counts = json.loads(keeper(*line))["counts"]
    if counts["trusted"] != world.many_files:
        raise RuntimeError(f"not all were trusted: {counts}")
    return in_turns(world, lambda _: spawned(keeper_line(*line), 3)[0], lambda _: spawned(BARE, world.starts)[0])
