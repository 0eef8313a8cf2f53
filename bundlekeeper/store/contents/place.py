"""Putting a file into its place in the tree, and judging one that is there.

Rules: file, then link, then folder are durable before anything is recorded; a name in use is never
replaced; the fingerprint is read after the last link is made and the temporary name is gone, because each changes the
ctime; a fingerprint is trustworthy only when any later change must show in it.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from bundlekeeper.errors import KeeperError, RefusedError, UnfinishedError
from bundlekeeper.store.contents import unchanged
from bundlekeeper.store.database.rows import BundleFacts, Verification
from bundlekeeper.store.disk import files
from bundlekeeper.store.disk.filesystem import FsKind
from bundlekeeper.store.disk.flush import flushed
from bundlekeeper.store.disk.temp_files import Temp
from bundlekeeper.verification.hashing.door import Digest

_SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class InPlace:
    """A regular file at a place of the store: its folder, its open descriptor and its `stat`."""

    folder: int
    fd: int
    status: os.stat_result


@contextmanager
def in_place(root: int, place: str) -> Iterator[InPlace | None]:
    """The file at `place` (relative, posix), open for reading, or None where there is none.

    Raises RefusedError when something else is there: a link, a FIFO, a file whose name differs by case only; OSError.
    """
    *parents, name = place.split("/")
    try:
        folder = files.open_folder(root, parents)
    except FileNotFoundError:
        yield None
        return
    try:
        try:
            fd = files.open_regular(folder, name)
        except FileNotFoundError:
            yield None
            return
        try:
            if not _is_spelt(folder, name):
                raise RefusedError(
                    f"{place}: a file whose name differs only by case is there",
                    hint="on this file system both names are one; move the other file away",
                    where=place,
                )
            yield InPlace(folder, fd, os.fstat(fd))
        finally:
            os.close(fd)
    finally:
        os.close(folder)


def _is_spelt(folder: int, name: str) -> bool:
    """True when a name that was found is in the folder in just this spelling."""
    other = name.swapcase()
    if name.isascii() and other != name and not files.exists(folder, other):
        return True  # a file system that ignores case had found this one too; listing costs much more
    return name in os.listdir(folder)


@dataclass(frozen=True, slots=True)
class NewFile:
    """A right file without a name in the store: its bundle, its temporary file; `shared` is the source's own, too."""

    facts: BundleFacts
    temp: Temp
    shared: bool


def prepare(new: NewFile) -> None:
    """Give a file of ours mode 0444 and a modification time a second before its link (`verification_of_new`).

    A shared one is left as it is. Raises OSError.
    """
    if not new.shared:
        os.fchmod(new.temp.fd, files.FILE_MODE)
        written = os.fstat(new.temp.fd).st_mtime_ns
        os.utime(new.temp.fd, ns=(written, written - _SECOND_NS))


def put(root: int, new: NewFile) -> os.stat_result:
    """Prepare one file, make it durable and give it its place; return its `stat` from then on.

    Raises FileExistsError when the place is in use, RefusedError, UnfinishedError, OSError; after an error nothing is
    recorded.
    """
    prepare(new)
    (placed,) = put_together(root, [new])
    if isinstance(placed, Exception):
        raise placed
    return placed


def put_together(root: int, new: Sequence[NewFile]) -> list[os.stat_result | OSError | KeeperError]:
    """Make prepared files durable and give them their places: all bytes, then all names, then all folders.

    Returns of each its `stat` from then on, or why it is not durably in its place: FileExistsError where that is in
    use. Raises nothing.
    """
    failed = dict(_failures(range(len(new)), flushed([file.temp.fd for file in new])))
    with ExitStack() as closing:
        folders = _folders(root, new, failed, closing)
        for turn, file in enumerate(new):
            if turn not in failed:
                try:
                    file.temp.publish(folders[file.facts.folder], file.facts.name)
                except OSError as error:
                    failed[turn] = error
        linked = sorted({file.facts.folder for turn, file in enumerate(new) if turn not in failed})
        broken = dict(_failures(linked, flushed([folders[parts] for parts in linked])))
        placed: list[os.stat_result | OSError | KeeperError] = []
        for turn, file in enumerate(new):
            why = failed.get(turn) or broken.get(file.facts.folder)
            placed.append(why or _settled(folders[file.facts.folder], file))
    return placed


