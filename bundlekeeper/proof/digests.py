"""Digests of bytes that were really read: one descriptor, a copy made in the same pass, or many files on all cores.

Rules: memory stays constant whatever the size; short reads and short writes are continued to the end; a read error is
an OSError of that file and never a digest; a descriptor is read from its present offset to its end and is left there,
never closed, never sought; the caller does the fsync.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from bundlekeeper.errors import StoppedError
from bundlekeeper.proof.reading import Digest, Stop, TooLong

__all__ = ["Digest", "Outcome", "Stop", "Task", "TooLong", "copy_fd", "digest_fd", "digest_many"]

_BLOCK = 1 << 20


@dataclass(frozen=True)
class Task:
    """One file to read: `open` returns a descriptor, which the pool closes, or raises OSError; `size` is in bytes."""

    key: str
    open: Callable[[], int]
    size: int
    algorithms: Sequence[str] = ("sha256",)


@dataclass(frozen=True)
class Outcome:
    """What came of one task: a digest or an error, never both; `fstat` before and after the read where it opened."""

    task: Task
    digest: Digest | None
    error: OSError | None
    before: os.stat_result | None
    after: os.stat_result | None


def digest_fd(
    fd: int,
    *,
    algorithms: Sequence[str] = ("sha256",),
    size_hint: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
    stop: Stop | None = None,
) -> Digest:
    """Read `fd` from its offset to its end and return the digest of those bytes.

    Raises OSError when a read fails, StoppedError when `stop` was set.
    """
    return _pass(fd, None, algorithms, None, on_bytes, stop)


def copy_fd(
    source: int,
    target: int,
    *,
    algorithms: Sequence[str] = ("sha256",),
    limit: int | None = None,
    size_hint: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
    stop: Stop | None = None,
) -> Digest:
    """Copy `source`, from its offset to its end, to `target` at its offset, and return the digest of those bytes.

    Raises TooLong when more than `limit` bytes came, OSError when a read or a write fails, StoppedError when `stop`
    was set; `target` then holds a part, which is the caller's to drop.
    """
    return _pass(source, target, algorithms, limit, on_bytes, stop)


def _pass(
    source: int,
    target: int | None,
    algorithms: Sequence[str],
    limit: int | None,
    on_bytes: Callable[[int], None] | None,
    stop: Stop | None,
) -> Digest:
    hashes = [hashlib.new(name) for name in algorithms]
    size = 0
    while block := os.read(source, _BLOCK):
        if stop is not None and stop.is_set():
            raise StoppedError("stopped while reading")
        size += len(block)
        if limit is not None and size > limit:
            raise TooLong(f"more than {limit} bytes came")
        for each in hashes:
            each.update(block)
        rest = memoryview(block)
        while target is not None and rest:
            rest = rest[os.write(target, rest) :]
        if on_bytes is not None:
            on_bytes(len(block))
    return Digest(size, {name: each.hexdigest() for name, each in zip(algorithms, hashes, strict=True)})


def digest_many(
    tasks: Iterable[Task],
    *,
    workers: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
    on_file: Callable[[str], None] | None = None,
    stop: Stop | None = None,
) -> Iterator[Outcome]:
    """Read every task's file and yield its outcome; a file that fails does not stop the others.

    `on_file` is told the key of a file when its read begins, `on_bytes` how many more bytes were read; both may be
    called from several threads. Raises StoppedError when `stop` was set.
    """
    for task in tasks:
        if on_file is not None:
            on_file(task.key)
        yield _outcome(task, on_bytes, stop)


def _outcome(task: Task, on_bytes: Callable[[int], None] | None, stop: Stop | None) -> Outcome:
    before: os.stat_result | None = None
    try:
        fd = task.open()
    except OSError as e:
        return Outcome(task, None, e, None, None)
    try:
        before = os.fstat(fd)
        digest = digest_fd(fd, algorithms=task.algorithms, size_hint=task.size, on_bytes=on_bytes, stop=stop)
        return Outcome(task, digest, None, before, os.fstat(fd))
    except OSError as e:
        return Outcome(task, None, e, before, None)
    finally:
        os.close(fd)
