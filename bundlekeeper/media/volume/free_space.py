"""Whether volumes have the space that they need, checked before anything is written to them.

Rules: bytes are counted in the file system's own blocks, with the texts, the index and the tool beside the payload,
generously; volumes on one file system are counted together, because they share its space; a file system that does not
state its size, such as some programs behind FUSE, is not checked.
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
    lacking = sum(-(-file.size // unit) * unit for path, file in expected.items() if path not in volume.kept)
    texts = _TEXTS_BYTES + _TEXTS_BYTES_PER_FILE * len(expected)
    return lacking + texts + _INDEX_BYTES_PER_FILE * len(packing.files) + sum(path.stat().st_size for path in tool)


def short_of_space(need: Mapping[VolumeFolder, int]) -> dict[VolumeFolder, Finding]:
    """The volumes on file systems that have less space than their volumes need together. Raises OSError."""
    by_device: dict[int, list[VolumeFolder]] = {}
    for volume in need:
        by_device.setdefault(os.fstat(volume.place.fd).st_dev, []).append(volume)
    found: dict[VolumeFolder, Finding] = {}
    for volumes in by_device.values():
        status = os.fstatvfs(volumes[0].place.fd)
        size, free = sum(need[volume] for volume in volumes), status.f_bavail * status.f_frsize
        if size > free and status.f_blocks:
            message = f"{human_bytes(size)} are to be written, {human_bytes(free)} are free"
            hint = "free some space, or use another medium"
            found |= dict.fromkeys(volumes, finding("not-enough-space", str(volumes[0].place.path), message, hint))
    return found