_Key = TypeVar("_Key")


def _failures(keys: Iterable[_Key], errors: Iterable[OSError | None]) -> Iterator[tuple[_Key, OSError | KeeperError]]:
    return ((key, error) for key, error in zip(keys, errors, strict=True) if error is not None)


def _folders(
    root: int, new: Sequence[NewFile], failed: dict[int, OSError | KeeperError], closing: ExitStack
) -> dict[tuple[str, ...], int]:
    """Open the files' folders, made where absent and durable in the folders above; adds to `failed` by turn."""
    opened: dict[tuple[str, ...], int] = {(): root}
    above: dict[tuple[str, ...], list[int]] = {}  # the turns of the files below each
    for turn, file in enumerate(new):
        if turn in failed:
            continue
        try:
            for depth, name in enumerate(file.facts.folder):
                parts, parent = file.facts.folder[: depth + 1], file.facts.folder[:depth]
                if parts not in opened:
                    opened[parts] = files.step(opened[parent], name, create=True)
                    closing.callback(os.close, opened[parts])
                above.setdefault(parent, []).append(turn)
        except (OSError, KeeperError) as error:
            failed[turn] = error
    for parent, why in _failures(above, flushed([opened[parent] for parent in above])):
        failed.update((turn, why) for turn in above[parent] if turn not in failed)
    return opened


def _settled(folder: int, file: NewFile) -> os.stat_result | OSError | KeeperError:
    """Drop the temporary name of a file that is durably in its place; its `stat` from then on."""
    file.temp.settle()
    try:
        return _insist(folder, file.facts, file.temp.fd)
    except (OSError, KeeperError) as error:
        return error


def put_again(root: int, facts: BundleFacts, fd: int) -> os.stat_result:
    """Give a file of the store, open as `fd`, a second name; return its `stat` afterwards. Raises as `put`."""
    with files.folder(root, facts.folder, create=True) as folder:
        files.link_fd(fd, folder, facts.name)
        os.fsync(folder)
        return _insist(folder, facts, fd)


def _insist(folder: int, facts: BundleFacts, fd: int) -> os.stat_result:
    here, status = os.lstat(facts.name, dir_fd=folder), os.fstat(fd)
    if (here.st_dev, here.st_ino) != (status.st_dev, status.st_ino):
        raise UnfinishedError("another file is where this one was just put", where=facts.place)
    return here


def verification_of_new(
    digest: Digest, status: os.stat_result, at: datetime, *, shared: bool, kind: FsKind
) -> Verification:
    """The verification of a file that was hashed while it was copied and then linked into place.

    Nobody else could write to it before the link, and a write after the link changes its modification time even within
    the tick of the link's ctime, because `put` set the two apart.
    """
    distinct = abs(status.st_ctime_ns - status.st_mtime_ns) >= _SECOND_NS // 2
    trustworthy = kind.stable_identity and not shared and distinct
    return Verification(digest.sha256, at, files.fingerprint_of(status), trustworthy, extra_of(digest))


def verification_of_read(
    digest: Digest, found: InPlace, at: datetime, began_ns: int | None, *, shared: bool, kind: FsKind
) -> Verification | None:
    """The verification of a file read in place from `unchanged.begin` on; None when it changed meanwhile.

    Raises OSError.
    """
    after = files.fingerprint_of(os.fstat(found.fd))
    if after != files.fingerprint_of(found.status):
        return None
    settled = began_ns is not None and unchanged.is_settled(after, began_ns)
    return Verification(digest.sha256, at, after, kind.stable_identity and not shared and settled, extra_of(digest))


def extra_of(digest: Digest) -> tuple[tuple[str, str], ...]:
    """The digests beyond SHA-256, as a verification keeps them."""
    return tuple(sorted((name, found) for name, found in digest.hexes.items() if name != "sha256"))
