"""The safe walk: every entry below a folder that the user named, without following a link out of it.

Rules: each folder below the root is opened by descriptor (O_DIRECTORY | O_NOFOLLOW), so a folder that is swapped
for a link in the middle of the walk leads nowhere; only `stat` decides what an entry is, nothing is opened to find out,
so a FIFO cannot hang the walk; a folder that cannot be read is an entry of its own kind and never an exception; the
order is by name, so that two walks of one tree are alike; depth and number of entries are bounded.
"""

from __future__ import annotations

import errno
import os
import stat as stat_bits
from collections.abc import Collection, Iterator
from dataclasses import field
from enum import StrEnum
from pathlib import Path

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.frozen import dataclass
from bundlekeeper.store.disk.filesystem import describe_fd

MAX_ENTRIES = 200_000  # files and other entries that one walk reports before it reports that there are more
MAX_DEPTH = 32  # folders inside each other; each costs one open descriptor

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
_LEAF = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC


class EntryKind(StrEnum):
    """What is under a name."""

    FILE = "file"
    SYMLINK = "symlink"
    FIFO = "fifo"
    SOCKET = "socket"
    DEVICE = "device"
    DIR_UNREADABLE = "dir-unreadable"  # a folder that could not be opened or listed to its end
    UNREADABLE = "unreadable"  # listed, but stat fails
    VANISHED = "vanished"  # listed, but gone when it was looked at
    LOOP = "loop"  # a folder that is its own ancestor (a bind mount)
    LIMIT = "limit"  # there is more here than the walk may report


#: The words for each kind in a sentence.
WORDS: dict[EntryKind, str] = {
    EntryKind.FILE: "a regular file",
    EntryKind.SYMLINK: "a symbolic link",
    EntryKind.FIFO: "a named pipe",
    EntryKind.SOCKET: "a socket",
    EntryKind.DEVICE: "a device",
    EntryKind.DIR_UNREADABLE: "a folder that cannot be read",
    EntryKind.UNREADABLE: "an entry that cannot be looked at",
    EntryKind.VANISHED: "an entry that vanished",
    EntryKind.LOOP: "a folder that contains itself",
    EntryKind.LIMIT: "more than is looked at",
}


@dataclass(frozen=True, slots=True)
class _Root:
    path: Path
    device: int
    inode: int


@dataclass(slots=True)
class WalkEntry:
    """One entry below the root: `path` is relative and posix (undecodable bytes as PEP 383 surrogates).

    `stat` is what lstat said during the walk, None where it could not be asked; `message` is the reason for the kinds
    that are failures.
    """

    path: str
    kind: EntryKind
    stat: os.stat_result | None
    message: str = ""
    _root: _Root | None = field(default=None, repr=False)

    @property
    def name(self) -> str:
        """The last component."""
        return self.path.rpartition("/")[2]

    @property
    def size(self) -> int:
        """Bytes, as lstat said; 0 where it could not be asked."""
        return self.stat.st_size if self.stat is not None else 0

    def open(self) -> int:
        """Return a new read-only descriptor of the very file that the walk saw; the caller closes it.

        Walks again from the root by descriptor and insists on a regular file with the same device and inode (on a
        file system whose inodes are made up, on a regular file). Raises OSError, which the pool of readers records
        for this file: ESTALE when another file or another root is in its place.
        """
        root = self._root
        if root is None or self.stat is None:
            raise OSError(errno.EINVAL, "nothing to open")
        *parents, name = self.path.split("/")
        folder = os.open(root.path, _FOLDER)
        try:
            if not _is(os.fstat(folder), root.device, root.inode):
                raise OSError(errno.ESTALE, "another folder is in the root's place")
            for part in parents:
                below = os.open(part, _FOLDER | os.O_NOFOLLOW, dir_fd=folder)
                os.close(folder)
                folder = below
            fd = os.open(name, _LEAF, dir_fd=folder)
        finally:
            os.close(folder)
        try:
            now = os.fstat(fd)
            if not stat_bits.S_ISREG(now.st_mode):
                raise OSError(errno.ESTALE, "it is no regular file any more")
            same = _is(now, self.stat.st_dev, self.stat.st_ino)
            if not same and describe_fd(fd).stable_identity:
                raise OSError(errno.ESTALE, "another file is in its place")
        except BaseException:
            os.close(fd)
            raise
        return fd


def _is(found: os.stat_result, device: int, inode: int) -> bool:
    return found.st_dev == device and found.st_ino == inode


