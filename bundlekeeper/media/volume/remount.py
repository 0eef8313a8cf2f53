"""Whether a volume is read from a medium that was plugged in and mounted again since it was written.

Rules: it is claimed only where it is certain. It must be the same file system, by an id of its own and not of its
place. Either the machine was booted since, or the disk was attached again, by the kernel's count of disks, and mounted
again, by its count of mounts: bind mounts, other namespaces and lazy unmounts keep a file system alive, but not on a
disk that was removed. No file of the volume may be newer than its last one was when it was finished, so that a copy
made under this mount does not count. If one of these is not known, nothing is claimed. Not detected: a medium that was
copied whole, with its file system's id. Sources: statx(2), proc(5), Documentation/ABI/stable/sysfs-block (diskseq,
Linux 5.15); ext4 and btrfs make f_fsid from their UUID (Linux, fs/*/super.c).
"""

from __future__ import annotations

import ctypes
import os
import shutil
import stat
import subprocess
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from bundlekeeper.media.volume.read_back import Mount, mounts

_STATX_MNT_ID_UNIQUE = 0x4000  # linux/stat.h, Linux 6.8
_STX_MNT_ID_AT = 144  # bytes into struct statx (statx(2), linux/stat.h)
_EMPTY_PATH = 0x1000  # AT_EMPTY_PATH: the descriptor itself
_OWN_FSID = frozenset({"ext2", "ext3", "ext4", "btrfs"})
_COARSE_NS = 2_000_000_000  # FAT keeps times by two seconds


class MountState(NamedTuple):
    """The mount and the file system that something is written to or read from; what the kernel does not say is empty.

    `disk` and `mount` are numbers that are never used twice in this `boot`, for attaching a disk or mounting one.
    """

    file_system: str
    boot: str
    disk: str
    mount: str


def look(fd: int) -> MountState:
    """The mount of an open folder. Raises nothing: what is not known is empty."""
    number = _mount_number(fd)
    own = next((mount for mount in mounts() if mount.number == number), None)
    if own is None:
        return MountState("", "", "", "")
    return MountState(_file_system(fd, own), _boot(), _disk(own), _unique(fd))


def mounted_again(written: Iterable[MountState], now: MountState) -> bool:
    """True when this file system, on which the volume was written, was certainly mounted again since."""
    same = [before for before in written if before.file_system == now.file_system]
    if not now.file_system or not same:
        return False
    return all(_mounted_since(before, now) for before in same)


def _mounted_since(before: MountState, now: MountState) -> bool:
    if not before.boot or not now.boot or before.boot != now.boot:
        return bool(before.boot and now.boot)
    pairs = ((before.disk, now.disk), (before.mount, now.mount))
    return all(old and new and old != new for old, new in pairs)


def newest_change(fd: int) -> int:
    """The latest change of a file below an open folder, in nanoseconds since 1970. Raises OSError."""
    newest = 0
    for folder, _, names in os.walk(f"/proc/self/fd/{fd}", onerror=_raise):
        for name in names:
            newest = max(newest, os.lstat(os.path.join(folder, name)).st_ctime_ns)
    return newest


def unchanged(fd: int, finished_ns: int | None) -> bool:
    """True when no file below the folder is newer than it was when the volume was finished. Raises nothing."""
    with suppress(OSError):
        return finished_ns is not None and newest_change(fd) < finished_ns + _COARSE_NS
    return False


def _raise(error: OSError) -> None:
    raise error


def _boot() -> str:
    with suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    return ""


def _unique(fd: int) -> str:
    buffer = ctypes.create_string_buffer(256)
    with suppress(OSError, AttributeError):
        libc = ctypes.CDLL(None, use_errno=True)
        known = libc.statx(fd, b"", _EMPTY_PATH, _STATX_MNT_ID_UNIQUE, buffer) == 0
        if known and int.from_bytes(buffer.raw[:4], "little") & _STATX_MNT_ID_UNIQUE:
            return str(int.from_bytes(buffer.raw[_STX_MNT_ID_AT : _STX_MNT_ID_AT + 8], "little"))
    return ""


def _disk(own: Mount) -> str:
    """The number that the disk got when it was attached, or its medium inserted."""
    with suppress(OSError):
        device = _device(own)
        folder = f"/sys/dev/block/{os.major(device)}:{os.minor(device)}"
        for path in (f"{folder}/diskseq", f"{folder}/../diskseq"):  # a partition's is its disk's
            with suppress(FileNotFoundError, NotADirectoryError):
                return Path(path).read_text("ascii").strip()
    return ""


def _device(own: Mount) -> int:
    """The block device below a mount; 0 where there is none. Raises OSError."""
    if not own.source.startswith("/dev/"):
        return 0
    found = Path(own.source).stat()
    return found.st_rdev if stat.S_ISBLK(found.st_mode) else 0


def _mount_number(fd: int) -> int:
    with suppress(OSError, ValueError):
        for line in Path(f"/proc/self/fdinfo/{fd}").read_text("ascii").splitlines():
            if line.startswith("mnt_id:"):
                return int(line.partition(":")[2])
    return -1


def _file_system(fd: int, own: Mount) -> str:
    """An id of this file system alone, wherever it is plugged in; empty where it has none."""
    with suppress(OSError):
        if own.kind in _OWN_FSID:
            return f"{own.kind}:{os.fstatvfs(fd).f_fsid:x}"
        device = _device(own)
        return _uuid(own.source, device) if device else ""
    return ""


def _uuid(source: str, device: int) -> str:
    with suppress(OSError):
        for path in Path("/dev/disk/by-uuid").iterdir():
            with suppress(OSError):
                if path.stat().st_rdev == device:
                    return f"uuid:{path.name}"
    if shutil.which("blkid") is None:
        return ""
    # Where no udev runs: blkid reads the device itself, which needs the right to.
    command = ["blkid", "-c", "/dev/null", "-o", "value", "-s", "UUID", source]
    found = subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip()
    return f"uuid:{found}" if found else ""
