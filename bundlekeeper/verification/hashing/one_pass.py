"""One pass over the bytes of a descriptor: read, hash by one or more algorithms, and write, side by side.

Rules: the caller's thread reads and writes; where the file is large, one thread per algorithm hashes, at most
four blocks behind; memory is that ring, whatever the size; on every way out, an interrupt included, the threads are
ended and waited for; the caller does the fsync.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from queue import SimpleQueue
from types import TracebackType
from typing import TYPE_CHECKING

from bundlekeeper.verification.hashing.read import BLOCK_BYTES, Digest, HashSource, HashTarget, Stop, TooLong
from bundlekeeper.verification.hashing.threads import Helper

if TYPE_CHECKING:
    from hashlib import _Hash as Hash

SHA256 = ("sha256",)
_RING = 4
RING_BYTES = _RING * BLOCK_BYTES
#: Below this size, starting a thread costs more than reading ahead saves.
_AHEAD_FROM_BYTES = 4 * BLOCK_BYTES
_SMALLEST_BUFFER_BYTES = 64 * 1024


class _Lane:
    """One algorithm over the blocks in their order: in a thread of its own, or in place where none is needed."""

    def __init__(self, algorithm: str, begun: Hash) -> None:
        self._hash = begun
        self._inbox: SimpleQueue[memoryview | None] = SimpleQueue()
        self._outbox: SimpleQueue[None] = SimpleQueue()
        self._discard = False
        self._helper = Helper(f"hash-{algorithm}", self._run)
        self._ahead = False

    def start(self) -> None:
        """Hash in a thread; where none can be started, in place, only slower."""
        self._ahead = self._helper.start()

    def _run(self) -> None:
        for block in iter(self._inbox.get, None):
            if not self._discard:
                self._hash.update(block)
            self._outbox.put(None)

    def feed(self, block: memoryview) -> None:
        if self._ahead:
            self._inbox.put(block)
        else:
            self._hash.update(block)
            self._outbox.put(None)

    def wait_for_one(self) -> None:
        self._outbox.get()

    def close(self, discard: bool) -> None:
        self._discard = discard
        self._inbox.put(None)

    def join(self) -> None:
        self._helper.join()


class Lanes:
    """Hashes, by a name for each, and the ring of buffers that they share; a context manager.

    With more than one buffer each hash has a thread of its own, until the end of the block: only then are the hashes
    complete; after an error they never are, unless what came is to be `kept`.
    """

    def __init__(self, hashes: Mapping[str, Hash], buffers: Sequence[memoryview], *, kept: bool = False) -> None:
        self._hashes = hashes
        self._kept = kept
        self._ahead = len(buffers) > 1
        self._buffers = buffers
        self._lanes: list[_Lane] = []
        self._count = 0

    def __enter__(self) -> Lanes:
        try:
            for name, begun in self._hashes.items():
                self._lanes.append(_Lane(name, begun))
            for lane in self._lanes if self._ahead else ():
                lane.start()
        except BaseException:
            self._close(discard=True)
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._close(discard=kind is not None and not self._kept)

    def _close(self, discard: bool) -> None:
        for lane in self._lanes:
            lane.close(discard)
        for lane in self._lanes:
            lane.join()

    def buffer(self) -> memoryview:
        """The next buffer of the ring, once every lane is done with what was in it."""
        if self._count >= len(self._buffers):
            for lane in self._lanes:
                lane.wait_for_one()
        return self._buffers[self._count % len(self._buffers)]

    def feed(self, block: memoryview) -> None:
        """Hash the block, which is the beginning of the buffer that was given last."""
        for lane in self._lanes:
            lane.feed(block)
        self._count += 1


def new_buffer(size_bytes: int = BLOCK_BYTES) -> memoryview:
    """A buffer to read into."""
    return memoryview(bytearray(size_bytes))


def run_pass(
    source: HashSource,
    target: HashTarget | None,
    buffers: Sequence[memoryview],
    *,
    algorithms: Sequence[str],
    limit: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
    running: Hash | None = None,
) -> Digest:
    """Read `source` to its end through `buffers`, hashing and, where there is a target, writing.

    With more than one buffer every algorithm has a thread of its own and hashes while the next block is read. `running`
    is a hash that began with earlier bytes and goes on with these; after an error it is spoilt.
    Raises TooLong when more than `limit` bytes came, of which none beyond it was written; OSError when a read fails;
    TargetError (an OSError) when a write fails; StoppedError; ValueError for an algorithm unknown to hashlib.
    """
    size = 0
    hashes = {name: hashlib.new(name) for name in dict.fromkeys(algorithms)}
    with Lanes(hashes if running is None else {**hashes, "running": running}, buffers) as lanes:
        while True:
            view = lanes.buffer()
            count = source.fill(view)
            size += count
            if limit is not None and size > limit:
                raise TooLong(f"more than {limit} bytes came")
            if count:
                block = view[:count]
                lanes.feed(block)
                if target is not None:
                    target.write(block)
                if on_bytes is not None:
                    on_bytes(count)
            if count < len(view):
                break
    return Digest(size, {name: hash_.hexdigest() for name, hash_ in hashes.items()})


def buffers_for(size_bytes: int | None) -> list[memoryview]:
    """A ring where the file is large or its size unknown, else one buffer that holds it and shows its end."""
    if size_bytes is None or size_bytes >= _AHEAD_FROM_BYTES:
        return [new_buffer() for _ in range(_RING)]
    return [new_buffer(min(BLOCK_BYTES, max(_SMALLEST_BUFFER_BYTES, size_bytes + 1)))]


def digest_fd(
    fd: int,
    *,
    algorithms: Sequence[str] = SHA256,
    size_hint: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
    stop: Stop | None = None,
) -> Digest:
    """Read `fd` from its offset to its end and return the digest of those bytes; the offset is then at the end.

    `size_hint`, in bytes, only helps to choose how to read where the descriptor has no size of its own; `on_bytes` is
    given, in this thread, how many more bytes were read. Raises OSError when a read fails, StoppedError when `stop` was
    set, ValueError for an algorithm unknown to hashlib.
    """
    source = HashSource(fd, stop or Stop())
    buffers = buffers_for(source.size if source.size is not None else size_hint)
    return run_pass(source, None, buffers, algorithms=algorithms, on_bytes=on_bytes)


def copy_fd(
    source: int,
    target: int,
    *,
    algorithms: Sequence[str] = SHA256,
    limit: int | None = None,
    size_hint: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
    stop: Stop | None = None,
    running: Hash | None = None,
) -> Digest:
    """Copy `source`, from its offset to its end, to `target` at its offset, and return the digest of those bytes.

    The bytes hashed are the bytes written, out of one buffer. Nothing is synced: the caller does the fsync, on the
    same descriptor, so that it gets write-back errors. Raises TooLong when more than `limit` bytes came, OSError
    when a read fails, TargetError (an OSError) when a write fails, StoppedError when `stop` was set; `target` then
    has a part, which the caller drops. ValueError for an algorithm unknown to hashlib. `running` as in
    `run_pass`.
    """
    stop = stop or Stop()
    reader = HashSource(source, stop)
    buffers = buffers_for(reader.size if reader.size is not None else size_hint)
    writer = HashTarget(target, stop)
    return run_pass(reader, writer, buffers, algorithms=algorithms, limit=limit, on_bytes=on_bytes, running=running)
