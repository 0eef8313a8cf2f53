"""Files reached by folder descriptors, one folder at a time.

Rules: below a folder that the user named no symbolic link is ever followed; a file is opened so that a FIFO or device
cannot hang us, and must be a regular file; modes are set by fchmod, whatever the umask is; a name is put in place by a
link, which never replaces; an fsync that failed is never tried again (the second reports success and the bytes are
lost).
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from bundlekeeper.errors import KeeperError, RefusedError, UnfinishedError
from bundlekeeper.frozen import dataclass

FOLDER_MODE = 0o755
FILE_MODE = 0o444  # files of the store are read, never written
PRIVATE_FILE = 0o600
PRIVATE_FOLDER = 0o700

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
# O_NONBLOCK: a plain open of a FIFO waits for a writer for ever; O_NOCTTY: a terminal must not become ours.
_SOURCE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC

# A failed command removed its temporary files, so some inodes are free again when the reason is looked for.
_FEW, _SOME_BYTES = 8, 1 << 20

_HINTS = {
    errno.ENOSPC: "free some space and run the same command again; what was finished stays",
    errno.EDQUOT: "your quota is used up: free some space and run the same command again; what was finished stays",
    errno.EROFS: "the file system is mounted read-only",
    errno.EACCES: "check the owner and the mode",
    errno.EPERM: "check the owner, the mode and the file's attributes (lsattr)",
    errno.EMFILE: "too many files are open in this process: raise the limit (ulimit -n)",
    errno.ENFILE: "too many files are open on this machine",
    errno.EFBIG: "the file system or a limit (ulimit -f) forbids files of this size",
    errno.EIO: "the device failed: look at the system's log; what was not finished is not in the store",
}


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """What `stat` says about a file, in the units of `stat`: bytes and nanoseconds."""

    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int
    device: int


def trouble(error: OSError, doing: str, where: str = "") -> UnfinishedError:
    """Our own error for a system's error; `doing` says what could not be done."""
    reason = error.strerror or str(error)
    hint = NO_INODES if error.errno == errno.ENOSPC and lacks_inodes(where) else _HINTS.get(error.errno or 0, "")
    return UnfinishedError(f"{doing}: {reason}", hint=hint, where=where)


NO_INODES = "no inodes are left for new files, though there is space for bytes (df -i): remove files that nobody needs"


def lacks_inodes(path: str) -> bool:
    """True when the file system that `path` is on, or would be, has space for bytes and none for a command's files."""
    there = next((above for above in (Path(path), *Path(path).parents) if os.path.lexists(above)), None)
    try:
        status = os.statvfs(there or "/")
    except (OSError, ValueError):
        return False
    few = status.f_files != 0 and status.f_favail < _FEW
    return bool(few and status.f_bavail * status.f_frsize >= _SOME_BYTES)


@contextmanager
def wrapped(doing: str, where: str = "") -> Iterator[None]:
    """Raises UnfinishedError for an OSError of the block; errors of our own pass."""
    try:
        yield
    except KeeperError:
        raise
    except OSError as error:
        raise trouble(error, doing, where) from error


def kind_of(mode: int) -> str:
    """What `st_mode` says a thing is, in words."""
    kinds = (
        (stat.S_ISREG, "a regular file"),
        (stat.S_ISDIR, "a folder"),
        (stat.S_ISLNK, "a symbolic link"),
        (stat.S_ISFIFO, "a FIFO"),
        (stat.S_ISSOCK, "a socket"),
        (stat.S_ISCHR, "a character device"),
        (stat.S_ISBLK, "a block device"),
    )
    return next((word for test, word in kinds if test(mode)), "something unknown")


def fingerprint_of(status: os.stat_result) -> Fingerprint:
    """The fingerprint of a `stat` result."""
    return Fingerprint(status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino, status.st_dev)


def no_folder(name: str, status: os.stat_result) -> RefusedError:
    """The refusal of something that is where a folder belongs."""
    return RefusedError(
        f"{name} is {kind_of(status.st_mode)}, not a folder",
        hint="links inside a store or source are not followed; remove it or name the real folder",
        where=name,
    )


def step(folder: int, name: str, *, create: bool = False, mode: int = FOLDER_MODE) -> int:
    """Open the folder `name` inside `folder` and return its descriptor; with `create`, make it where absent.

    A made folder has exactly `mode`. Raises RefusedError when it is a symbolic link or no folder, else OSError
    (FileNotFoundError when absent and not to be made).
    """
    try:
        return os.open(name, _FOLDER, dir_fd=folder)
    except FileNotFoundError:
        if not create:
            raise
    except OSError as error:
        # Linux answers ENOTDIR for O_DIRECTORY|O_NOFOLLOW on a link; other systems ELOOP or EMLINK.
        if error.errno in {errno.ELOOP, errno.ENOTDIR, errno.EMLINK}:
            raise no_folder(name, os.lstat(name, dir_fd=folder)) from error
        raise
    with suppress(FileExistsError):
        os.mkdir(name, mode, dir_fd=folder)
    made = os.open(name, _FOLDER, dir_fd=folder)
    try:
        os.fchmod(made, mode)
    except OSError:
        os.close(made)
        raise
    return made


