"""Where bundles come from: the Protocol that a folder and a mirror share, and the folder.

Rules: a source only offers files, the store decides; the bytes that are kept are the bytes that were hashed, in one
read; what happens to the source while it is read is reported; a failure of the source is a `SourceError`, a failure of
the store is not; no link below the folder that the user named is followed.
"""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal, Protocol

from bundlekeeper.errors import KeeperError, UnfinishedError
from bundlekeeper.store.disk import walk
from bundlekeeper.store.disk.temp_files import Incoming, Temp
from bundlekeeper.store.signatures.sidecar_files import SignatureFile, nearest, of_entry
from bundlekeeper.verification.hashing.door import SHA256, copy_fd, digest_fd
from bundlekeeper.verification.hashing.read import Digest, Stop, TargetError, TooLong

Link = Literal["none", "reflink", "hard"]

_Identity = tuple[int, int, int, int]

_FICLONE = 0x40049409  # linux/fs.h: _IOW(0x94, 9, int); ioctl_ficlone(2)
_NO_CLONE = {errno.EOPNOTSUPP, errno.EXDEV, errno.EINVAL, errno.ENOTTY, errno.ENOSYS, errno.EPERM, errno.ETXTBSY}
_NO_LINK = {errno.EXDEV, errno.EPERM, errno.EMLINK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EACCES, errno.ENOENT}


class SourceError(UnfinishedError):
    """A source could not give the whole of a file; nothing is known about its bytes, and the rest may go on."""


@dataclass(frozen=True, slots=True)
class WantedFile:
    """One bundle that is looked for: its published name, its size in bytes, its SHA-256 (lower case).

    `signature` is the name of its signature's file, empty where its manifest states none; `settled` says that the store
    has it and relies on that: files of its name and size count as it, and are not read to look for another.
    """

    name: str
    size: int
    sha256: str
    signature: str = ""
    settled: bool = False


@dataclass(frozen=True, slots=True)
class FileOffer:
    """One file that may be the wanted one.

    `place` is a path or an address for people, without secrets; `named` is True where it has the published name;
    `size` in bytes is what the source states before the read, None where it states none; `ref` is the source's own.
    """

    place: str
    name: str
    size: int | None
    named: bool
    ref: object = None


def _nothing() -> Iterator[FileOffer]:
    return iter(())


@dataclass(frozen=True, slots=True)
class FoundFile:
    """What a source has for one bundle: files of its name, the likeliest first, and sentences on what it cannot give.

    `others` counts the files of its size under other names. They are as many for every bundle of that size, so they are
    offered only when they are asked for, by `look`: those first that are known to be right, none that is known to be
    wrong. `passed` counts those of them that have the name of a settled bundle and are not offered.
    """

    offers: tuple[FileOffer, ...] = ()
    obstacles: tuple[str, ...] = ()
    others: int = 0
    passed: int = 0
    look: Callable[[], Iterator[FileOffer]] = _nothing

    def every(self) -> Iterator[FileOffer]:
        """All that may be the bundle, one after the other."""
        yield from self.offers
        yield from self.look()


@dataclass(frozen=True, slots=True)
class Fetched:
    """One file that was fetched: the temporary file with exactly the bytes of `digest`, and how it came.

    `way_in` is "copy", "reflink", "hard-link" or "download"; `note` says for people why it did not come as asked;
    `changed` is True where the source changed while it was read, so that its bytes may be a mixture.
    """

    temp: Temp
    digest: Digest
    way_in: str
    note: str = ""
    changed: bool = False


class BundleSource(Protocol):
    """Somewhere bundles can be had."""

    @property
    def place(self) -> str:
        """Where it is, for people, without secrets."""

    @property
    def host(self) -> str:
        """The server that files come from, where several may be fetched at a time, each in a thread of its own.

        Empty where one after the other is best.
        """

    def close(self) -> None:
        """Close what stays open between two calls; a later call opens it again."""

    def survey(self, wanted: Sequence[WantedFile]) -> tuple[str, ...]:
        """Look once for all wanted files; called before `find`. Returns sentences on what could not be looked at.

        Raises InputError when the source does not exist, UnfinishedError when it cannot be reached.
        """

    def find(self, wanted: WantedFile) -> FoundFile:
        """What there is for one of the surveyed bundles."""

    def signature(self, wanted: WantedFile, offer: FileOffer | None) -> SignatureFile:
        """The bundle's signature: beside the offer where there is one, else anywhere. Raises nothing but InputError."""

    def fetch(
        self,
        offer: FileOffer,
        wanted: WantedFile,
        incoming: Incoming,
        *,
        limit: int,
        link: Link,
        on_bytes: Callable[[int], None],
        stop: Stop | None,
        algorithms: Sequence[str] = SHA256,
    ) -> Fetched:
        """Bring one offer into a temporary file, hashed in the same pass; the caller closes `Fetched.temp`.

        `algorithms` are the digests to compute, SHA-256 among them.
        Raises TooLong when more than `limit` bytes came, SourceError when the source failed, StoppedError when
        `stop` was set, OSError when the store's side failed. On every failure the temporary file is gone, or kept
        only so that a later run can resume it.
        """


