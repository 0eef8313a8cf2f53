"""Rows on speed: hash one file, hash many, add to the store. The page cache has the bytes before every measurement."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from bundlekeeper.verification.hashing.door import Task, copy_fd, digest_fd, digest_many
from tests.bench.frame import Skipped, bench, in_turns, ratio_at_least, ratio_at_most, seconds
from tests.bench.world import World, keeper_line, openssl_rate, warm


def _need(*programs: str) -> None:
    for program in programs:
        if shutil.which(program) is None:
            raise Skipped(f"{program} is not installed")


def _run(line: Sequence[str | Path], stdin: str | None = None) -> float:
    """The wall time in s of one command. Raises RuntimeError, with what it said last, when it fails."""
    begun = time.perf_counter()
    done = subprocess.run(list(line), input=stdin, text=True, check=False, capture_output=True)
    took = time.perf_counter() - begun
    if done.returncode != 0:
        said = (done.stderr + done.stdout).strip()[-300:]
        raise RuntimeError(f"{line[0]}: exit status {done.returncode}: {said}")
    return took


def _rate_of_one(world: World) -> float:
    warm(world.big)
    fd = os.open(world.big, os.O_RDONLY)
    try:
        return world.big_bytes / seconds(lambda: digest_fd(fd))
    finally:
        os.close(fd)


def _rate_of_several(world: World) -> float:
    warm(*world.several)
    begun = time.perf_counter()
    size = _hash_several(world)
    return size / (time.perf_counter() - begun)


def _hash_several(world: World) -> int:
    """Hash them all; the number of bytes read."""
    tasks = [Task(str(path), partial(os.open, path, os.O_RDONLY), path.stat().st_size) for path in world.several]
    digests = [outcome.digest for outcome in digest_many(tasks, workers=world.cores)]
    return sum(digest.size for digest in digests if digest is not None)


@bench(
    "one file",
    what="digest_fd of one large file, warm",
    against="openssl speed -elapsed -evp sha256, 16384-byte blocks, one core",
    unit="bytes/s",
    target=ratio_at_least(0.88, 0.97),
)
def one_file(world: World) -> tuple[float, float]:
    """One file, one core's rate."""
    _need("openssl")
    return in_turns(world, _rate_of_one, lambda _: openssl_rate())


@bench(
    "one file, tool",
    what="digest_fd of one large file, warm",
    against="sha256sum of the same file",
    unit="bytes/s",
)
def one_file_tool(world: World) -> tuple[float, float]:
    """One file, the tool that people use."""
    _need("sha256sum")

    def theirs(world: World) -> float:
        warm(world.big)
        return world.big_bytes / _run(["sha256sum", world.big])

    return in_turns(world, _rate_of_one, theirs)


@bench(
    "many files",
    what="digest_many of 64 files, warm, all cores",
    against="cores x openssl speed -elapsed -evp sha256, 16384-byte blocks",
    unit="bytes/s",
    target=ratio_at_least(0.88, 0.95),
)
def many_files(world: World) -> tuple[float, float]:
    """Many files, all cores' rate."""
    _need("openssl")
    return in_turns(world, _rate_of_several, lambda world: world.cores * openssl_rate())


@bench(
    "many files, CPU",
    what="bytes of 64 files by digest_many, warm, per second of processor time (user and system)",
    against="openssl speed -evp sha256, 16384-byte blocks, which counts user time",
    unit="bytes/s",
    target=ratio_at_least(0.88, 0.95),
)
def many_files_processor(world: World) -> tuple[float, float]:
    """The same where other programs keep the cores busy: what is lost besides hashing, but not what idles."""
    _need("openssl")

    def ours(world: World) -> float:
        warm(*world.several)
        begun = time.process_time()
        size = _hash_several(world)
        return size / (time.process_time() - begun)

    return in_turns(world, ours, lambda _: openssl_rate(elapsed=False))


@bench(
    "many files, tool",
    what="digest_many of 64 files, warm, all cores",
    against="xargs -P cores -n 4 sha256sum over the same files",
    unit="bytes/s",
)
def many_files_tool(world: World) -> tuple[float, float]:
    """Many files, the tools that people use."""
    _need("sha256sum", "xargs")

    def theirs(world: World) -> float:
        warm(*world.several)
        names = "".join(f"{path}\0" for path in world.several)
        line = ["xargs", "-0", "-P", str(world.cores), "-n", "4", "sha256sum"]
        return sum(p.stat().st_size for p in world.several) / _run(line, stdin=names)

    return in_turns(world, _rate_of_several, theirs)


@bench(
    "verify, command",
    what="bundlekeeper verify of a store with 8 large bundles, warm, start to end",
    against="cores x openssl speed -elapsed -evp sha256, 16384-byte blocks",
    unit="bytes/s",
    target=ratio_at_least(0.85),
)
def verify_command(world: World) -> tuple[float, float]:
    """The whole command: its start, its end and its store database included."""
    _need("openssl")
    store = world.several_store

    def ours(world: World) -> float:
        warm(*store.rglob("*.bin"))
        return world.big_bytes / _run(keeper_line("verify", "--store", str(store), "--json"))

    return in_turns(world, ours, lambda world: world.cores * openssl_rate())


def _cp_and_sync(world: World) -> float:
    target = world.folder / "copied"
    _settle(target)
    warm(world.big)
    took = _run(["cp", world.big, target]) + _run(["sync", target])
    _settle(target)
    return took


def _openssl_dgst(world: World) -> float:
    warm(world.big)
    return _run(["openssl", "dgst", "-sha256", world.big])


def _settle(path: Path) -> None:
    """Remove the last copy and let the disk come to rest, so that nobody pays for what another wrote."""
    path.unlink(missing_ok=True)
    os.sync()


def _larger_of_tools(world: World) -> float:
    return max(_cp_and_sync(world), _openssl_dgst(world))


@bench(
    "store add",
    what="copy_fd of one large file + fsync",
    against="the longer of: cp and sync FILE; openssl dgst -sha256",
    unit="s",
    target=ratio_at_most(1.10),
)
def add(world: World) -> tuple[float, float]:
    """Copy, hash and fsync, against the slower half of what people do by hand."""
    _need("openssl", "cp", "sync")

    def ours(world: World) -> float:
        target = world.folder / "added"
        _settle(target)
        warm(world.big)
        source = os.open(world.big, os.O_RDONLY)
        fd = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)

        def work() -> None:
            copy_fd(source, fd, limit=world.big_bytes, size_hint=world.big_bytes)
            os.fsync(fd)

        try:
            return seconds(work)
        finally:
            os.close(source)
            os.close(fd)
            _settle(target)

    return in_turns(world, ours, _larger_of_tools)


@bench(
    "store add, command",
    what="bundlekeeper store add of one large bundle into a new store, start to end",
    against="the longer of: cp and sync FILE; openssl dgst -sha256",
    unit="s",
    target=ratio_at_most(1.10),
)
def add_command(world: World) -> tuple[float, float]:
    """The whole command, its start and its store database included."""
    _need("openssl", "cp", "sync")
    manifest = world.big_store_inputs

    def ours(world: World) -> float:
        store = world.folder / "big-store"
        os.sync()
        warm(world.big)
        offered = str(world.folder / "offered")
        took = _run(keeper_line("store", "add", str(manifest), "--from", offered, "--store", str(store), "--json"))
        shutil.rmtree(store)
        os.sync()
        return took

    return in_turns(world, ours, _larger_of_tools)