def walk(
    root: Path, *, max_entries: int = MAX_ENTRIES, max_depth: int = MAX_DEPTH, skip: Collection[str] = ()
) -> Iterator[WalkEntry]:
    """Yield every entry below `root` that is no folder, and each folder that could not be looked into.

    `root` itself may be a link: the user named it. `skip` has paths, relative to the root, that are passed over.
    Raises, before the first entry, InputError when `root` does not exist or is no folder, UnfinishedError when it
    cannot be opened.
    """
    try:
        fd = os.open(root, _FOLDER)
    except (FileNotFoundError, NotADirectoryError) as e:
        raise InputError(f"{root} is no folder", hint="name a folder that exists", where=str(root)) from e
    except OSError as e:
        raise UnfinishedError(f"{root} cannot be opened: {e.strerror}", where=str(root)) from e
    try:
        seen = os.fstat(fd)
        state = _Walk(_Root(root, seen.st_dev, seen.st_ino), max_entries, max_depth, frozenset(skip))
        yield from state.folder(fd, "", ((seen.st_dev, seen.st_ino),))
    finally:
        os.close(fd)


class _Walk:
    """One walk: its bounds and what it has counted."""

    def __init__(self, root: _Root, max_entries: int, max_depth: int, skip: frozenset[str]) -> None:
        self.root = root
        self.left = max_entries
        self.max_depth = max_depth
        self.skip = skip

    def folder(self, fd: int, prefix: str, above: tuple[tuple[int, int], ...]) -> Iterator[WalkEntry]:
        """Yield the entries of the open folder `fd`; `above` has device and inode of it and of its ancestors."""
        for name, found, message in self._children(fd):
            path = prefix + name
            if self.skip and path in self.skip:
                continue
            if self.left <= 0:
                yield WalkEntry(
                    prefix.rstrip("/") or ".", EntryKind.LIMIT, None, "too many entries; the rest was not looked at"
                )
                return
            if not name:
                yield WalkEntry(prefix.rstrip("/") or ".", EntryKind.DIR_UNREADABLE, None, message)
            elif found is None:
                yield WalkEntry(path, EntryKind.UNREADABLE if message else EntryKind.VANISHED, None, message)
            elif stat_bits.S_ISDIR(found.st_mode):
                yield from self._below(fd, name, path, found, above)
                if self.left <= 0:
                    return
                continue
            else:
                yield WalkEntry(path, _kind(found.st_mode), found, "", self.root)
            self.left -= 1

    def _children(self, fd: int) -> list[tuple[str, os.stat_result | None, str]]:
        """Name, lstat and why lstat failed (empty: it is gone) of each child.

        A listing that broke off ends with an empty name and the reason.
        """
        rows: list[tuple[str, os.stat_result | None, str]] = []
        broken = ""
        try:
            with os.scandir(fd) as listing:
                for child in listing:
                    try:
                        rows.append((child.name, child.stat(follow_symlinks=False), ""))
                    except FileNotFoundError:
                        rows.append((child.name, None, ""))
                    except OSError as e:
                        rows.append((child.name, None, e.strerror or "unknown error"))
                    if len(rows) > self.left:
                        break
        except OSError as e:
            broken = e.strerror or "unknown error"
        rows.sort()  # by name: no two children share one
        if broken:
            rows.append(("", None, broken))
        return rows

    def _below(
        self, fd: int, name: str, path: str, found: os.stat_result, above: tuple[tuple[int, int], ...]
    ) -> Iterator[WalkEntry]:
        here = (found.st_dev, found.st_ino)
        refused: tuple[EntryKind, str] | None = None
        if here in above:
            refused = EntryKind.LOOP, "the folder contains itself"
        elif len(above) > self.max_depth:
            refused = EntryKind.LIMIT, f"more than {self.max_depth} folders inside each other; not looked into"
        else:
            try:
                below = os.open(name, _FOLDER | os.O_NOFOLLOW, dir_fd=fd)
            except OSError as e:
                gone = e.errno in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP)  # replaced since it was listed
                refused = EntryKind.VANISHED if gone else EntryKind.DIR_UNREADABLE, e.strerror or "unknown error"
        if refused is not None:
            self.left -= 1
            yield WalkEntry(path, refused[0], found, refused[1])
            return
        try:
            yield from self.folder(below, path + "/", (*above, here))
        finally:
            os.close(below)


def _kind(mode: int) -> EntryKind:
    if stat_bits.S_ISREG(mode):
        return EntryKind.FILE
    if stat_bits.S_ISLNK(mode):
        return EntryKind.SYMLINK
    if stat_bits.S_ISFIFO(mode):
        return EntryKind.FIFO
    return EntryKind.SOCKET if stat_bits.S_ISSOCK(mode) else EntryKind.DEVICE