class FolderSource:
    """A local folder, with all folders in it."""

    def __init__(self, root: Path, *, but: Path | None = None) -> None:
        """`root` is the folder; `but` a folder inside it that is passed over (the store's own)."""
        self._root = root
        self._but = but
        self._named: dict[str, list[walk.WalkEntry]] = {}
        self._signatures: dict[str, list[walk.WalkEntry]] = {}
        # By size and then by file, since two names of one file are read once: what was not read yet.
        self._unread: dict[int, dict[_Identity, list[walk.WalkEntry]]] = {}
        self._read: dict[str, list[walk.WalkEntry]] = {}  # by digest
        self._settled: frozenset[tuple[str, int]] = frozenset()  # name and size
        self._counts: dict[int, tuple[int, int]] = {}  # by size: files to be offered, files passed over

    @property
    def place(self) -> str:
        """The folder's path."""
        return str(self._root)

    @property
    def host(self) -> str:
        """Empty: a disk is fastest with one file after the other."""
        return ""

    def close(self) -> None:
        """Nothing: nothing is held open."""

    def survey(self, wanted: Sequence[WantedFile]) -> tuple[str, ...]:
        """Walk the folder once and note every file of a wanted name or size. Raises InputError, UnfinishedError."""
        names, sizes = {w.name for w in wanted}, {w.size for w in wanted}
        self._named, self._unread, self._read = {name: [] for name in names}, {size: {} for size in sizes}, {}
        self._counts = dict.fromkeys(sizes, (0, 0))
        self._settled = frozenset((w.name, w.size) for w in wanted if w.settled)
        self._signatures = {w.signature: [] for w in wanted if w.signature}
        unseen = []
        for entry in walk.walk(self._root, skip=self._skip()):
            if entry.name in names:
                self._named[entry.name].append(entry)
            if entry.name in self._signatures:
                self._signatures[entry.name].append(entry)
            if entry.kind is walk.EntryKind.FILE and entry.stat is not None and entry.size in sizes:
                offered, passed = self._counts[entry.size]
                if (entry.name, entry.size) in self._settled:
                    self._counts[entry.size] = offered, passed + 1
                else:
                    self._counts[entry.size] = offered + 1, passed
                    self._unread[entry.size].setdefault(_identity(entry.stat), []).append(entry)
            if entry.kind in {walk.EntryKind.DIR_UNREADABLE, walk.EntryKind.UNREADABLE, walk.EntryKind.LIMIT}:
                unseen.append(f"{self._path(entry)}: {entry.message}")
        return tuple(unseen)

    def _skip(self) -> tuple[str, ...]:
        if self._but is None:
            return ()
        root, but = os.path.realpath(self._root), os.path.realpath(self._but)
        inside = os.path.commonpath((root, but)) == root and root != but
        return (os.path.relpath(but, root),) if inside else ()

    def _path(self, entry: walk.WalkEntry) -> str:
        return f"{self._root}/{entry.path}"

    def find(self, wanted: WantedFile) -> FoundFile:
        """Files of the name, those of the right size first; files of the size under other names when asked for."""
        named = self._named.get(wanted.name, ())
        good = sorted(
            (entry for entry in named if entry.kind is walk.EntryKind.FILE), key=lambda e: e.size != wanted.size
        )
        offers = tuple(self._offer(entry, True) for entry in good)
        bad = tuple(
            f"{self._path(entry)} is {walk.WORDS[entry.kind]}"
            for entry in named
            if entry.kind is not walk.EntryKind.FILE
        )
        others, passed = self._counts.get(wanted.size, (0, 0))
        own = sum(entry.size == wanted.size for entry in good)
        if (wanted.name, wanted.size) in self._settled:  # another bundle, settled, has the same name
            return FoundFile(offers, bad, others, passed - own, partial(self._look, wanted))
        return FoundFile(offers, bad, others - own, passed, partial(self._look, wanted))

    def _look(self, wanted: WantedFile) -> Iterator[FileOffer]:
        unread = self._unread.get(wanted.size, {})
        for entry in self._read.get(wanted.sha256, ()):
            if entry.name != wanted.name:
                yield self._offer(entry, False)
        for key in list(unread):
            for entry in unread.get(key, ()):
                if entry.name != wanted.name and key in unread:
                    yield self._offer(entry, False)

    def signature(self, wanted: WantedFile, offer: FileOffer | None) -> SignatureFile:
        """The signature in the offer's folder, else the first of its name."""
        path = _entry(offer).path if offer is not None else ""
        entry = nearest(path, self._signatures.get(wanted.signature, ()))
        return of_entry(entry, self._path(entry) if entry is not None else "")

    def _offer(self, entry: walk.WalkEntry, named: bool) -> FileOffer:
        return FileOffer(self._path(entry), entry.name, entry.size, named, entry)

    def _remember(self, status: os.stat_result, sha256: str) -> None:
        """The file's bytes are known: it is no longer a candidate for a bundle with other bytes."""
        entries = self._unread.get(status.st_size, {}).pop(_identity(status), None)
        if entries:
            self._read.setdefault(sha256, []).extend(entries)

    def fetch(
        self,
        offer: FileOffer,
        wanted: WantedFile,
        incoming: Incoming,
        *,
        limit: int,
        link: Link,
        on_bytes: Callable[[int], None],
        stop: Stop | None,
        algorithms: Sequence[str] = SHA256,
    ) -> Fetched:
        """Bring the file in. Raises as `BundleSource.fetch`."""
        try:
            fd = _entry(offer).open()
        except (OSError, KeeperError) as error:
            raise _source_error(error, offer) from error
        try:
            fetched = _bring(
                fd, incoming, offer, limit=limit, link=link, on_bytes=on_bytes, stop=stop, algorithms=algorithms
            )
            if not fetched.changed:
                self._remember(os.fstat(fd), fetched.digest.sha256)
            return fetched
        finally:
            with suppress(OSError):  # of a device that is gone; what was found before is still right
                os.close(fd)


