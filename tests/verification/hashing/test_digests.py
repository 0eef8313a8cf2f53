"""Digests against FIPS 180-4 and NIST's vectors, at every buffer's edge, on any descriptor, stopped in any way."""

from __future__ import annotations

import hashlib
import os
import random
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import KeeperError, StoppedError
from bundlekeeper.verification.hashing import one_pass
from bundlekeeper.verification.hashing import read as reading
from bundlekeeper.verification.hashing.door import Digest, Stop, TooLong, copy_fd, digest_fd
from tests.kits.digest_kit import Route, by_copy, by_digest, cavp, nothing_left, opened

ROUTES = pytest.mark.parametrize("route", [by_digest, by_copy])
BLOCK = reading.BLOCK_BYTES


@pytest.fixture(autouse=True)
def _nothing_left() -> Iterator[None]:
    with nothing_left():
        yield


# FIPS 180-4: NIST "Examples with Intermediate Values", SHA-256; the empty message and the million a's from FIPS 180's
# usual set of examples (also NIST CAVP short message 0 and FIPS 180-2 appendix B.3).
FIPS_EXAMPLES = {
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    b"".join(b"abcdefghijklmnopqrstu"[n : n + 8] for n in range(14)): (  # abcdefgh bcdefghi ... nopqrstu
        "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1"
    ),
    b"a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}


@ROUTES
@pytest.mark.parametrize("message", FIPS_EXAMPLES, ids=len)
def test_fips_180_4_examples(route: Route, message: bytes) -> None:
    assert route(message) == Digest(len(message), {"sha256": FIPS_EXAMPLES[message]})


@ROUTES
@pytest.mark.parametrize("algorithm", ["sha256", "sha384", "sha512"])
@pytest.mark.parametrize(("kind", "least"), [("Short", 65), ("Long", 64)])
def test_cavp_messages(route: Route, algorithm: str, kind: str, least: int) -> None:
    """NIST CAVP, SHA2-{256,384,512} short and long messages (hashes/SHA2/*Msg.rsp)."""
    records = list(cavp(f"{algorithm.upper()}{kind}Msg.rsp"))
    assert len(records) >= least
    for record in records:
        message = bytes.fromhex(record["Msg"])[: int(record["Len"]) // 8]
        assert route(message, algorithms=[algorithm]).hexes == {algorithm: record["MD"]}


@pytest.mark.slow
def test_cavp_monte(tmp_path: Path) -> None:
    """NIST CAVP, SHA256Monte.rsp: the first 30 chains of 1000 digests, each the hash of the last three (SHAVS §6.4).

    The odd links go through `digest_fd`, the even ones through `copy_fd`.
    """
    records = list(cavp("SHA256Monte.rsp"))[:30]
    assert len(records) == 30
    seed = bytes.fromhex(records[0]["Seed"])
    flags = os.O_RDWR | os.O_CREAT
    with opened(tmp_path / "source", flags) as source, opened(tmp_path / "target", flags) as target:
        for record in records:
            last = [seed, seed, seed]
            for link in range(1000):
                os.pwrite(source, b"".join(last), 0)
                os.lseek(source, 0, os.SEEK_SET)
                os.lseek(target, 0, os.SEEK_SET)
                digest = digest_fd(source) if link % 2 else copy_fd(source, target)
                last = [*last[1:], bytes.fromhex(digest.sha256)]
            seed = last[2]
            assert seed.hex() == record["MD"]


def _edges() -> list[int]:
    ring = one_pass.RING_BYTES
    small = 64 * 1024
    marks = [0, 64, 128, small, BLOCK, 2 * BLOCK, ring, ring + BLOCK, 3 * ring, reading.WRITE_BACK_BYTES]
    return sorted({mark + step for mark in marks for step in (-1, 0, 1) if mark + step >= 0})


@ROUTES
@pytest.mark.parametrize("size", _edges())
def test_sizes_around_every_edge(route: Route, size: int) -> None:
    """Against hashlib in one call, which shares no loop with ours."""
    data = random.Random(size).randbytes(size)
    assert route(data) == Digest(size, {"sha256": hashlib.sha256(data).hexdigest()})


def test_a_copy_beyond_what_is_released_behind() -> None:
    """Long enough that written pages were removed from the cache: the copy, read again, is still the same."""
    data = random.Random(7).randbytes(BLOCK) * ((reading.BEHIND_BYTES + 3 * reading.WRITE_BACK_BYTES) // BLOCK) + b"x"
    assert by_copy(data).sha256 == hashlib.sha256(data).hexdigest()


@ROUTES
@pytest.mark.parametrize("size", [0, 1000, one_pass.RING_BYTES + 5])
def test_several_algorithms_in_one_pass(route: Route, size: int) -> None:
    data = random.Random(size).randbytes(size)
    names = ("sha256", "sha512", "sha384", "sha256")
    expected = {name: hashlib.new(name, data).hexdigest() for name in names}
    assert route(data, algorithms=names) == Digest(size, expected)


@ROUTES
@pytest.mark.parametrize("size", [10, one_pass.RING_BYTES * 2])
def test_an_unknown_algorithm_leaves_nothing_behind(route: Route, size: int) -> None:
    with pytest.raises(ValueError, match="sha-nothing"):
        route(bytes(size), algorithms=["sha256", "sha-nothing"])


def test_only_what_was_asked_for_is_there() -> None:
    with pytest.raises(KeyError):
        _ = by_digest(b"abc", algorithms=["sha512"]).sha256


@pytest.mark.fault(11)
@settings(max_examples=60)
@given(
    size=st.integers(0, 3 * BLOCK // 2),
    reads=st.lists(st.integers(1, BLOCK), max_size=40),
    writes=st.lists(st.integers(1, BLOCK), max_size=40),
)
def test_any_short_reads_and_writes(size: int, reads: list[int], writes: list[int]) -> None:
    """Short write, EINTR: loop to the end."""
    data = random.Random(size).randbytes(size)
    real_readv, real_write = os.readv, os.write

    def readv(fd: int, buffers: list[memoryview]) -> int:
        return real_readv(fd, [buffers[0][: reads.pop()]]) if reads else real_readv(fd, buffers)

    def write(fd: int, view: memoryview) -> int:
        return real_write(fd, view[: writes.pop()]) if writes else real_write(fd, view)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "readv", readv)
        patch.setattr(os, "write", write)
        assert by_copy(data) == Digest(size, {"sha256": hashlib.sha256(data).hexdigest()})


def test_a_descriptor_that_was_ready_and_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """O_NONBLOCK, and another process took the bytes or the space between poll and the call: EAGAIN (read(2))."""
    data = random.Random(5).randbytes(one_pass.RING_BYTES + 9)
    calls: list[str] = []
    for name in ("readv", "write"):

        def sometimes(*arguments: object, name: str = name, real: Callable[..., int] = getattr(os, name)) -> int:
            calls.append(name)
            if calls.count(name) % 2:
                raise BlockingIOError
            return real(*arguments)

        monkeypatch.setattr(os, name, sometimes)
    assert by_copy(data).sha256 == hashlib.sha256(data).hexdigest()
    assert {"readv", "write"} == set(calls)


def test_from_the_offset_to_the_end_and_left_there(tmp_path: Path) -> None:
    """The source is read from its offset and left at its end; the target is written from its offset; both stay open."""
    (tmp_path / "source").write_bytes(b"head" + b"abc")
    (tmp_path / "target").write_bytes(b"0123456789")
    with opened(tmp_path / "source") as source, opened(tmp_path / "target", os.O_RDWR) as target:
        os.lseek(source, 4, os.SEEK_SET)
        os.lseek(target, 2, os.SEEK_SET)
        assert copy_fd(source, target).sha256 == FIPS_EXAMPLES[b"abc"]
        assert (os.lseek(source, 0, os.SEEK_CUR), os.lseek(target, 0, os.SEEK_CUR)) == (7, 5)
        assert digest_fd(source) == Digest(0, {"sha256": FIPS_EXAMPLES[b""]})
    assert (tmp_path / "target").read_bytes() == b"01abc56789"


@pytest.mark.parametrize("size", [0, 1, 1000, BLOCK, one_pass.RING_BYTES + 1])
def test_the_limit_is_exact(tmp_path: Path, size: int) -> None:
    """Stop when more than the stated size came."""
    assert by_copy(bytes(size), limit=size).size == size
    (tmp_path / "source").write_bytes(bytes(size + 1))
    flags = os.O_RDWR | os.O_CREAT
    with opened(tmp_path / "source") as source, opened(tmp_path / "target", flags) as target:
        with pytest.raises(TooLong) as caught:
            copy_fd(source, target, limit=size)
        assert os.fstat(target).st_size <= size
    assert isinstance(caught.value, KeeperError)


def test_an_endless_source_ends_at_the_limit(tmp_path: Path) -> None:
    with opened(Path("/dev/zero")) as source, opened(tmp_path / "target", os.O_WRONLY | os.O_CREAT) as target:
        with pytest.raises(TooLong):
            copy_fd(source, target, limit=10 * BLOCK)
        assert os.fstat(target).st_size <= 10 * BLOCK


@ROUTES
@pytest.mark.parametrize("hint", [None, 0, 1, 1 << 50])
def test_a_wrong_hint_changes_nothing(route: Route, hint: int | None) -> None:
    data = random.Random(3).randbytes(one_pass.RING_BYTES + 3)
    assert route(data, size_hint=hint).sha256 == hashlib.sha256(data).hexdigest()


@ROUTES
def test_every_byte_is_reported_once(route: Route) -> None:
    reported: list[int] = []
    size = one_pass.RING_BYTES * 3 + 17
    route(bytes(size), on_bytes=reported.append)
    assert sum(reported) == size
    assert len(reported) > one_pass.RING_BYTES * 3 // BLOCK


def _feeding(fd: int, data: bytes, piece: int) -> threading.Thread:
    """Writes `data` to a pipe, in pieces, and closes it."""

    def work() -> None:
        with os.fdopen(fd, "wb", buffering=0) as stream:
            for start in range(0, len(data), piece):
                stream.write(data[start : start + piece])

    thread = threading.Thread(target=work)
    thread.start()
    return thread


@pytest.mark.parametrize(("size", "piece"), [(0, 1), (1, 1), (500, 7), (5 * BLOCK + 3, 70_001)])
@pytest.mark.parametrize("blocking", [True, False])
@pytest.mark.parametrize("hint", [None, 0])
def test_a_pipe_has_no_size(size: int, piece: int, blocking: bool, hint: int | None) -> None:
    data = random.Random(size).randbytes(size)
    out, into = os.pipe()
    os.set_blocking(out, blocking)
    feeder = _feeding(into, data, piece)
    try:
        assert digest_fd(out, size_hint=hint) == Digest(size, {"sha256": hashlib.sha256(data).hexdigest()})
    finally:
        os.close(out)
        feeder.join()


@pytest.mark.parametrize("blocking", [True, False])
def test_a_pipe_as_target(blocking: bool) -> None:
    data = random.Random(1).randbytes(BLOCK + 12_345)
    source_out, source_in = os.pipe()
    target_out, target_in = os.pipe()
    os.set_blocking(target_in, blocking)
    feeder = _feeding(source_in, data, 9999)
    came: list[bytes] = []

    def drain() -> None:
        with os.fdopen(target_out, "rb") as stream:
            came.append(stream.read())

    drainer = threading.Thread(target=drain)
    drainer.start()
    digest = copy_fd(source_out, target_in)
    os.close(source_out)
    os.close(target_in)
    feeder.join()
    drainer.join()
    assert came == [data]
    assert digest.sha256 == hashlib.sha256(data).hexdigest()


def test_a_file_that_claims_to_be_empty() -> None:
    """Files under /proc have size 0 and content (proc(5))."""
    path = Path("/proc/version")
    assert path.stat().st_size == 0
    with opened(path) as fd:
        digest = digest_fd(fd)
    assert digest == Digest(len(path.read_bytes()), {"sha256": hashlib.sha256(path.read_bytes()).hexdigest()})


@ROUTES
def test_no_thread_left_is_only_slower(route: Route, monkeypatch: pytest.MonkeyPatch) -> None:
    def start(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    data = random.Random(2).randbytes(one_pass.RING_BYTES + BLOCK + 1)
    monkeypatch.setattr(threading.Thread, "start", start)
    assert route(data, algorithms=["sha256", "sha512"]).sha256 == hashlib.sha256(data).hexdigest()


@ROUTES
@pytest.mark.parametrize("size", [3, one_pass.RING_BYTES * 2])
def test_a_stop_set_before_reads_nothing(route: Route, size: int) -> None:
    stop = Stop()
    stop.set(143)
    stop.set()
    reported: list[int] = []
    with pytest.raises(StoppedError) as caught:
        route(bytes(size), stop=stop, on_bytes=reported.append)
    assert (caught.value.exit_code, reported) == (143, [])


@ROUTES
def test_a_stop_in_the_middle_ends_within_a_block(route: Route) -> None:
    stop, reported = Stop(Stop()), []

    def on_bytes(count: int) -> None:
        reported.append(count)
        stop.set()

    with pytest.raises(StoppedError) as caught:
        route(bytes(one_pass.RING_BYTES * 4), stop=stop, on_bytes=on_bytes)
    assert (caught.value.exit_code, reported) == (130, [BLOCK])


def test_a_stop_is_its_childrens_too() -> None:
    parent = Stop()
    one = Stop(parent)
    assert not one.is_set()
    one.check()
    one.set()
    assert (one.is_set(), parent.is_set()) == (True, False)
    two = Stop(parent)
    parent.set(143)
    with pytest.raises(StoppedError) as caught:
        two.check()
    assert (two.is_set(), caught.value.exit_code) == (True, 143)


def test_a_stop_while_a_pipe_is_silent() -> None:
    """A read that waits for a pipe nobody writes to ends when the flag is set by another thread."""
    out, into = os.pipe()
    stop = Stop()
    timer = threading.Timer(0.05, stop.set)
    timer.start()
    try:
        with pytest.raises(StoppedError):
            digest_fd(out, stop=stop)
    finally:
        timer.join()
        os.close(into)
        os.close(out)


def test_a_stop_while_the_target_is_full() -> None:
    """A write that waits for a full pipe nobody reads from ends in the same way."""
    out, into = os.pipe()
    stop = Stop()
    timer = threading.Timer(0.05, stop.set)
    timer.start()
    try:
        with opened(Path("/dev/zero")) as source, pytest.raises(StoppedError):
            copy_fd(source, into, stop=stop)
    finally:
        timer.join()
        os.close(into)
        os.close(out)


@ROUTES
@pytest.mark.parametrize("error", [KeyboardInterrupt, ZeroDivisionError])
def test_whatever_the_callback_raises_comes_out(route: Route, error: type[BaseException]) -> None:
    """As a Ctrl-C between two blocks would: the threads are gone (the fixture looks), the exception is the same."""

    def on_bytes(count: int) -> None:
        raise error

    with pytest.raises(error):
        route(bytes(one_pass.RING_BYTES * 2), on_bytes=on_bytes)
