"""One source to several targets: the same bytes everywhere, one read, a target that fails harms no other."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import StoppedError
from bundlekeeper.verification.hashing.read import BLOCK_BYTES, Stop
from bundlekeeper.verification.hashing.spread import ByteSink, spread


class Bench:
    """A source of some bytes, and targets."""

    def __init__(self, base: Path, data: bytes, targets: int) -> None:
        (base / "source").write_bytes(data)
        self.base = base
        self.source = os.open(base / "source", os.O_RDONLY)
        self.sinks = [ByteSink(os.open(base / f"t{n}", os.O_RDWR | os.O_CREAT | os.O_TRUNC)) for n in range(targets)]

    def close(self) -> None:
        """Close everything."""
        for fd in (self.source, *(sink.fd for sink in self.sinks)):
            os.close(fd)

    def written(self) -> list[bytes]:
        """What is in each target."""
        return [(self.base / f"t{n}").read_bytes() for n in range(len(self.sinks))]


SIZES = [0, 1, 65_535, BLOCK_BYTES, BLOCK_BYTES + 1, 4 * BLOCK_BYTES, 4 * BLOCK_BYTES + 3, 9 * BLOCK_BYTES - 1]


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    size=st.sampled_from(SIZES),
    targets=st.integers(0, 3),
    hashes=st.sampled_from([(), ("sha256",), ("sha256", "sha512")]),
    offset=st.integers(0, 70_000),
    more=st.integers(0, 5),
)
def test_every_target_gets_the_run_and_every_digest_is_of_it(
    tmp_path: Path, size: int, targets: int, hashes: tuple[str, ...], offset: int, more: int
) -> None:
    """ "reads each bundle once and writes to one or several targets at the same time" (issue 6)"""
    data = os.urandom(1024) * ((offset + size + more) // 1024 + 1)
    data = data[: offset + size + more]
    bench = Bench(tmp_path, data, targets)
    try:
        os.lseek(bench.source, offset, os.SEEK_SET)
        made = {name: hashlib.new(name) for name in hashes}
        reported: list[int] = []
        came = spread(bench.source, bench.sinks, size=size, hashes=list(made.values()), on_bytes=reported.append)
        run = data[offset : offset + size]
        assert came == sum(reported) == size
        assert os.lseek(bench.source, 0, os.SEEK_CUR) == offset + size
        assert bench.written() == [run] * targets
        assert {name: each.hexdigest() for name, each in made.items()} == {
            name: hashlib.new(name, run).hexdigest() for name in hashes
        }
    finally:
        bench.close()


@pytest.mark.parametrize("size", [1000, 6 * BLOCK_BYTES])
@pytest.mark.parametrize("targets", [1, 2])
@pytest.mark.parametrize("hashed", [False, True])
def test_a_source_that_ends_early_shows_in_the_count(tmp_path: Path, size: int, targets: int, hashed: bool) -> None:
    bench = Bench(tmp_path, b"x" * (size - 10), targets)
    try:
        hashes = [hashlib.sha256()] if hashed else []
        assert spread(bench.source, bench.sinks, size=size, hashes=hashes) == size - 10
        assert bench.written() == [b"x" * (size - 10)] * targets
    finally:
        bench.close()


@pytest.mark.parametrize("size", [1000, 9 * BLOCK_BYTES])
@pytest.mark.parametrize("hashed", [False, True])
def test_a_target_that_fails_is_left_out_and_the_others_go_on(tmp_path: Path, size: int, hashed: bool) -> None:
    bench = Bench(tmp_path, b"y" * size, 2)
    broken = ByteSink(os.open("/dev/full", os.O_WRONLY))  # every write: no space left
    try:
        hashes = [hashlib.sha256()] if hashed else []
        sinks = [bench.sinks[0], broken, bench.sinks[1]]
        assert spread(bench.source, sinks, size=size, hashes=hashes) == size
        assert bench.written() == [b"y" * size] * 2
        assert broken.error is not None
        assert broken.error.errno == 28
        assert all(sink.error is None for sink in bench.sinks)
    finally:
        bench.close()
        os.close(broken.fd)


@pytest.mark.parametrize("size", [1000, 9 * BLOCK_BYTES])
def test_with_no_target_left_it_ends_early(tmp_path: Path, size: int) -> None:
    bench = Bench(tmp_path, b"z" * size, 0)
    broken = ByteSink(os.open("/dev/full", os.O_WRONLY))
    try:
        came = spread(bench.source, [broken], size=size, hashes=[])
        assert broken.error is not None
        assert came < size or size <= BLOCK_BYTES
    finally:
        bench.close()
        os.close(broken.fd)


@pytest.mark.parametrize("refused_after", [0, 3])
def test_where_the_kernel_will_not_copy_it_is_read_and_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refused_after: int
) -> None:
    """sendfile(2) may refuse at any time, or copy less than it was asked for."""
    data = os.urandom(9 * BLOCK_BYTES + 77)
    bench = Bench(tmp_path, data, 1)
    real, calls = os.sendfile, []

    def refusing(out: int, source: int, offset: Any, count: int) -> int:
        calls.append(count)
        if len(calls) > refused_after:
            raise OSError(22, "Invalid argument")
        return real(out, source, offset, count // 3)

    monkeypatch.setattr(os, "sendfile", refusing)
    try:
        assert spread(bench.source, bench.sinks, size=len(data), hashes=[]) == len(data)
        assert bench.written() == [data]
        assert calls
    finally:
        bench.close()


@pytest.mark.parametrize("targets", [0, 1, 2])
def test_it_stops_when_asked(tmp_path: Path, targets: int) -> None:
    bench = Bench(tmp_path, b"s" * (40 * BLOCK_BYTES), targets)
    stop = Stop()
    try:
        with pytest.raises(StoppedError):
            spread(
                bench.source, bench.sinks, size=40 * BLOCK_BYTES, hashes=[], on_bytes=lambda _: stop.set(), stop=stop
            )
        assert all(len(each) < 40 * BLOCK_BYTES for each in bench.written())
    finally:
        bench.close()


def test_a_read_that_fails_is_the_sources(tmp_path: Path) -> None:
    bench = Bench(tmp_path, b"", 2)
    folder = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with pytest.raises(IsADirectoryError):
            spread(folder, bench.sinks, size=10, hashes=[])
        assert all(sink.error is None for sink in bench.sinks)
    finally:
        bench.close()
        os.close(folder)
