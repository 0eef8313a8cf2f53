"""What the volumes of a set have beside their texts: where each file and each part is.

Rules: a file is looked for under its own name first, then under any other name by its size; what was read once is not
read again for the next file; only small files are read whole.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from contextlib import suppress

from bundlekeeper.formats import limits
from bundlekeeper.media.receiving.find_volumes import FoundVolume
from bundlekeeper.media.volume.bag_text import PAYLOAD
from bundlekeeper.model.media.index import FilePart, SetFile, SetIndex
from bundlekeeper.store.disk.walk import WalkEntry


class Payload:
    """Every payload file of the volumes, by its path in the index, and by size where the index does not have its
    path."""

    def __init__(self, index: SetIndex, volumes: Sequence[FoundVolume]) -> None:
        self.volumes = volumes
        known = {
            number: {f"{PAYLOAD}/{part.path}" for _, part in index.on(number)} for number in {v.number for v in volumes}
        }
        self._strays: dict[int, list[tuple[FoundVolume, WalkEntry]]] = {}
        self._read: dict[str, str] = {}  # place to SHA-256, so that no stray is read again for each file
        self._small: dict[str, bytes | None] = {}
        self._digests = {part.sha256 for file in index.files for part in file.parts}
        for volume in volumes:
            for path, entry in volume.files.items():
                if path not in known[volume.number] and (volume.payload is None or path.startswith(f"{PAYLOAD}/")):
                    self._strays.setdefault(entry.size, []).append((volume, entry))

    def at(self, part: FilePart) -> list[tuple[FoundVolume, WalkEntry]]:
        """The files at the part's path on the volumes with its number, copies of a volume included."""
        there = [(v, v.entry(part.path)) for v in self.volumes if v.number == part.volume]
        return [(volume, entry) for volume, entry in there if entry is not None]

    def strays(self, size: int, sha256: str) -> list[tuple[FoundVolume, WalkEntry]]:
        """Files of this size under names that the index does not have, without those known to be other files."""
        return [row for row in self._strays.get(size, []) if self._read.get(place_of(*row), sha256) == sha256]

    def was_read(self, place: str, sha256: str) -> None:
        """Remember the SHA-256 of the file at this place."""
        self._read[place] = sha256

    def read_at(self, volume: FoundVolume, entry: WalkEntry) -> str:
        """The SHA-256 of a file that was read here; empty where it was not."""
        return self._read.get(place_of(volume, entry), "")

    def verified(self, volume: FoundVolume, part: FilePart) -> bool:
        """True when the part was read from this volume, under its own name or another, and is right."""
        entry = volume.entry(part.path)
        if entry is not None and self.read_at(volume, entry) == part.sha256:
            return True
        return any(v is volume and self.read_at(v, e) == part.sha256 for v, e in self._strays.get(part.size, []))

    def is_ours(self, volume: FoundVolume, entry: WalkEntry) -> bool:
        """True when a file was read here and is one of the set's, whatever its name."""
        return self.read_at(volume, entry) in self._digests

    def all_for(self, part: FilePart) -> list[tuple[FoundVolume, WalkEntry]]:
        """Files that may be the part: those of its name and size first, then strays of its size."""
        return [row for row in self.at(part) if row[1].size == part.size] + self.strays(part.size, part.sha256)

    def short(self, part: FilePart) -> list[tuple[FoundVolume, WalkEntry]]:
        """Files of the part's name with another size: copies that broke off."""
        return [row for row in self.at(part) if row[1].size != part.size]

    def came(self, part: FilePart) -> bool:
        """True when the volume that holds the part is here."""
        return any(volume.number == part.volume for volume in self.volumes)

    def small(self, each: SetFile) -> bytes | None:
        """The bytes of a small file of the set, verified by the index; None where there are none.

        Every copy on the volumes is read, once.
        """
        if each.path not in self._small:
            self._small[each.path] = None
            for part in each.parts if each.size <= limits.SMALL_FILE_BYTES else ():
                for volume, entry in self.all_for(part):
                    data = _small(entry)
                    if data is not None:
                        self.was_read(place_of(volume, entry), hashlib.sha256(data).hexdigest())
                    if data is not None and self.read_at(volume, entry) == each.sha256:
                        self._small[each.path] = data
        return self._small[each.path]


def _small(entry: WalkEntry) -> bytes | None:
    """The bytes of a small file; None where it can't be read."""
    with suppress(OSError):
        fd = entry.open()
        try:
            with os.fdopen(os.dup(fd), "rb") as file:
                data = file.read(limits.SMALL_FILE_BYTES + 1)
            return data if len(data) <= limits.SMALL_FILE_BYTES else None
        finally:
            with suppress(OSError):  # of a device that is gone
                os.close(fd)
    return None


def place_of(volume: FoundVolume, entry: WalkEntry) -> str:
    """Where a file of a volume is, for people."""
    return f"{volume.root}/{entry.path}"
