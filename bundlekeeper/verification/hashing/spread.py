"""One source to several targets: every byte is read once, hashed, and written to each of them side by side.

Rules: the caller's thread reads; where there is more than one target each has a thread of its own, and so has each
digest where the run is long; memory is one ring of blocks, whatever the size; a target that fails is left out from
then on and keeps its error, the others go on; on every way out the threads have ended. Nothing is synced here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import count
from queue import SimpleQueue
from types import TracebackType
from typing import Protocol

from bundlekeeper.verification.hashing.one_pass import new_buffer
from bundlekeeper.verification.hashing.read import BLOCK_BYTES, HashSource, HashTarget, Stop
from bundlekeeper.verification.hashing.threads import Helper

_RING = 6
_SEND_BYTES = 16 * BLOCK_BYTES
#: Below this size starting threads costs more than they save.
_THREADS_FROM_BYTES = 4 * BLOCK_BYTES


class Hash(Protocol):
    """What hashlib gives."""

    def update(self, data: memoryview, /) -> None:
        """Hash these bytes, too."""


@dataclass(slots=True)
class ByteSink:
    """One target: a descriptor that is written to from its offset on. `error` is why it was left out, if it was."""

    fd: int
    error: OSError | None = None


def spread(
    source: int,
    sinks: Sequence[ByteSink],
    *,
    size: int,
    hashes: Sequence[Hash],
    on_bytes: Callable[[int], None] | None = None,
    stop: Stop | None = None,
) -> int:
    """Read at most `size` bytes from `source`, at its offset, hash them by all of `hashes`, write them to all sinks.

    With one sink and nothing to hash the kernel copies, as far as it can.
    Returns how many bytes came: fewer than `size` when the source ended. Ends early, too, when no sink that began is
    left. Raises OSError when a read fails, StoppedError when `stop` was set.
    """
    stop = stop or Stop()
    reader = HashSource(source, stop)
    long = size >= _THREADS_FROM_BYTES
    done = 0
    if long and len(sinks) == 1 and not hashes:
        done = _straight(source, sinks[0], size, on_bytes, stop)
    workers = [_Worker(hash_.update, f"hash-{n}", threaded=long) for n, hash_ in enumerate(hashes)]
    workers += [_writer(sink, stop, n, threaded=len(sinks) > 1 and long) for n, sink in enumerate(sinks)]
    buffers = [new_buffer() for _ in range(_RING)] if long else [new_buffer(max(1, min(BLOCK_BYTES, size)))]
    with _Crew(workers):
        for number in count(0):
            if done >= size or (sinks and all(sink.error is not None for sink in sinks)):
                break
            if number >= len(buffers):
                for worker in workers:
                    worker.wait_for_one()
            view = buffers[number % len(buffers)]
            came = reader.fill(view[: min(len(view), size - done)])
            for worker in workers:
                worker.feed(view[:came])
            done += came
            if on_bytes is not None:
                on_bytes(came)
            if came < len(view):
                break
    return done


def _straight(source: int, sink: ByteSink, size: int, on_bytes: Callable[[int], None] | None, stop: Stop) -> int:
    """Let the kernel copy as much as it can, since the bytes are not needed here; the caller reads the rest."""
    done = 0
    try:
        target = HashTarget(sink.fd, stop)
    except OSError:
        return 0
    while done < size:
        came = target.send(source, min(_SEND_BYTES, size - done))
        if not came:
            break
        done += came
        if on_bytes is not None:
            on_bytes(came)
    return done


def _writer(sink: ByteSink, stop: Stop, number: int, *, threaded: bool) -> _Worker:
    target: HashTarget | None = None
    try:
        target = HashTarget(sink.fd, stop)
    except OSError as e:
        sink.error = e

    def write(view: memoryview) -> None:
        if target is None or sink.error is not None:
            return
        try:
            target.write(view)
        except OSError as e:  # TargetError, and nothing else: a stop is StoppedError
            sink.error = e

    return _Worker(write, f"write-{number}", threaded=threaded)


class _Worker:
    """Does one thing with each block in their order: in a thread of its own, or in place."""

    def __init__(self, work: Callable[[memoryview], None], name: str, *, threaded: bool) -> None:
        self._work = work
        self._inbox: SimpleQueue[memoryview | None] = SimpleQueue()
        self._outbox: SimpleQueue[None] = SimpleQueue()
        self._failure: BaseException | None = None
        self._helper = Helper(name, self._run)
        self._threaded = threaded
        self._has_thread = False

    def start(self) -> None:
        self._has_thread = self._threaded and self._helper.start()

    def _run(self) -> None:
        for block in iter(self._inbox.get, None):
            if self._failure is None:
                try:
                    self._work(block)
                except BaseException as e:  # a stop: raised in the caller's thread
                    self._failure = e
            self._outbox.put(None)

    def feed(self, block: memoryview) -> None:
        self.check()
        if self._has_thread:
            self._inbox.put(block)
        else:
            self._work(block)
            self._outbox.put(None)

    def wait_for_one(self) -> None:
        self._outbox.get()

    def check(self) -> None:
        if self._failure is not None:
            raise self._failure

    def end(self) -> None:
        self._inbox.put(None)
        self._helper.join()


class _Crew:
    """The workers of one run; they have ended when the block is left."""

    def __init__(self, workers: Sequence[_Worker]) -> None:
        self._workers = workers

    def __enter__(self) -> None:
        for worker in self._workers:
            worker.start()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        for worker in self._workers:
            worker.end()
        if kind is None:
            for worker in self._workers:
                worker.check()
