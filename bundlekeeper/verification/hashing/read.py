"""What a full read gives, how a descriptor is read and written to the end, and how that is stopped.

Rules: a digest exists only for bytes that were really read, up to the first read that gave nothing; a read error never
gives a digest; short reads and short writes are continued; a descriptor is used from its present offset on, left where
the reading ended, and neither sought nor closed here; after a stop, work ends within one block (or a tenth of a second
of waiting on a pipe) with `StoppedError`.
"""

from __future__ import annotations

import os
import select
import stat
from collections.abc import Mapping

from bundlekeeper.errors import EXIT_FOUND, KeeperError
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.stop import Stop as Stop

#: Bytes per read. Measured here: below 0.5 MiB handing blocks to another thread costs more than it saves.
BLOCK_BYTES = 1 << 20
#: Start writing to the disk after so many bytes, while the rest is still being read: the fsync then finds little to do.
#: Measured here with 2 GiB on busy cores: without it twice the time; by fdatasync from another thread one and a half.
WRITE_BACK_BYTES = 16 << 20
#: Release cached pages so far behind the writing: a copy of any size then reuses the same little memory.
BEHIND_BYTES = 64 << 20
#: Bytes that the kernel is asked to copy at a time; the stop flag is looked at in between.
_SEND_BYTES = 4 << 20
#: How long a wait on a pipe or a socket may last before the stop flag is looked at again.
_WAIT_MS = 100


class TooLong(KeeperError):  # noqa: N818 - a result, not a failure
    """More bytes came than the caller allows; the caller drops what was written until then."""

    exit_code = EXIT_FOUND


class TargetError(OSError):
    """A write failed: the fault is the target's, not the source's. `errno` says which."""


@dataclass(frozen=True, slots=True)
class Digest:
    """One full read: `size` is the number of bytes really read, `hexes` maps algorithm to lower-case hexadecimal."""

    size: int
    hexes: Mapping[str, str]

    @property
    def sha256(self) -> str:
        """The SHA-256 (FIPS 180-4), lower-case hexadecimal. Raises KeyError when it was not asked for."""
        return self.hexes["sha256"]


class HashSource:
    """A descriptor to read to its end: a regular file, or anything that has no size (pipe, socket, /proc)."""

    def __init__(self, fd: int, stop: Stop) -> None:
        """Raises OSError when the descriptor cannot be looked at."""
        self._fd = fd
        self._stop = stop
        status = os.fstat(fd)
        self._poll = None if stat.S_ISREG(status.st_mode) else _polled(fd, select.POLLIN)
        self.size = status.st_size if stat.S_ISREG(status.st_mode) and status.st_size else None

    def fill(self, view: memoryview) -> int:
        """Read until `view` is full or the end is reached; return the number of bytes. Fewer than its length: the end.

        Raises OSError when a read fails, StoppedError when the stop flag is set.
        """
        count = 0
        while count < len(view):
            self._stop.check()
            _wait(self._poll, self._stop)
            try:
                got = os.readv(self._fd, [view[count:]])
            except BlockingIOError:  # a descriptor opened with O_NONBLOCK, and another reader was faster
                continue
            if not got:
                break
            count += got
        return count


class HashTarget:
    """A descriptor to write to; on a regular file, write-back starts early and written pages are released."""

    def __init__(self, fd: int, stop: Stop) -> None:
        """Raises TargetError when the descriptor cannot be looked at."""
        self._fd = fd
        self._stop = stop
        try:
            regular = stat.S_ISREG(os.fstat(fd).st_mode)
            self._end = os.lseek(fd, 0, os.SEEK_CUR) if regular else 0
        except OSError as e:
            raise TargetError(e.errno, e.strerror) from e
        self._poll = None if regular else _polled(fd, select.POLLOUT)
        self._sent = self._end

    def write(self, view: memoryview) -> None:
        """Write all of `view`, continuing short writes.

        Raises TargetError when a write fails, StoppedError when the stop flag is set.
        """
        while view:
            self._stop.check()
            _wait(self._poll, self._stop)
            # After POLLOUT a pipe takes PIPE_BUF bytes without blocking (POSIX, write and poll), and no more for sure.
            piece = view if self._poll is None else view[: select.PIPE_BUF]
            try:
                count = os.write(self._fd, piece)
            except BlockingIOError:
                continue
            except OSError as e:
                raise TargetError(e.errno, e.strerror) from e
            view = view[count:]
            self._end += count
        if self._poll is None and self._end - self._sent >= WRITE_BACK_BYTES:
            self._push()

    def send(self, source: int, count: int) -> int:
        """Let the kernel copy at most `count` bytes from `source`, at its offset, without bringing them here.

        Returns how many were copied: fewer where the source ended, or the kernel would not or could not go on, which
        the caller finds out by reading and writing on. Raises StoppedError when the stop flag is set.
        """
        done = 0
        while done < count and self._poll is None:
            self._stop.check()
            try:
                sent = os.sendfile(self._fd, source, None, min(_SEND_BYTES, count - done))
            except OSError:
                break
            if not sent:
                break
            done += sent
            self._end += sent
            if self._end - self._sent >= WRITE_BACK_BYTES:
                self._push()
        return done

    def _push(self) -> None:
        # On Linux DONTNEED starts the write-back of dirty pages of the range and frees the clean ones (mm/fadvise.c):
        # asked once when the bytes are fresh, and once more when they have long been written.
        # Write-back errors are kept by the kernel for the caller's fsync on this descriptor. Advice may be refused.
        try:
            os.posix_fadvise(self._fd, self._sent, self._end - self._sent, os.POSIX_FADV_DONTNEED)
            if self._sent >= BEHIND_BYTES:
                behind = self._sent - BEHIND_BYTES
                os.posix_fadvise(self._fd, behind, self._end - self._sent, os.POSIX_FADV_DONTNEED)
        except OSError:
            pass
        self._sent = self._end


def _polled(fd: int, event: int) -> select.poll:
    poll = select.poll()
    poll.register(fd, event)
    return poll


def _wait(poll: select.poll | None, stop: Stop) -> None:
    """Return when the descriptor is ready (or is a regular file, that always is); never sleep through a stop."""
    while poll is not None and not poll.poll(_WAIT_MS):
        stop.check()
