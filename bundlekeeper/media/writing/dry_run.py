"""What a write would do: which volume goes where, how many bytes, and whether there is space.

Rules: nothing is written and nothing is made; a target is checked exactly as a write checks it; the targets on one file
system share its space, in the order given.
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
        """True when there is no space even for its payload."""
        return self.size > self.free

    @property
    def finding(self) -> Finding:
        """The lack of space, as a finding."""
        message = f"volume {self.volume} is {human_bytes(self.size)}; {human_bytes(self.free)} are free"
        return finding("not-enough-space", self.path, message, "free some space, or use another medium")


def dry_run(packing: SetPacking, order: WriteOrder) -> tuple[DryRunVolume, ...]:
    """Which volume would go where. A volume that was begun there is counted whole.

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
            status, device = os.fstatvfs(fd), os.fstat(fd).st_dev
            left = free.setdefault(device, status.f_bavail * status.f_frsize)
            parts = [part.size for _, part in packing.on(number)]
            rows.append(DryRunVolume(number, str(target.path), len(parts), sum(parts), left))
            free[device] = max(0, left - sum(parts))
    return tuple(rows)
