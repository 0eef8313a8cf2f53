"""Temporary files in the store's own file system, which get a name in the store or vanish.

Rules: a temporary file has no name where the file system allows that (O_TMPFILE), else a random `.part-` name under an
exclusive flock, so that a partial file that can be locked belongs to no living process; nothing else is ever swept; a
file gets its final name by a link, so it is there whole or not at all.
"""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from bundlekeeper.store.disk import files

FOLDER = "incoming"
PREFIX = ".part-"
RECORD_PREFIX = ".resume-"  # what is known of a partial file that can be resumed, beside it, under the same key
# The errors of file systems that have no O_TMPFILE (open(2)); EISDIR where the kernel does not know the flag.
_NO_TMPFILE = {errno.EOPNOTSUPP, errno.EISDIR, errno.EINVAL, errno.ENOSYS}
_NO_LINKS = {errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}


class Temp:
    """One file on its way in: `fd` is open for reading and writing at its offset; dropped unless published."""

    def __init__(self, fd: int, home: int, name: str | None) -> None:
        self.fd = fd
        self._home = home
        self._name = name
        self._keep = False

    @property
    def name(self) -> str:
        """The temporary name inside `incoming`; empty while the file has none."""
        return self._name or ""

    def publish(self, folder_fd: int, name: str) -> None:
        """Give the file its final name in the folder; never replaces.

        Raises FileExistsError when the name is in use, OSError otherwise.
        """
        if self._name is None:
            files.link_fd(self.fd, folder_fd, name)
            return
        try:
            os.link(self._name, name, src_dir_fd=self._home, dst_dir_fd=folder_fd, follow_symlinks=False)
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            # No links here (FAT, exFAT). Only the process with the store's lock publishes: look, then rename.
            if files.exists(folder_fd, name):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name) from error
            os.rename(self._name, name, src_dir_fd=self._home, dst_dir_fd=folder_fd)
            self._name = None

    def settle(self) -> None:
        """Drop the temporary name of a file that was published: the last thing that changes its ctime. Raises nothing.

        Not done by `publish`, so that the final name can be made durable first.
        """
        if self._name is not None:
            with suppress(OSError):
                files.remove(self._home, self._name)
                self._name = None

    def keep(self) -> None:
        """Leave a named file where it is when this ends, to resume it later (`Incoming.resumable`)."""
        self._keep = True

    def keep_no_longer(self) -> None:
        """Drop a named file when this ends after all, unless it is published."""
        self._keep = False

    def close(self) -> None:
        """Drop the temporary name and the descriptor. Raises nothing."""
        if not self._keep:
            self.settle()
        with suppress(OSError):
            os.close(self.fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class Incoming:
    """The folder of temporary files, `.keeper/incoming`, by its descriptor `fd`."""

    def __init__(self, fd: int) -> None:
        self.fd = fd
        self._anonymous = Path("/proc/self/fd").is_dir()

    def temp(self) -> Temp:
        """A new empty temporary file, mode 0600 until it is published. Raises OSError."""
        if self._anonymous:
            try:
                flags = os.O_TMPFILE | os.O_RDWR | os.O_CLOEXEC
                return Temp(os.open(".", flags, files.PRIVATE_FILE, dir_fd=self.fd), self.fd, None)
            except OSError as error:
                if error.errno not in _NO_TMPFILE:
                    raise
                self._anonymous = False
        return self.named()

    def named(self) -> Temp:
        """A new empty temporary file that has a name, for a caller that must open it by name. Raises OSError."""
        return self._named(PREFIX + os.urandom(8).hex(), os.O_EXCL)

    def linked(self, fd: int) -> Temp:
        """The open file `fd`, which stays the caller's, under a second, temporary name here: a hard link.

        Raises OSError: EXDEV on another file system, EPERM where links are forbidden, EMLINK when there are too many.
        """
        name = PREFIX + os.urandom(8).hex()
        files.link_fd(fd, self.fd, name)
        try:
            return Temp(os.dup(fd), self.fd, name)
        except OSError:
            files.remove(self.fd, name)
            raise

    def resumable(self, key: str) -> Temp:
        """The named file of `key` (hexadecimal), opened where one is left from before; its bytes are unverified.

        `Temp.keep` leaves it for the next time. Raises BlockingIOError when another process has it, OSError.
        """
        return self._named(PREFIX + key, 0)

    def _named(self, name: str, extra: int) -> Temp:
        flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC | extra
        fd = os.open(name, flags, files.PRIVATE_FILE, dir_fd=self.fd)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            os.fchmod(fd, files.PRIVATE_FILE)
        except OSError:
            os.close(fd)
            raise
        return Temp(fd, self.fd, name)

    def sweep(self, *, but: frozenset[str] = frozenset()) -> int:
        """Remove the files of processes that died, except those of the keys in `but`; return how many.

        A record whose file is gone is removed too, and one whose writing was cut off. A file that is locked, or that is
        not ours by its name, stays.
        Raises OSError.
        """
        swept = 0
        for name in os.listdir(self.fd):
            if name.startswith(PREFIX) and name.removeprefix(PREFIX) not in but:
                swept += self._sweep_one(name)
        names = set(os.listdir(self.fd))
        for name in names:
            if name.startswith(RECORD_PREFIX) and PREFIX + name.removeprefix(RECORD_PREFIX) not in names:
                files.remove(self.fd, name)
        return swept

    def _sweep_one(self, name: str) -> bool:
        try:
            fd = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=self.fd)
        except OSError:
            return False
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            files.remove(self.fd, name)
        except BlockingIOError:
            return False
        finally:
            os.close(fd)
        return True


@contextmanager
def opened(root: int) -> Iterator[Incoming]:
    """The store's folder of temporary files, made where absent. Raises RefusedError, OSError."""
    with files.folder(root, (".keeper",), create=True) as keeper:
        fd = files.step(keeper, FOLDER, create=True, mode=files.PRIVATE_FOLDER)
        try:
            os.fsync(keeper)
        except OSError:
            os.close(fd)
            raise
    try:
        yield Incoming(fd)
    finally:
        os.close(fd)
