"""The store's lock: one writing command at a time.

Rules: the kernel's flock on `.keeper/lock`, which ends with the process that holds it, however that ends; the text
of the file (pid, host, command, since) only names the holder and decides nothing; the file is never unlinked.
"""

from __future__ import annotations

import fcntl
import json
import os
import stat
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from bundlekeeper.errors import LockedError, RefusedError, StoppedError, UnfinishedError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.model.progress import Clock
from bundlekeeper.store.disk import files
from bundlekeeper.verification.hashing.read import Stop

NAME = "lock"
_POLL_S = 0.05


@contextmanager
def held(
    root: int, command: str, *, clock: Clock, wait_s: float = 0.0, stop: Stop | None = None, where: str = ""
) -> Iterator[None]:
    """Hold the lock of the store whose root folder is open as `root`; wait at most `wait_s` seconds for it.

    Raises LockedError naming the holder, StoppedError when `stop` was set while waiting, RefusedError when the lock is
    no regular file, UnfinishedError when the store cannot be written.
    """
    doing = "the store cannot be locked"
    with files.wrapped(doing, where), files.folder(root, (".keeper",), create=True) as keeper:
        fd = _open(keeper)
    try:
        with files.wrapped(doing, where):
            _wait(fd, wait_s, stop, where)
            holder = {"pid": os.getpid(), "host": os.uname().nodename, "command": command, "since": clock().isoformat()}
            os.ftruncate(fd, 0)
            os.pwrite(fd, json.dumps(holder).encode() + b"\n", 0)
        try:
            yield
        except (UnfinishedError, OSError) as error:
            if not isinstance(error, LockedError) and _is_moved(root, where):
                raise _moved(where, getattr(error, "problems", ())) from error
            raise
        # An empty file after a good end; the text that a killed process leaves is harmless, its flock is gone.
        with suppress(OSError):
            os.ftruncate(fd, 0)
    finally:
        os.close(fd)


def maker(root: int) -> str:
    """Who holds the lock of the store whose root folder is open as `root`; empty for nobody, or this very process."""
    with suppress(OSError), files.folder(root, (".keeper",)) as keeper:
        fd = os.open(NAME, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=keeper)
        try:
            fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return "" if _pid(fd) == os.getpid() else _holder(fd)
        finally:
            os.close(fd)
    return ""


def _is_moved(root: int, where: str) -> bool:
    """True when the store's path no longer leads to the folder that is open."""
    if not where:
        return False
    try:
        here = Path(where).stat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    opened = os.fstat(root)
    return (here.st_dev, here.st_ino) != (opened.st_dev, opened.st_ino)


def _moved(where: str, problems: Sequence[Any]) -> UnfinishedError:
    return UnfinishedError(
        "the store was moved away, or another folder put in its place, while this ran",
        where=where,
        hint="name the store where it is now, and run the same command again: what was finished is in it",
        problems=problems,
    )


def _open(keeper: int) -> int:
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    fd = os.open(NAME, flags, files.PRIVATE_FILE, dir_fd=keeper)
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        os.close(fd)
        raise RefusedError("the store's lock is no regular file", hint="remove .keeper/lock", where=NAME)
    return fd


def _wait(fd: int, wait_s: float, stop: Stop | None, where: str) -> None:
    until = time.monotonic() + wait_s
    while True:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            if stop is not None and stop.is_set():
                raise StoppedError("stopped while waiting for the store's lock") from error
            if time.monotonic() >= until:
                raise LockedError(
                    f"the store is locked by {_holder(fd)}",
                    hint="wait for it to end, or wait longer with --wait; the lock ends with its process",
                    where=where,
                ) from error
            time.sleep(_POLL_S)
        else:
            return


def _pid(fd: int) -> int:
    try:
        return int(json.loads(os.pread(fd, limits.LOCK_BYTES, 0))["pid"])
    except (OSError, ValueError, KeyError, TypeError):
        return -1


def _holder(fd: int) -> str:
    try:
        holder = json.loads(os.pread(fd, limits.LOCK_BYTES, 0))
        return visible(f"process {holder['pid']} on {holder['host']}: {holder['command']}, since {holder['since']}")
    except (OSError, ValueError, KeyError, TypeError):
        return "another process"
