"""Reads what was written from the medium, not from the page cache; and claims no more than that.

Rules: a file is synced and its cached pages are dropped; before it is read, the kernel is asked whether any of it is
left in memory; where the kernel can read past its cache (O_DIRECT), it does; only then "read again, cache evicted" is
claimed, and on FUSE, where a program may have a cache of its own, only when the device's buffers were flushed, too
(root). Nothing here is claimed about the drive's own memory: `volume.remount` decides on "read again after remount",
and the third level is the receiver's.
Sources: posix_fadvise(2), mincore(2), open(2) on O_DIRECT, linux/fs.h; what each way finds was tried.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import mmap
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from enum import StrEnum
from pathlib import Path

from bundlekeeper.frozen import dataclass
from bundlekeeper.store.disk.filesystem import FsKind, describe_fd
from bundlekeeper.verification.hashing.read import BLOCK_BYTES, Digest, Stop


class ReadBackLevel(StrEnum):
    """How a volume was verified after writing; no other claim exists."""

    EVICTED = "read again, cache evicted"
    REMOUNTED = "read again after remount"
    UNSURE = "read again, perhaps from a cache"


_BLKFLSBUF = 0x1261  # linux/fs.h: flush the buffer cache of a block device
_WINDOW_BYTES = 256 << 20
#: File systems whose O_DIRECT reads come from the device whatever is cached or mapped (tried; vfat and exfat by docs).
_DIRECT = frozenset({"ext4", "xfs", "vfat", "exfat", "f2fs"})
_MEMORY = frozenset({"tmpfs", "ramfs"})


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of /proc/self/mountinfo (proc(5)): its number now, where, of which device (`major:minor`), type, from
    what."""

    number: int
    point: str
    device: str
    kind: str
    source: str


@dataclass(frozen=True, slots=True)
class ReadBack:
    """One file read again: its digest; whether it surely came from the medium; the reason where that is not sure."""

    digest: Digest
    evicted: bool
    reason: str = ""


def mounts() -> tuple[Mount, ...]:
    """The mounts that this process sees, in the kernel's order. Empty where the kernel does not list them."""
    with suppress(OSError):
        return mounts_in(Path("/proc/self/mountinfo").read_text("utf-8", "surrogateescape"))
    return ()


def mounts_in(text: str) -> tuple[Mount, ...]:
    """The mounts in a mountinfo's text, up to the first line that is not one."""
    found = []
    with suppress(ValueError, IndexError):
        for line in text.splitlines():
            left, _, right = line.partition(" - ")
            words, rest = left.split(" "), right.split(" ")
            found.append(Mount(int(words[0]), _unescaped(words[4]), words[2], rest[0], _unescaped(rest[1])))
    return tuple(found)


def mount_of(path: Path) -> Mount | None:
    """The mount that holds `path`; None where that is not known."""
    real = os.path.realpath(path)
    best: Mount | None = None
    for mount in mounts():
        inside = real == mount.point or real.startswith(mount.point.rstrip("/") + "/")
        if inside and (best is None or len(mount.point) >= len(best.point)):  # of two on one point the later is seen
            best = mount
    return best


def _unescaped(text: str) -> str:
    for escape, char in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
        text = text.replace(escape, char)
    return text


