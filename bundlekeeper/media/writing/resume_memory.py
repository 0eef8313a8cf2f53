"""What a store keeps about writing a set: under which mounts, at which mount points, which parts were read.

Rules: it is kept beside the set's record and may be lost: then nothing is claimed about remounts, no missing mount is
noticed, and split files are read again; it is written before the first byte goes out, so that a write that is killed
counts, too; it is replaced whole, by one process at a time, and nothing that another process added is lost.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TypeVar

from bundlekeeper.errors import KeeperError
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import Form, JsonDocument, array, converted, mapping, row, text, whole
from bundlekeeper.media.set.records import Sent
from bundlekeeper.media.volume.remount import MountState, look, mounted_again, newest_change, unchanged
from bundlekeeper.model.media.index import DIGEST, MAX_FILES, MAX_VOLUMES, PartDigests
from bundlekeeper.store.contents.store import KEEPER, Store
from bundlekeeper.store.disk import files

_FILE = "written-to.json"
_MOST = 1000
_Value = TypeVar("_Value")
_WORD, _TIME = text(empty=True, most=limits.RESUME_BYTES), whole(-(2**63))
_UNDER = converted(array(row(*(_WORD,) * 4, make=MountState), _MOST), list, tuple)


def _by_volume(form: Form) -> Form:
    return mapping(form, MAX_VOLUMES, numbered=True)


@dataclass(slots=True)
class ResumeMemory:
    """`mounts` has, by volume, the mounts under which it was written; `finished`, by volume and file system, when its
    last file was written (nanoseconds since 1970, by that file's ctime); `points` the mount point that each folder was
    on; `parts` the digests of each part of the split files that were read whole, by number."""

    mounts: dict[int, list[MountState]] = field(default_factory=dict, metadata=_by_volume(_UNDER))
    finished: dict[int, dict[str, int]] = field(default_factory=dict, metadata=_by_volume(mapping(_TIME, _MOST)))
    points: dict[str, str] = field(default_factory=dict, metadata=mapping(_WORD, _MOST))
    parts: dict[str, dict[int, PartDigests]] = field(
        default_factory=dict, metadata=mapping(_by_volume(row(DIGEST, DIGEST, make=PartDigests)), MAX_FILES)
    )

    def written_under(self, volume: int, under: MountState) -> bool:
        """Note a mount under which a volume is written. True when it was not noted before."""
        rows = self.mounts.setdefault(volume, [])
        if under in rows:
            return False
        rows.append(under)
        return True

    def note_finished(self, volume: int, fd: int) -> None:
        """Note when the last file in a finished volume's open folder was written. Raises nothing."""
        with suppress(OSError):
            self.finished.setdefault(volume, {})[look(fd).file_system] = newest_change(fd)

    def read_after_remount(self, volume: int, fd: int) -> bool:
        """True when the volume's open folder is certainly on a file system that was mounted again since."""
        now = look(fd)
        known = self.finished.get(volume, {}).get(now.file_system)
        return mounted_again(self.mounts.get(volume, ()), now) and unchanged(fd, known)


_RESUME_MEMORY = JsonDocument(
    ResumeMemory,
    "bundlekeeper.written-to/1",
    what="the notes",
    kind="notes about writing a set",
    limit=limits.RESUME_BYTES,
)


def recall(store: Store, sent: Sent) -> ResumeMemory:
    """What was kept; nothing where it cannot be read. Raises nothing."""
    try:
        with files.folder(store.fd, _folder(sent)) as home:
            return _RESUME_MEMORY.read(files.read_bounded(home, _FILE, limits.RESUME_BYTES))
    except (OSError, KeeperError):
        return ResumeMemory()


def remember(store: Store, sent: Sent, known: ResumeMemory) -> None:
    """Merge `known` with what was kept, in both directions: other processes may write the same set.

    Raises UnfinishedError when it cannot be written.
    """
    with (
        files.wrapped("the notes about writing a media set cannot be kept", str(store.root)),
        files.folder(store.fd, _folder(sent), create=True, mode=files.PRIVATE_FOLDER) as home,
    ):
        flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
        lock = os.open("written-to.lock", flags, files.PRIVATE_FILE, dir_fd=home)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX)  # for some milliseconds
            _merge(recall(store, sent), known)
            _replace(home, known)
        finally:
            os.close(lock)


def _merge(kept: ResumeMemory, known: ResumeMemory) -> None:
    """Merge in place: the reader of the store fills the tables of `known`."""
    for number, rows in kept.mounts.items():
        mine = known.mounts.setdefault(number, [])
        mine[:] = [*rows, *(row for row in mine if row not in rows)]
    for number, times in kept.finished.items():
        _prepend(known.finished.setdefault(number, {}), times)
    _prepend(known.points, kept.points)
    _prepend(known.parts, kept.parts)


def _prepend(mine: dict[str, _Value], kept: Mapping[str, _Value]) -> None:
    """Put what was kept before what is mine; mine wins."""
    both = {**kept, **mine}
    mine.clear()
    mine.update(both)


def _replace(home: int, known: ResumeMemory) -> None:
    short = replace(
        known,
        mounts={volume: rows[-_MOST:] for volume, rows in known.mounts.items()},
        finished={volume: dict(list(times.items())[-_MOST:]) for volume, times in known.finished.items()},
        points=dict(list(known.points.items())[-_MOST:]),
    )
    files.replace(home, _FILE, _RESUME_MEMORY.write(short))


def _folder(sent: Sent) -> tuple[str, ...]:
    return (KEEPER, "sets", "sent", f"{sent.sequence:06d}-{sent.set_id}")
