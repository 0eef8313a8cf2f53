"""What a store remembers of how it writes a set: under which mounts, at which mount points, which parts it has read.

Rules: it is kept beside the set's record and may be lost: then nothing is claimed about remounts, no mount is missed
and split files are read again; it is written before the first byte goes out, so that a write that was killed counts,
too; it is replaced whole, by one process at a time, and nothing that another one remembered is lost.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from bundlekeeper.errors import KeeperError
from bundlekeeper.media.set_records import Sent
from bundlekeeper.model import strict_json
from bundlekeeper.model.media import PartDigests
from bundlekeeper.store import files
from bundlekeeper.store.layout import KEEPER, Store

_FILE = "written-to.json"
_LIMIT = 32 << 20
_MOST = 1000
_Value = TypeVar("_Value")


@dataclass(slots=True)
class WhereTo:
    """`mounts` holds, by volume, the identities of the mounts under which it was written; `points` the mount point
    that each folder was on; `parts` the digests of each part of the split files that were read whole, by number."""

    mounts: dict[int, list[str]] = field(default_factory=dict)
    points: dict[str, str] = field(default_factory=dict)
    parts: dict[str, dict[int, PartDigests]] = field(default_factory=dict)

    def remounted(self, volume: int, identity: str) -> bool:
        """True when no copy of the volume was ever written under this mount, so that it was mounted anew since."""
        return bool(identity and self.mounts.get(volume)) and identity not in self.mounts[volume]


def recall(store: Store, sent: Sent) -> WhereTo:
    """What is remembered; nothing where that cannot be read. Raises nothing."""
    found = WhereTo()
    try:
        with files.folder(store.fd, _folder(sent)) as home:
            document = strict_json.loads(files.read_bounded(home, _FILE, _LIMIT))
    except (OSError, KeeperError):
        return found
    if isinstance(document, dict):
        mounts, points, parts = (_table(document.get(key)) for key in ("mounts", "points", "parts"))
        for number, rows in mounts.items():
            if number.isdecimal() and isinstance(rows, list):
                found.mounts[int(number)] = [row for row in rows if isinstance(row, str)]
        found.points = {path: point for path, point in points.items() if isinstance(point, str)}
        for path, digests in parts.items():
            rows = _table(digests)
            found.parts[path] = {int(n): d for n, row in rows.items() if n.isdecimal() and (d := _digests(row))}
    return found


def _digests(found: object) -> PartDigests | None:
    if isinstance(found, list) and len(found) == len(PartDigests._fields) and all(isinstance(d, str) for d in found):
        return PartDigests(*found)
    return None


def _table(found: object) -> dict[str, object]:
    return {str(key): value for key, value in found.items()} if isinstance(found, dict) else {}


def remember(store: Store, sent: Sent, known: WhereTo) -> None:
    """Add what is known to what is remembered, and that to `known`: other processes may write the same set.

    Raises UnfinishedError when it cannot be written.
    """
    with (
        files.wrapped("where a media set is written cannot be remembered", str(store.root)),
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


def _merge(kept: WhereTo, known: WhereTo) -> None:
    """In place: who reads the store fills the very tables that `known` has."""
    for number, rows in kept.mounts.items():
        mine = known.mounts.setdefault(number, [])
        mine[:] = [*rows, *(row for row in mine if row not in rows)]
    _under(known.points, kept.points)
    _under(known.parts, kept.parts)


def _under(mine: dict[str, _Value], kept: Mapping[str, _Value]) -> None:
    """Put what was kept before what is mine; of two, mine stands."""
    both = {**kept, **mine}
    mine.clear()
    mine.update(both)


def _replace(home: int, known: WhereTo) -> None:
    document = {
        "mounts": {str(number): rows[-_MOST:] for number, rows in known.mounts.items()},
        "points": dict(list(known.points.items())[-_MOST:]),
        "parts": known.parts,
    }
    files.replace(home, _FILE, json.dumps(document, sort_keys=True).encode())


def _folder(sent: Sent) -> tuple[str, ...]:
    return (KEEPER, "sets", "sent", f"{sent.sequence:06d}-{sent.set_id}")