def flush_device(mount: Mount | None) -> bool:
    """Drop the kernel's cache of the block device below a program's mount (FUSE, root); False where it was not done.

    Elsewhere it is not needed, and would sync the whole file system.
    """
    if mount is None or not mount.kind.startswith("fuse") or not mount.source.startswith("/dev/"):
        return False
    try:
        fd = os.open(mount.source, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        os.fsync(fd)
        fcntl.ioctl(fd, _BLKFLSBUF, 0)
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        return True
    except OSError:
        return False
    finally:
        os.close(fd)


def resident(fd: int, size: int) -> bool:
    """True when some page of the file is in memory, or that is not known (mincore(2) answers only owners and writers).

    No page is touched, so a medium that is pulled out does no harm. Raises nothing.
    """
    import ctypes

    if size == 0:
        return False
    libc = ctypes.CDLL(None, use_errno=True)
    libc.mmap.restype = ctypes.c_void_p
    libc.mmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int, ctypes.c_int, ctypes.c_int, ctypes.c_int64]
    libc.munmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t]
    libc.mincore.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_char_p]
    page = mmap.PAGESIZE
    for start in range(0, size, _WINDOW_BYTES):
        length = min(_WINDOW_BYTES, size - start)
        at = libc.mmap(None, length, mmap.PROT_READ, mmap.MAP_SHARED, fd, start)
        if at in {None, ctypes.c_void_p(-1).value}:
            return True
        pages = ctypes.create_string_buffer((length + page - 1) // page)
        failed = libc.mincore(at, length, pages) != 0
        libc.munmap(at, length)
        if failed or any(byte & 1 for byte in pages.raw[: (length + page - 1) // page]):
            return True
    return False


def evict(fd: int) -> None:
    """Sync a file and drop its cached pages. Raises OSError when the sync fails; advice may be refused in silence."""
    os.fsync(fd)
    with suppress(OSError):
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)


def read_back(
    folder: int,
    name: str,
    *,
    algorithms: Sequence[str],
    flushed: bool,
    on_bytes: Callable[[int], None] | None = None,
    stop: Stop | None = None,
) -> ReadBack:
    """Read the file `name` in the open folder from the medium, as far as that is possible.

    `flushed` says that the buffers of the device were dropped (`flush_device`). Raises OSError when it cannot be read,
    StoppedError when `stop` was set.
    """
    fd = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK, dir_fd=folder)
    try:
        kind = describe_fd(fd)
        evict(fd)
        left = resident(fd, os.fstat(fd).st_size)
        direct = _directly(folder, name)
        try:
            digest = _read(fd if direct is None else direct, fd, algorithms, on_bytes, stop or Stop())
        finally:
            if direct is not None:
                os.close(direct)
        with suppress(OSError):  # nobody needs these pages soon
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        with suppress(OSError):  # of a device that is gone
            os.close(fd)
    reason = _doubt(kind, left=left, direct=direct is not None, flushed=flushed)
    return ReadBack(digest, not reason, reason)


def _doubt(kind: FsKind, *, left: bool, direct: bool, flushed: bool) -> str:
    if kind.name in _MEMORY:
        return f"{kind.name} is memory, not a medium"
    if kind.network:
        return f"{kind.name}: another machine's cache cannot be looked into"
    if kind.name.startswith("fuse") and not flushed:
        return "a program (FUSE) is in between; its cache cannot be dropped without root"
    if left and not (direct and kind.name in _DIRECT):
        return "some of it stayed in memory: another program may have it open"
    return ""


def _directly(folder: int, name: str) -> int | None:
    """A descriptor that reads past the page cache; None where the file system has no such thing."""
    try:
        return os.open(name, os.O_RDONLY | os.O_DIRECT | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
    except OSError as e:
        if e.errno in {errno.EINVAL, errno.EOPNOTSUPP}:
            return None
        raise


def _read(fd: int, plain: int, algorithms: Sequence[str], on_bytes: Callable[[int], None] | None, stop: Stop) -> Digest:
    """Read to the end into a page-aligned buffer; after a short read, which ends the alignment, `plain` is read."""
    hashes = {name: hashlib.new(name) for name in dict.fromkeys(algorithms)}
    done = 0
    with mmap.mmap(-1, BLOCK_BYTES) as buffer, memoryview(buffer) as view:
        while True:
            stop.check()
            try:
                count = os.preadv(fd, [view], done)
            except OSError as e:
                if e.errno != errno.EINVAL or fd == plain:
                    raise
                fd = plain  # opened for direct reading, and cannot do it
                continue
            if not count:
                break
            for digest in hashes.values():
                digest.update(view[:count])
            done += count
            if on_bytes is not None:
                on_bytes(count)
            if done % mmap.PAGESIZE:
                fd = plain
    return Digest(done, {name: digest.hexdigest() for name, digest in hashes.items()})
