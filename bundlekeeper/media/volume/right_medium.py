"""Whether a folder is on the right medium, or only in the empty folder below a mount that is missing.

Rules: below /media, /mnt and /run/media something must be mounted; a mount point of /etc/fstab that contains the folder
must be mounted; a set that was begun on a mount is continued only where something is mounted at that point; a volume id
that the user gave (UUID or label of the file system) must be that of the folder's device. After that, the open folder
is used and never its path, so that a medium that is removed is not confused with the folder below it. Nothing is ever
written into the store, whatever links lead there.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from bundlekeeper.errors import InputError, RefusedError, UnfinishedError
from bundlekeeper.media.volume.read_back import Mount, mount_of, mounts

GUARDED = ("/media", "/mnt", "/run/media")  # where media are mounted: Filesystem Hierarchy Standard 3.0, udisks
FSTAB = Path("/etc/fstab")


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is expected of folders: `must_be_mount` None: where `GUARDED` says so; one of `volume_ids` must fit."""

    must_be_mount: bool | None = None
    volume_ids: tuple[str, ...] = ()
    guarded: tuple[str, ...] = GUARDED
    fstab: Path = FSTAB


@dataclass(slots=True)
class MediumPlace:
    """An open folder to write into, and the mount that it is on."""

    path: Path
    fd: int
    mount: Mount | None

    def close(self) -> None:
        """Close it. Raises nothing; may be called twice."""
        if self.fd >= 0:
            with suppress(OSError):
                os.close(self.fd)
            self.fd = -1


def insist_outside(path: Path, root: Path) -> None:
    """Raise InputError for a folder, or a file to be made, inside the store at `root`, by whatever links."""
    real = Path(os.path.realpath(path))
    with suppress(FileNotFoundError):
        store = root.stat()
        for folder in (real, *real.parents):
            with suppress(OSError):
                if os.path.samestat(folder.stat(), store):
                    hint = "nothing else is written into a store: name a folder elsewhere"
                    raise InputError("it lies inside the store", where=str(path), hint=hint)


def open_place(path: Path, expected: Expectation, *, was_at: str = "") -> MediumPlace:
    """Open a folder on the right medium; `was_at` is the mount point that it was on when the set was begun.

    Raises InputError when there is no such folder, RefusedError when nothing is mounted where something must be or it
    is another medium, UnfinishedError when it cannot be opened.
    """
    real = Path(os.path.realpath(path))
    try:
        fd = os.open(real, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except (FileNotFoundError, NotADirectoryError) as e:
        hint = "mount the medium, and name an existing folder on it"
        raise InputError("there is no such folder to write to", where=str(path), hint=hint) from e
    except OSError as e:
        raise UnfinishedError(f"the folder cannot be opened: {e.strerror}", where=str(path)) from e
    place = MediumPlace(path, fd, mount_of(real))
    try:
        _insist_on_mount(place, real, expected, was_at)
        if expected.volume_ids:
            _insist_on_id(place, expected.volume_ids)
    except BaseException:
        place.close()
        raise
    return place


def _insist_on_mount(place: MediumPlace, real: Path, expected: Expectation, was_at: str) -> None:
    point = place.mount.point if place.mount is not None else ""
    hint = "mount the medium first; for a plain folder: --no-must-be-mount"
    for required, reason in _required_mounts(real, expected, was_at):
        if not point or not _inside(point, required):
            raise RefusedError(f"nothing is mounted at {required}: {reason}", where=str(place.path), hint=hint)
    if expected.must_be_mount and point in {"", "/"}:
        raise RefusedError("it is on this machine's own disk, not on a medium", where=str(place.path), hint=hint)


def _required_mounts(real: Path, expected: Expectation, was_at: str) -> list[tuple[str, str]]:
    """Each path at or below which the folder's mount must be, and why."""
    if expected.must_be_mount is False:
        return []
    required = [(point, "media are mounted there") for point in expected.guarded if _inside(str(real), point)]
    required += [
        (point, f"{expected.fstab} names it as a mount point")
        for point in _fstab_points(expected.fstab)
        if _inside(str(real), point)
    ]
    if was_at not in {"", "/"} and _inside(str(real), was_at):
        required.append((was_at, "the set was begun on a medium there"))
    return required


def _inside(path: str, root: str) -> bool:
    return path == root or path.startswith(root.rstrip("/") + "/")


def _fstab_points(fstab: Path) -> list[str]:
    """The mount points of an fstab (fstab(5)), without the root."""
    found = []
    with suppress(OSError):
        for line in fstab.read_text("utf-8", "surrogateescape").splitlines():
            words = line.split()
            if len(words) > 2 and not words[0].startswith("#") and words[1].startswith("/") and words[1] != "/":
                found.append(words[1].replace("\\040", " ").rstrip("/"))
    return found


def _insist_on_id(place: MediumPlace, volume_ids: Sequence[str]) -> None:
    device = os.fstat(place.fd).st_dev
    known = []
    for volume_id in volume_ids:
        for folder in ("by-uuid", "by-label"):
            with suppress(OSError, ValueError):
                if (Path("/dev/disk") / folder / volume_id).stat().st_rdev == device:
                    return
    source = next((mount.source for mount in mounts() if place.mount is not None and mount == place.mount), "")
    if source.startswith("/dev/") and shutil.which("blkid"):
        # Where no udev runs: blkid reads the device itself, which needs the right to.
        for tag in ("UUID", "LABEL"):
            command = ["blkid", "-c", "/dev/null", "-o", "value", "-s", tag, source]
            known.append(subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip())
    if not set(volume_ids) & set(known):
        message = (
            f"the medium there is {' '.join(k for k in known if k) or 'of no known id'}, not {' or '.join(volume_ids)}"
        )
        raise RefusedError(message, where=str(place.path), hint="is it the right stick? compare its id: lsblk -f")