def _entry(offer: FileOffer) -> walk.WalkEntry:
    if not isinstance(offer.ref, walk.WalkEntry):
        raise TypeError("an offer of another source")
    return offer.ref


def _identity(status: os.stat_result) -> _Identity:
    return status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns


def _source_error(error: Exception, offer: FileOffer) -> SourceError:
    reason = (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
    return SourceError(f"{offer.place}: {reason}", where=offer.place)


def _bring(
    fd: int,
    incoming: Incoming,
    offer: FileOffer,
    *,
    limit: int,
    link: Link,
    on_bytes: Callable[[int], None],
    stop: Stop | None,
    algorithms: Sequence[str],
) -> Fetched:
    temp, way_in, note = _target(fd, incoming, link)
    try:
        before = os.fstat(fd)
        if before.st_size > limit:
            raise TooLong(f"{before.st_size} bytes, more than {limit}")
        try:
            if way_in == "copy":
                digest = copy_fd(
                    fd,
                    temp.fd,
                    algorithms=algorithms,
                    limit=limit,
                    size_hint=before.st_size,
                    on_bytes=on_bytes,
                    stop=stop,
                )
            else:
                bounded = _bounded(on_bytes, limit)
                digest = digest_fd(
                    temp.fd, algorithms=algorithms, size_hint=before.st_size, on_bytes=bounded, stop=stop
                )
        except TargetError:
            raise
        except OSError as error:
            raise _source_error(error, offer) from error
        # A clone is ours alone from the first moment; later changes of its source do not matter.
        changed = way_in != "reflink" and _differs(before, os.fstat(fd))
        return Fetched(temp, digest, way_in, note, changed)
    except BaseException:
        temp.close()
        raise


def _bounded(on_bytes: Callable[[int], None], limit: int) -> Callable[[int], None]:
    """`on_bytes` that ends a read of a file which grows without end."""
    left = limit

    def bounded(count: int) -> None:
        nonlocal left
        left -= count
        if left < 0:
            raise TooLong(f"more than {limit} bytes came")
        on_bytes(count)

    return bounded


def _differs(before: os.stat_result, after: os.stat_result) -> bool:
    return any(
        getattr(before, key) != getattr(after, key) for key in ("st_size", "st_mtime_ns", "st_ctime_ns", "st_ino")
    )


def _target(fd: int, incoming: Incoming, link: Link) -> tuple[Temp, str, str]:
    """The temporary file, how the bytes come into it, and a note where that is not as asked."""
    if link == "hard":
        try:
            return incoming.linked(fd), "hard-link", ""
        except OSError as error:
            if error.errno not in _NO_LINK:
                raise
            return incoming.temp(), "copy", f"copied: a hard link is not possible here ({error.strerror})"
    temp = incoming.temp()
    if link == "none":
        return temp, "copy", ""
    try:
        fcntl.ioctl(temp.fd, _FICLONE, fd)
    except OSError as error:
        if error.errno not in _NO_CLONE:
            temp.close()
            raise
        return temp, "copy", f"copied: a reflink is not possible here ({error.strerror})"
    return temp, "reflink", ""
