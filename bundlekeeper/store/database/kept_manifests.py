"""The manifests that the store keeps whole, beside their rows in the store database.

Rules: a kept manifest counts whether or not the store database has a row of it: a database may be older than its
manifests (a restored backup) or may have lost a row, and the store must not forget a withdrawal or admit an older
manifest because of that; a file counts by its name, `PLATFORM-SEQUENCE.toml`; one that cannot be read, or is another
manifest than its name says, is reported.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import DamagedError, KeeperError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats import limits
from bundlekeeper.frozen import dataclass
from bundlekeeper.store.database.rows import Admitted
from bundlekeeper.store.disk import files

if TYPE_CHECKING:
    from bundlekeeper.store.database.rows import BundleFacts

FOLDER = "manifests"
_NAME = re.compile(r"(.+)-([0-9]{1,18})\.toml", re.DOTALL)


@dataclass(frozen=True, slots=True)
class KeptManifest:
    """One kept manifest that was read: the row it should have, and its facts of each bundle."""

    admitted: Admitted
    facts: tuple[BundleFacts, ...]


@dataclass(frozen=True, slots=True)
class UnreadManifest:
    """A kept manifest without a row, of which only its name is known: `sequence` by that name."""

    place: str
    sequence: int
    message: str

    @property
    def finding(self) -> Finding:
        """The finding about it."""
        message = f"{self.message}, and the store database has no row of it: what it withdrew is unknown"
        hint = f"put the manifest itself in its place and run bundlekeeper verify, or move this one out of {FOLDER}/"
        return finding("damaged", self.place, message, hint)


def unrecorded(root: int, known: Iterable[Admitted]) -> list[str]:
    """The places of files with a manifest's name that have no row among `known`, by sequence.

    `root` is the store's folder. Raises RefusedError, OSError when the folder of manifests cannot be looked at.
    """
    rows = {manifest.place for manifest in known}
    try:
        with files.folder(root, (FOLDER,)) as folder:
            names = os.listdir(folder)
    except FileNotFoundError:
        return []
    found = [(int(m[2]), f"{FOLDER}/{name}") for name in names if (m := _NAME.fullmatch(name))]
    return [place for _, place in sorted(found) if place not in rows]


def highest(root: int, platform: str) -> int:
    """The highest number in the name of a kept manifest of the platform, -1 where there is none.

    Raises as `unrecorded`.
    """
    return max((_sequence(place) for place in unrecorded(root, ()) if _platform(place) == platform), default=-1)


def read_kept(
    root: int, places: Collection[str], platforms: Collection[str] = ()
) -> tuple[list[KeptManifest], list[UnreadManifest]]:
    """The manifests at these places, by sequence; and those that cannot be read, or are not what their names say.

    With `platforms`, a manifest of another platform does not belong there. Raises nothing.
    """
    read: list[KeptManifest] = []
    unread: list[UnreadManifest] = []
    for place in places:
        found = _read(root, place)
        if isinstance(found, KeptManifest) and platforms and found.admitted.platform not in platforms:
            found = f"it is a manifest of platform {found.admitted.platform}, which is not the store's"
        if isinstance(found, KeptManifest):
            read.append(found)
        else:
            unread.append(UnreadManifest(place, _sequence(place), found))
    return sorted(read, key=lambda manifest: manifest.admitted.sequence), unread


def bytes_of(root: int, admitted: Admitted) -> bytes:
    """The bytes of an admitted manifest, from the copy that the store keeps. Links are not followed.

    `root` is the store's folder. Raises RefusedError, UnfinishedError when the copy cannot be read, DamagedError when
    it is not what was admitted.
    """
    import hashlib  # imported only where a manifest is read

    hint = f"add manifest {admitted.platform} {admitted.sequence} again: bundlekeeper store add"
    doing = "the kept manifest cannot be read"
    try:
        with files.wrapped(doing, admitted.place), files.folder(root, (FOLDER,)) as folder:
            data = files.read_bounded(folder, admitted.place.rpartition("/")[2], limits.MANIFEST_BYTES)
    except KeeperError as error:
        error.where, error.hint = admitted.place, error.hint or hint
        raise
    found = hashlib.sha256(data).hexdigest()
    if found != admitted.sha256:
        message = f"the kept manifest's SHA-256 is {found}, that of the admitted one was {admitted.sha256}"
        raise DamagedError(message, where=admitted.place, hint=hint)
    return data


def _sequence(place: str) -> int:
    name = _NAME.fullmatch(place.rpartition("/")[2])
    return int(name[2]) if name else -1


def _platform(place: str) -> str:
    name = _NAME.fullmatch(place.rpartition("/")[2])
    return name[1] if name else ""


def _read(root: int, place: str) -> KeptManifest | str:
    """The manifest at a place, or why there is none."""
    from bundlekeeper.model.lint.read_manifest import read  # costs pydantic; a row is seldom missing
    from bundlekeeper.store.database.bundle_facts import facts_of

    name = place.rpartition("/")[2]
    try:
        with files.folder(root, (FOLDER,)) as folder:
            status = os.lstat(name, dir_fd=folder)
            if not stat.S_ISREG(status.st_mode):
                return f"it is {files.kind_of(status.st_mode)}, not a manifest"
            data = files.read_bounded(folder, name, limits.MANIFEST_BYTES)
        at = datetime.fromtimestamp(status.st_mtime, UTC)
        loaded = read(data, name=place, today=at.date())
        facts = facts_of(loaded.manifest)
    except OSError as error:
        return f"it cannot be read: {error.strerror or error}"
    except (KeeperError, ValueError, OverflowError) as error:
        return f"it cannot be read: {error}"
    of = loaded.manifest
    if place != f"{FOLDER}/{of.platform}-{of.sequence}.toml":
        return f"its name does not match its content: it is manifest {of.platform} {of.sequence}"
    return KeptManifest(Admitted(of.platform, of.sequence, loaded.sha256, place, of.issued, of.expires, at), facts)


def in_order(known: Sequence[Admitted], kept: Iterable[Admitted]) -> list[Admitted]:
    """The manifests with a row, in the order of admission, and those without: the highest number comes last. Pure.

    One without a row whose number is above all others was admitted after them; any other was before, as far as can be
    known, and is never the one in force.
    """
    highest = max((manifest.sequence for manifest in known), default=-1)
    later = sorted(
        (manifest for manifest in kept if manifest.sequence > highest), key=lambda manifest: manifest.sequence
    )
    earlier = sorted(
        (manifest for manifest in kept if manifest.sequence <= highest), key=lambda manifest: manifest.sequence
    )
    return [*earlier, *known, *later]
