"""Many files read on all cores.

Rules: one file fails alone, with the OSError of its own; whatever else goes wrong ends the whole and is raised; tasks
are drawn from the iterable only by the caller's thread, a few ahead, and outcomes are given in the order in which they
finish; a descriptor is opened just before its read and closed just after; on every way out (the end, an error, a stop,
an interrupt, a generator that is removed) every thread has ended.

Plain reads, on purpose: copying from a warm page cache takes an eighth of hashing's time, with any block from 128 KiB
to 2 MiB, so all cores reach 0.88 of what the hash alone does. A memory map reaches 0.96 (measured here), but dies by
SIGBUS when a file shrinks or a stick is pulled, and would need processes of its own.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import chain, islice
from queue import Empty, SimpleQueue

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.verification.hashing.one_pass import RING_BYTES, SHA256, digest_fd, new_buffer, run_pass
from bundlekeeper.verification.hashing.read import BLOCK_BYTES, Digest, HashSource, Stop
from bundlekeeper.verification.hashing.threads import Helper

_MOST_WORKERS = 32
#: All workers' buffers together, whatever number of them is asked for: the whole program stays under 100 MB.
_BUFFERS_BYTES = 32 << 20
#: Tasks that wait for each worker, so that none idles while the caller is busy with an outcome.
_QUEUED_PER_WORKER = 4
#: How long Ctrl-C may have to wait.
_LOOK_UP_S = 0.2


@dataclass(frozen=True)
class Task:
    """One file to read: `open` returns a descriptor, which the pool closes, or raises OSError; `size` is in bytes.

    `open` is called in a thread of the pool; `key` is the caller's own name for the file.
    """

    key: str
    open: Callable[[], int]
    size: int
    algorithms: Sequence[str] = SHA256


@dataclass(frozen=True)
class DigestOutcome:
    """What came of one task: a digest or an error, never both.

    `before` and `after` are fstat of the open descriptor before and after the read; None where it could not be had.
    `seconds` is how long it took, from just before it was opened to the end of its read.
    """

    task: Task
    digest: Digest | None
    error: OSError | None
    before: os.stat_result | None
    after: os.stat_result | None
    seconds: float = 0.0

    @property
    def changed(self) -> bool:
        """True when the file was replaced, resized or written during the read, or where that is unknown."""
        return self.before is None or self.after is None or _identity(self.before) != _identity(self.after)


def _identity(status: os.stat_result) -> tuple[int, ...]:
    return (status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)


def _cores() -> int:
    return len(os.sched_getaffinity(0))


def digest_many(
    tasks: Iterable[Task],
    *,
    workers: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
    on_file: Callable[[str], None] | None = None,
    stop: Stop | None = None,
    monotonic: Callable[[], float] = time.monotonic,
) -> Iterator[DigestOutcome]:
    """Read every task's file and yield its outcome as it finishes; a file that fails does not stop the others.

    `workers` defaults to the cores that this process may use, at most 32. `on_file` is given the key of a file when its
    read begins, `on_bytes` how many more bytes were read; both are called in several threads. The order in which files
    are begun is the iterable's: the largest first keeps all cores busy to the end. `monotonic` is a clock in seconds.

    When `stop` is set, what had finished is still yielded, then StoppedError is raised unless all was done.
    UnfinishedError when no thread can be started. What `open`, `on_bytes` or `on_file` raise, other than the OSError of
    `open`, ends the whole and is raised here.
    """
    count = max(1, workers if workers is not None else min(_cores(), _MOST_WORKERS))
    waiting = iter(tasks)
    head = list(islice(waiting, count))
    # With so few files cores would idle: then each file is read ahead of its hash, by a thread more.
    ahead = 2 * len(head) <= count and len(head) * RING_BYTES <= _BUFFERS_BYTES
    pool = _Pool(ahead=ahead, on_bytes=on_bytes, on_file=on_file, stop=stop, monotonic=monotonic)
    try:
        pool.start(len(head))
        yield from pool.run(chain(head, waiting), most_queued=count * _QUEUED_PER_WORKER)
    finally:
        pool.close()


class _Pool:
    """Worker threads between a queue of tasks and a queue of what came of them: one message for each task."""

    def __init__(
        self,
        *,
        ahead: bool,
        on_bytes: Callable[[int], None] | None,
        on_file: Callable[[str], None] | None,
        stop: Stop | None,
        monotonic: Callable[[], float],
    ) -> None:
        self._ahead = ahead
        self._monotonic = monotonic
        self._on_bytes = on_bytes
        self._on_file = on_file
        self._stop = Stop(stop)
        self._inbox: SimpleQueue[Task | None] = SimpleQueue()
        self._outbox: SimpleQueue[DigestOutcome | BaseException] = SimpleQueue()
        self._helpers: list[Helper] = []

    def start(self, count: int) -> None:
        """Start the workers, or as many as can be started. Raises UnfinishedError when none can be."""
        buffer_bytes = min(BLOCK_BYTES, _BUFFERS_BYTES // max(1, count))
        for number in range(count):
            helper = Helper(f"read-{number}", partial(self._work, buffer_bytes))
            self._helpers.append(helper)
            if not helper.start():
                if number == 0:
                    raise UnfinishedError("no thread could be started", hint="raise the limits of this session")
                return

    def run(self, tasks: Iterator[Task], most_queued: int) -> Iterator[DigestOutcome]:
        """Feed the workers and yield outcomes; then raise the first failure that was not one file's own."""
        pending, more = 0, True
        failure: BaseException | None = None
        while True:
            while more and pending < most_queued and not self._stop.is_set():
                task = next(tasks, None)
                more = task is not None
                if task is not None:
                    self._inbox.put(task)
                    pending += 1
            if not pending:
                break
            message = self._next()
            pending -= 1
            if isinstance(message, DigestOutcome):
                yield message
            else:
                failure = failure or message
                self._stop.set()
        if failure is not None:
            raise failure
        if more and next(tasks, None) is not None:
            self._stop.check()

    def _next(self) -> DigestOutcome | BaseException:
        # Not one long wait: a signal just before it, or one that another thread catches, does not end it, and Python
        # runs signal handlers in the main thread only, between two of its steps.
        while True:
            with suppress(Empty):
                return self._outbox.get(timeout=_LOOK_UP_S)

    def close(self) -> None:
        """End every worker, within a block, and wait for it."""
        self._stop.set()
        for _ in self._helpers:
            self._inbox.put(None)
        for helper in self._helpers:
            helper.join()

    def _work(self, buffer_bytes: int) -> None:
        buffer = new_buffer(buffer_bytes)
        for task in iter(self._inbox.get, None):
            try:
                self._outbox.put(self._outcome(task, buffer))
            except BaseException as e:  # handed to the caller's thread, which raises it
                self._outbox.put(e)

    def _outcome(self, task: Task, buffer: memoryview) -> DigestOutcome:
        self._stop.check()
        if self._on_file is not None:
            self._on_file(task.key)
        before: os.stat_result | None = None
        began_s = self._monotonic()
        try:
            fd = task.open()
        except OSError as e:
            return DigestOutcome(task, None, e, None, None, self._monotonic() - began_s)
        try:
            before = os.fstat(fd)
            digest = self._read(fd, task, buffer)
            return DigestOutcome(task, digest, None, before, os.fstat(fd), self._monotonic() - began_s)
        except OSError as e:
            return DigestOutcome(task, None, e, before, _fstat_or_none(fd), self._monotonic() - began_s)
        finally:
            with suppress(OSError):  # of a device that is gone: the read is done, and the descriptor is free
                os.close(fd)

    def _read(self, fd: int, task: Task, buffer: memoryview) -> Digest:
        if self._ahead:
            return digest_fd(
                fd, algorithms=task.algorithms, size_hint=task.size, on_bytes=self._on_bytes, stop=self._stop
            )
        return run_pass(HashSource(fd, self._stop), None, [buffer], algorithms=task.algorithms, on_bytes=self._on_bytes)


def _fstat_or_none(fd: int) -> os.stat_result | None:
    try:
        return os.fstat(fd)
    except OSError:  # the device is gone
        return None
