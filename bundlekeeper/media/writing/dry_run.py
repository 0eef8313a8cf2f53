"""What a write would do, said before it: which volume goes where, how much, and whether there is room.

Rules: nothing is written and nothing is made; a target is judged exactly as a write judges it; room is counted for the
targets of one file system together, each in the order given.
"""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import human_bytes
from bundlekeeper.media.volume.right_medium import MediumPlace, open_place
from bundlekeeper.media.writing.write import WriteOrder, chosen_volumes
from bundlekeeper.model.media.packing import SetPacking


@dataclass(frozen=True, slots=True)
class DryRunVolume:
    """One volume on one target: bytes of its files, and bytes free there for it."""

    volume: int
    path: str
    files: int
    size: int
    free: int

    @property
    def short(self) -> bool:
        """True when there is not even space for its payload."""
        return self.size > self.free

    @property
    def finding(self) -> Finding:
        """The lack of room, as a finding."""
        message = f"volume {self.volume} is {human_bytes(self.size)}, {human_bytes(self.free)} are free"
        return finding("not-enough-space", self.path, message, "make room, or use another medium")


def foresee(packing: SetPacking, order: WriteOrder) -> tuple[DryRunVolume, ...]:
    """What would go where. A volume that was begun there is counted whole.

    Raises InputError, RefusedError, UnfinishedError as a write would, for its targets.
    """
    rows = []
    places: dict[Path, MediumPlace] = {}
    free: dict[int, int] = {}
    with ExitStack() as stack:
        for number, target in chosen_volumes(packing, order):
            if target.path not in places:
                places[target.path] = open_place(target.path, order.expected)
                stack.callback(places[target.path].close)
            fd = places[target.path].fd
            room, device = os.fstatvfs(fd), os.fstat(fd).st_dev
            left = free.setdefault(device, room.f_bavail * room.f_frsize)
            parts = [part.size for _, part in packing.on(number)]
            rows.append(DryRunVolume(number, str(target.path), len(parts), sum(parts), left))
            free[device] = max(0, left - sum(parts))
    return tuple(rows)
