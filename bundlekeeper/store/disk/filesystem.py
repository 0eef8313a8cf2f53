"""What kind of file system a path is on, and whether `stat` can be relied on there.

Rules: a kind that is not in the table is unknown, and unknown is never stable; a question that the kernel does not
answer makes the kind unknown and never an exception. `stable_identity` says that every change to a file's bytes, by
whatever way a process can make one, shows in its ctime, and that its inode number stays the same.

Numbers: linux/magic.h and statfs(2). Judgements:

* ext2/3/4, xfs, btrfs, f2fs, jfs, bcachefs, zfs: inode and ctime are kept by the kernel, a write through a memory map
  is noticed at its first page fault (page_mkwrite). Tried on ext4.
* tmpfs, ramfs: not stable. A write through a memory map never shows in the ctime there (tried on Linux 6.18).
* FAT, exFAT, NTFS, HFS, ISO 9660, UDF: inode numbers are made up, times are coarse or absent, or the medium can be
  exchanged under the same numbers.
* FUSE, NFS, SMB, 9p, Ceph and the like: attributes are cached, or made up by a program elsewhere.
* overlay: as stable as the layer that is written to; where that layer cannot be seen from here (in a container) it
  counts as stable, because overlayfs refuses network file systems as the upper layer.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bundlekeeper.frozen import dataclass

if TYPE_CHECKING:
    import ctypes


@dataclass(frozen=True, slots=True)
class FsKind:
    """The kind of a file system: `name` for people, what may be relied on, and `reason` where identity is not stable.

    `links` is True where hard links are known to exist.
    """

    name: str
    stable_identity: bool
    network: bool
    links: bool
    reason: str = ""


_MADE_UP = "its inode numbers are made up and its times are coarse"
_REMOTE = "attributes of a network file system are cached"
_MAPPED = "writes through a memory map leave no trace in its times"
_MEDIUM = "the medium can be exchanged under the same numbers"
_PROGRAM = "a program answers for it, nothing is known about its inode numbers and times"


def _stable(name: str) -> FsKind:
    return FsKind(name, True, False, True)


def _loose(name: str, reason: str, *, network: bool = False, links: bool = False) -> FsKind:
    return FsKind(name, False, network, links, reason)


UNKNOWN = _loose("unknown", "the kind of file system is unknown")

#: f_type of statfs(2) to kind. linux/magic.h where not said otherwise.
KINDS: dict[int, FsKind] = {
    0xEF53: _stable("ext4"),  # the same number for ext2 and ext3
    0x58465342: _stable("xfs"),
    0x9123683E: _stable("btrfs"),
    0xF2F52010: _stable("f2fs"),
    0x3153464A: _stable("jfs"),  # statfs(2)
    0xCA451A4E: _stable("bcachefs"),
    0x2FC12FC1: _stable("zfs"),  # OpenZFS; from memory
    0x794C7630: _stable("overlay"),
    0x01021994: _loose("tmpfs", _MAPPED, links=True),
    0x858458F6: _loose("ramfs", _MAPPED, links=True),
    0x4D44: _loose("vfat", _MADE_UP),
    0x2011BAB0: _loose("exfat", _MADE_UP),
    0x7366746E: _loose("ntfs3", _MADE_UP),  # fs/ntfs3; from memory
    0x5346544E: _loose("ntfs", _MADE_UP),  # statfs(2)
    0x482B: _loose("hfsplus", _MADE_UP),  # from memory
    0x9660: _loose("iso9660", _MEDIUM),
    0x15013346: _loose("udf", _MEDIUM),
    0x73717368: _loose("squashfs", _MEDIUM),
    0xE0F5E1E2: _loose("erofs", _MEDIUM),
    0x65735546: _loose("fuse", _PROGRAM),
    0x6969: _loose("nfs", _REMOTE, network=True, links=True),
    0x517B: _loose("smb", _REMOTE, network=True),
    0xFE534D42: _loose("smb2", _REMOTE, network=True),
    0xFF534D42: _loose("cifs", _REMOTE, network=True),
    0x01021997: _loose("9p", _REMOTE, network=True),
    0x00C36400: _loose("ceph", _REMOTE, network=True),
    0x5346414F: _loose("afs", _REMOTE, network=True),
    0x73757245: _loose("coda", _REMOTE, network=True),
    0x786F4256: _loose("vboxsf", _REMOTE, network=True),  # from memory
    0x0BD00BD0: _loose("lustre", _REMOTE, network=True),  # from memory
}

#: Programs behind FUSE whose other end is another machine; common ones, from memory.
_REMOTE_FUSE = ("sshfs", "smbnetfs", "gvfsd-fuse", "rclone", "s3fs", "davfs", "davfs2", "glusterfs")


def describe(path: str | os.PathLike[str]) -> FsKind:
    """The kind of file system that `path` is on; `UNKNOWN` where that cannot be found out. Follows links."""
    kind = _by_number(lambda libc, buffer: libc.statfs(os.fsencode(path), buffer))
    if kind.name not in ("fuse", "overlay"):
        return kind
    return _refined(kind, os.path.realpath(path))


def describe_fd(fd: int) -> FsKind:
    """The kind of file system that the open file `fd` is on; `UNKNOWN` where that cannot be found out."""
    kind = _by_number(lambda libc, buffer: libc.fstatfs(fd, buffer))
    if kind.name not in ("fuse", "overlay"):
        return kind
    try:
        return _refined(kind, str(Path(f"/proc/self/fd/{fd}").readlink()))
    except OSError:
        return kind


@lru_cache(maxsize=1)
def _libc() -> ctypes.CDLL:
    import ctypes

    return ctypes.CDLL(None, use_errno=True)


def _by_number(ask: Callable[[ctypes.CDLL, Any], int]) -> FsKind:
    if not sys.platform.startswith("linux"):
        return UNKNOWN
    try:
        import ctypes

        buffer = ctypes.create_string_buffer(512)  # struct statfs is 120 bytes or fewer on every Linux
        if ask(_libc(), buffer) != 0:
            return UNKNOWN
        return KINDS.get(_f_type(buffer.raw), UNKNOWN)
    except (ImportError, OSError, AttributeError, ValueError):
        return UNKNOWN


def _f_type(status: bytes) -> int:
    """The first member of struct statfs: a long, but 32 bits wide on s390x (asm/statfs.h); the numbers have 32 bits."""
    wide = sys.byteorder == "big" and sys.maxsize > 2**32 and os.uname().machine != "s390x"
    return int.from_bytes(status[:8] if wide else status[:4], sys.byteorder)


def _refined(kind: FsKind, path: str) -> FsKind:
    """FUSE by the program behind it, overlay by its upper layer, as /proc/self/mountinfo names them (proc(5))."""
    name, options = _mount_of(path)
    if kind.name == "overlay":
        upper = next((o.removeprefix("upperdir=") for o in options.split(",") if o.startswith("upperdir=")), "")
        below = describe(upper) if upper and Path(upper).is_dir() else kind
        if below.stable_identity:
            return kind
        return _loose("overlay", f"its upper layer is {below.name}: {below.reason}", network=below.network, links=True)
    if not name.startswith("fuse"):
        return kind
    remote = name.partition(".")[2] in _REMOTE_FUSE
    return _loose(name, _REMOTE if remote else _PROGRAM, network=remote, links=False)


def _mount_of(path: str) -> tuple[str, str]:
    """File system type and super options of the mount that `path` is on; empty where unknown."""
    best, answer = -1, ("", "")
    try:
        with Path("/proc/self/mountinfo").open(encoding="utf-8", errors="surrogateescape") as lines:
            for line in lines:
                left, _, right = line.partition(" - ")
                point = _unescaped(left.split(" ")[4])
                inside = path == point or path.startswith(point.rstrip("/") + "/")
                if inside and len(point) >= best:  # of two mounts on one point the later one is seen
                    kind, _, rest = right.strip().partition(" ")
                    best, answer = len(point), (kind, rest.rpartition(" ")[2])
    except (OSError, IndexError):
        return "", ""
    return answer


def _unescaped(text: str) -> str:
    """Undo mountinfo's octal escapes of blank, tab, newline and backslash (proc(5))."""
    for escape, char in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
        text = text.replace(escape, char)
    return text
