"""Quarantine: bytes that are not what the manifest says are kept, beside a note, and never in a family's folder.

Rules: the name is the bundle's and the first twelve digits of the digest found, so the same wrong file met twice adds
nothing; nothing in quarantine is ever replaced; when quarantine itself fails, that is reported beside the finding and
never instead of it.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime

from bundlekeeper.errors import KeeperError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.frozen import dataclass
from bundlekeeper.store.database.rows import BundleFacts
from bundlekeeper.store.disk import files
from bundlekeeper.store.disk.temp_files import Incoming, Temp

FOLDER = "quarantine"
_DIGITS = 12
_NOTE = ".note.txt"
_NAME_BYTES = 255  # NAME_MAX of the common file systems


@dataclass(frozen=True, slots=True)
class QuarantineReason:
    """What was found instead of a bundle: its size, its SHA-256 (empty when it was not read), from where, and why."""

    facts: BundleFacts
    size: int | None
    sha256: str
    place: str
    reason: str


@dataclass(frozen=True, slots=True)
class QuarantinedBytes:
    """One note of quarantine, by what it says; `place` is inside the store.

    `kept` is False where only the note is there. `when` is None, and a text empty, where the note does not say it.
    """

    place: str
    what: str
    bundle: str
    expected: str
    source: str
    when: datetime | None
    kept: bool

    @property
    def files(self) -> tuple[str, ...]:
        """The places of the bytes and of their note inside the store."""
        return (*([self.place] if self.kept else ()), self.place + _NOTE)


def listed(root: int) -> list[QuarantinedBytes]:
    """What is in quarantine by its notes, by name. Raises UnfinishedError, RefusedError."""
    with files.wrapped("quarantine cannot be read", FOLDER):
        if not files.exists(root, FOLDER):
            return []
        with files.folder(root, (FOLDER,)) as folder:
            return [_noted(folder, name) for name in sorted(os.listdir(folder)) if name.endswith(_NOTE)]


def _noted(folder: int, name: str) -> QuarantinedBytes:
    text = files.read_bounded(folder, name, limits.QUARANTINE_NOTE_BYTES).decode("utf-8", "replace")
    said = {key: value.strip() for key, found, value in (line.partition(":") for line in text.splitlines()) if found}
    when = None
    with suppress(ValueError, KeyError):
        when = datetime.fromisoformat(said["when"])
    kept = name.removesuffix(_NOTE)
    return QuarantinedBytes(
        f"{FOLDER}/{kept}",
        said.get("what", ""),
        said.get("name", ""),
        said.get("expected", "").rpartition("SHA-256 ")[2],
        said.get("from", ""),
        when if when is None or when.tzinfo is not None else None,
        files.exists(folder, kept),
    )


def name_for(name: str, sha256: str, size: int | None = None, *, digits: int = _DIGITS) -> str:
    """The name in quarantine, which leaves space for the note's suffix; without a digest it has the size."""
    tail = f".{sha256[:digits]}" if sha256 else f".size-{'unknown' if size is None else size}"
    room = _NAME_BYTES - len(tail) - len(_NOTE)
    head = os.fsencode(name)[:room].decode("utf-8", "ignore")
    return head + tail


def _free_name(folder: int, wrong: QuarantineReason) -> str:
    """The usual name, or one with the whole digest where other bytes have that name."""
    name = name_for(wrong.facts.name, wrong.sha256, wrong.size)
    if not wrong.sha256 or not files.exists(folder, name) or os.lstat(name, dir_fd=folder).st_size == wrong.size:
        return name
    return name_for(wrong.facts.name, wrong.sha256, wrong.size, digits=len(wrong.sha256))


def keep(root: int, incoming: Incoming, wrong: QuarantineReason, temp: Temp | None, at: datetime) -> tuple[str, str]:
    """Put the bytes (if there are any) and their note into quarantine.

    Returns the place of the bytes inside the store, and a sentence on why they are not there; one of the two is empty.
    Raises nothing.
    """
    try:
        with files.folder(root, (FOLDER,), create=True) as folder:
            name = _free_name(folder, wrong)
            if temp is not None:
                os.fchmod(temp.fd, files.FILE_MODE)
                os.fsync(temp.fd)
                with suppress(FileExistsError):  # the same bytes, kept before
                    temp.publish(folder, name)
            _note(folder, incoming, name, wrong, at, kept=temp is not None)
            os.fsync(folder)
    except (OSError, KeeperError) as error:
        return "", f"and could not be kept in quarantine: {getattr(error, 'strerror', None) or error}"
    if temp is None:
        return "", f"not kept; see {FOLDER}/{name}{_NOTE}"
    return f"{FOLDER}/{name}", ""


def move_in(root: int, incoming: Incoming, folder: int, wrong: QuarantineReason, at: datetime) -> str:
    """Move a file of the store out of its family's folder, under the same rule of names; return its new place.

    The old name goes only when the new one is on the disk. Raises OSError, RefusedError.
    """
    old = wrong.facts.name
    with files.folder(root, (FOLDER,), create=True) as quarantine:
        name = _free_name(quarantine, wrong)
        _note(quarantine, incoming, name, wrong, at, kept=True)
        try:
            os.link(old, name, src_dir_fd=folder, dst_dir_fd=quarantine, follow_symlinks=False)
        except FileExistsError:
            pass  # the same bytes are kept already
        except OSError:
            if files.exists(quarantine, name):
                raise
            os.rename(old, name, src_dir_fd=folder, dst_dir_fd=quarantine)  # no links on this file system
        os.fsync(quarantine)
        files.remove(folder, old)
        os.fsync(folder)
    return f"{FOLDER}/{name}"


def _note(folder: int, incoming: Incoming, name: str, wrong: QuarantineReason, at: datetime, *, kept: bool) -> None:
    if files.exists(folder, name + _NOTE):
        return
    with incoming.temp() as temp:
        files.write_all(temp.fd, _text(wrong, at, kept=kept).encode("utf-8"))
        os.fchmod(temp.fd, files.FILE_MODE)
        os.fsync(temp.fd)
        with suppress(FileExistsError):
            temp.publish(folder, name + _NOTE)


def _text(wrong: QuarantineReason, at: datetime, *, kept: bool) -> str:
    facts = wrong.facts
    rows: Sequence[tuple[str, str]] = (
        ("what", wrong.reason),
        ("name", f"{facts.family} {facts.version}: {facts.name}"),
        ("expected", f"{facts.size} bytes, SHA-256 {facts.sha256}"),
        ("found", f"{'unknown' if wrong.size is None else wrong.size} bytes, SHA-256 {wrong.sha256 or 'not computed'}"),
        ("from", wrong.place),
        ("when", at.isoformat(timespec="seconds")),
        ("manifest", f"{facts.platform}, sequence {facts.sequence}"),
        ("bytes", "kept beside this note" if kept else "not kept"),
    )
    return "".join(f"{key + ':':<10}{visible(value)}\n" for key, value in rows)