def open_folder(root: int, parts: Sequence[str], *, create: bool = False, mode: int = FOLDER_MODE) -> int:
    """Open the folder at `parts` below `root`, one folder at a time; with `create` it is made where absent.

    With `create` every folder on the way is fsynced, so that a name inside survives a power cut.
    Raises as `step`; OSError when an fsync fails.
    """
    fd = os.open(".", _FOLDER, dir_fd=root)
    try:
        for part in parts:
            above, fd = fd, step(fd, part, create=create, mode=mode)
            try:
                if create:
                    os.fsync(above)
            finally:
                os.close(above)
    except BaseException:
        os.close(fd)
        raise
    return fd


@contextmanager
def folder(root: int, parts: Sequence[str], *, create: bool = False, mode: int = FOLDER_MODE) -> Iterator[int]:
    """`open_folder` as a block that closes it."""
    fd = open_folder(root, parts, create=create, mode=mode)
    try:
        yield fd
    finally:
        os.close(fd)


def open_regular(folder_fd: int, name: str) -> int:
    """Open a regular file for reading, following no link and never hanging.

    Raises RefusedError when it is anything but a regular file, OSError when it cannot be opened.
    """
    try:
        fd = os.open(name, _SOURCE, dir_fd=folder_fd)
    except OSError as error:
        if error.errno in {errno.ELOOP, errno.EMLINK, errno.ENXIO}:  # a link; a socket or a device without a driver
            what = kind_of(os.lstat(name, dir_fd=folder_fd).st_mode)
            raise RefusedError(f"{name} is {what}, not a regular file", where=name) from error
        raise
    mode = os.fstat(fd).st_mode
    if not stat.S_ISREG(mode):
        os.close(fd)
        raise RefusedError(f"{name} is {kind_of(mode)}, not a regular file", where=name)
    return fd


@contextmanager
def regular(folder_fd: int, name: str) -> Iterator[int]:
    """`open_regular` as a block that closes it."""
    fd = open_regular(folder_fd, name)
    try:
        yield fd
    finally:
        os.close(fd)


def write_all(fd: int, data: bytes) -> None:
    """Write all of `data`, however short each write is. Raises OSError."""
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(fd, rest) :]


def read_bounded(folder_fd: int, name: str, limit: int) -> bytes:
    """The bytes of a regular file of at most `limit` bytes.

    Raises RefusedError when it is larger or no regular file, OSError when it cannot be read.
    """
    with regular(folder_fd, name) as fd:
        pieces: list[bytes] = []
        left = limit + 1
        while left and (piece := os.read(fd, min(left, 1 << 20))):
            pieces.append(piece)
            left -= len(piece)
    if not left:
        raise RefusedError(f"{name} is larger than {limit} bytes", where=name)
    return b"".join(pieces)


def replace(folder_fd: int, name: str, data: bytes | Iterable[bytes], *, prefix: str = ".new-") -> None:
    """Make `data` the bytes of a private file, whole or not at all, and durable; the folder's old file is gone then.

    Its temporary name begins with `prefix`; `data` may come piece by piece. Raises OSError and what giving the pieces
    raises, and the old file stays.
    """
    temp = f"{prefix}{os.urandom(6).hex()}"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    fd = os.open(temp, flags, PRIVATE_FILE, dir_fd=folder_fd)
    try:
        try:
            for piece in (data,) if isinstance(data, bytes) else data:
                write_all(fd, piece)
            os.fsync(fd)
        finally:
            os.close(fd)
        os.rename(temp, name, src_dir_fd=folder_fd, dst_dir_fd=folder_fd)
    except BaseException:
        remove(folder_fd, temp)
        raise
    os.fsync(folder_fd)


def link_fd(fd: int, folder_fd: int, name: str) -> None:
    """Give the open file `fd`, which may have no name yet, the name `name`; never replaces.

    Linking the descriptor and not a path means that nothing else can be linked by mistake (open(2), O_TMPFILE).
    Raises FileExistsError when the name is in use, OSError otherwise.
    """
    os.link(f"/proc/self/fd/{fd}", name, src_dir_fd=folder_fd, dst_dir_fd=folder_fd, follow_symlinks=True)


def exists(folder_fd: int, name: str) -> bool:
    """True when something of that name is there, whatever it is."""
    try:
        os.lstat(name, dir_fd=folder_fd)
    except FileNotFoundError:
        return False
    return True


def remove(folder_fd: int, name: str) -> None:
    """Remove a name, if it is there. Raises OSError."""
    with suppress(FileNotFoundError):
        os.unlink(name, dir_fd=folder_fd)
