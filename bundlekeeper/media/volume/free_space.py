"""Whether volumes have the space that they need, asked before anything is written to them.

Rules: bytes are counted in the file system's own blocks, with the texts, the index and the tool beside the payload,
generously; what lies on one file system is counted together, because it is one room; a file system that does not say
how large it is, as some programs behind FUSE, is not asked again.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import human_bytes
from bundlekeeper.media.volume.folder import Expected, VolumeFolder
from bundlekeeper.model.media.packing import SetPacking

#: Bytes that a volume needs beside its payload, its index and the tool: the bag's texts and folders, generously.
_TEXTS_BYTES = 256 * 1024
_TEXTS_BYTES_PER_FILE = 1024
_INDEX_BYTES_PER_FILE = 600


def needed(packing: SetPacking, volume: VolumeFolder, expected: Mapping[str, Expected], tool: Iterable[Path]) -> int:
    """Bytes that are still to be written for a volume that is begun. Raises OSError."""
    unit = max(1, os.fstatvfs(volume.place.fd).f_frsize)
    lacking = sum(-(-each.size // unit) * unit for path, each in expected.items() if path not in volume.kept)
    texts = _TEXTS_BYTES + _TEXTS_BYTES_PER_FILE * len(expected)
    return lacking + texts + _INDEX_BYTES_PER_FILE * len(packing.files) + sum(path.stat().st_size for path in tool)


def short_of_space(need: Mapping[VolumeFolder, int]) -> dict[VolumeFolder, Finding]:
    """The volumes on file systems that have less room than their volumes need together. Raises OSError."""
    by_device: dict[int, list[VolumeFolder]] = {}
    for volume in need:
        by_device.setdefault(os.fstat(volume.place.fd).st_dev, []).append(volume)
    found: dict[VolumeFolder, Finding] = {}
    for volumes in by_device.values():
        room = os.fstatvfs(volumes[0].place.fd)
        size, free = sum(need[volume] for volume in volumes), room.f_bavail * room.f_frsize
        if size > free and room.f_blocks:
            message = f"{human_bytes(size)} are to be written, {human_bytes(free)} are free"
            told = finding("not-enough-space", str(volumes[0].place.path), message, "make room, or use another medium")
            found |= dict.fromkeys(volumes, told)
    return found
