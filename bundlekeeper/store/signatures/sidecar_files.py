"""The files of signatures: found beside a bundle, read with a limit, kept beside it in the store.

Rules: a signature's file is read through no link and never beyond the limit; absent, something else than a file, too
large and unreadable are four different findings; in the store it is put durably before its bundle and replaces nothing.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Protocol

from bundlekeeper.errors import RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.frozen import dataclass
from bundlekeeper.store.database.rows import Stated
from bundlekeeper.store.disk import files
from bundlekeeper.store.disk.temp_files import Incoming
from bundlekeeper.store.disk.walk import WORDS, EntryKind, WalkEntry

SUFFIX = ".sig"  # of the signature of a document of ours


class FoundSignature(Protocol):
    """A bundle with its place inside a store and what its manifest states about a signature."""

    @property
    def place(self) -> str:
        """The path inside the store."""

    @property
    def signature(self) -> Stated | None:
        """What the manifest states."""


@dataclass(frozen=True, slots=True)
class SignatureFile:
    """The bytes of a signature's file, or None and why; `trouble` is empty where nothing is there.

    `code` is that of the finding which `trouble` makes.
    """

    data: bytes | None = None
    place: str = ""
    trouble: str = ""
    code: str = "unsigned"


ABSENT = SignatureFile()


def too_large(place: str) -> SignatureFile:
    """The result for a file that is larger than any signature."""
    return SignatureFile(
        None, place, f"the signature {place} is larger than {limits.SIGNATURE_BYTES} bytes", "bad-signature"
    )


def unreadable(place: str, reason: str) -> SignatureFile:
    """The result for a file that is there and could not be read."""
    return SignatureFile(None, place, f"the signature {place} could not be read: {reason}", "not-checked")


def of_entry(entry: WalkEntry | None, place: str = "") -> SignatureFile:
    """The signature in what a walk found, None for nothing; `place` names it in messages. Raises nothing."""
    if entry is None:
        return ABSENT
    place = place or entry.path
    if entry.kind is not EntryKind.FILE:
        return SignatureFile(None, place, f"the signature {place} is {WORDS[entry.kind]}, not a file")
    if entry.size > limits.SIGNATURE_BYTES:
        return too_large(place)
    try:
        with os.fdopen(entry.open(), "rb") as file:
            data = file.read(limits.SIGNATURE_BYTES + 1)
    except OSError as error:
        return unreadable(place, error.strerror or str(error))
    return SignatureFile(data, place) if len(data) <= limits.SIGNATURE_BYTES else too_large(place)


def nearest(path: str, named: Sequence[WalkEntry]) -> WalkEntry | None:
    """Of the entries with a signature's name, that in the folder of `path`, else the first, files before all else."""
    folder = path.rpartition("/")[0]
    beside = [entry for entry in named if entry.path.rpartition("/")[0] == folder]
    return min(beside or named, key=lambda entry: entry.kind is not EntryKind.FILE, default=None)


def place_of(signed: FoundSignature) -> str:
    """Where the store keeps the signature of a bundle; empty where its manifest states none."""
    name = signed.signature.file if signed.signature is not None else ""
    return f"{signed.place.rpartition('/')[0]}/{name}" if name else ""


def in_store(root: int, place: str) -> SignatureFile:
    """The signature at `place` (relative, posix; empty for none) inside the store. Raises nothing."""
    if not place:
        return ABSENT
    *parents, name = place.split("/")
    try:
        with files.folder(root, parents) as folder:
            if os.lstat(name, dir_fd=folder).st_size > limits.SIGNATURE_BYTES:
                return too_large(place)
            return SignatureFile(files.read_bounded(folder, name, limits.SIGNATURE_BYTES), place)
    except FileNotFoundError:
        return ABSENT
    except RefusedError as error:
        return SignatureFile(None, place, error.message)
    except OSError as error:
        return unreadable(place, error.strerror or str(error))


def put(root: int, room: Incoming, place: str, data: bytes) -> bool:
    """Keep a signature at its place, durably; False where something else has the name; that stays.

    Raises OSError, RefusedError.
    """
    *parents, name = place.split("/")
    with files.folder(root, parents, create=True) as folder, room.temp() as temp:
        _write(temp.fd, data)
        try:
            temp.publish(folder, name)
        except FileExistsError:
            return in_store(root, place).data == data
        os.fsync(folder)
    return True


def put_over(root: int, room: Incoming, place: str, data: bytes) -> None:
    """Keep a signature at its place, instead of an older one. Raises OSError, RefusedError."""
    *parents, name = place.split("/")
    with files.folder(root, parents, create=True) as folder, room.named() as temp:
        _write(temp.fd, data)
        os.rename(temp.name, name, src_dir_fd=room.fd, dst_dir_fd=folder)
        os.fsync(folder)


def _write(fd: int, data: bytes) -> None:
    files.write_all(fd, data)
    os.fchmod(fd, files.FILE_MODE)
    os.fsync(fd)
