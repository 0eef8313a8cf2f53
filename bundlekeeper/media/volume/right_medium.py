"""Whether a folder is on the medium that is meant, or on the bare folder under a mount that is not there.

Rules: below /media, /mnt and /run/media something must be mounted; a mount point of /etc/fstab that holds the folder
must be mounted; where a set was begun on a mount, it goes on only where something is mounted at that point; a volume id
that was given (UUID or label of the file system) must be that of the folder's device. From then on the open folder is
used and never its path, so a medium that goes away cannot be mistaken for what lies beneath it. Nothing is ever written
into the store, whatever links lead there.
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
    """What is expected of folders: `must_be_mount` None means: where `GUARDED` says so; `volume_ids` are any of."""

    must_be_mount: bool | None = None
    volume_ids: tuple[str, ...] = ()
    guarded: tuple[str, ...] = GUARDED
    fstab: Path = FSTAB


@dataclass(slots=True)
class MediumPlace:
    """A folder to write into, open, and the mount that holds it."""

    path: Path
    fd: int
    mount: Mount | None

    def close(self) -> None:
        """Let go of it. Raises nothing; may be called twice."""
        if self.fd >= 0:
            with suppress(OSError):
                os.close(self.fd)
            self.fd = -1


def insist_outside(path: Path, root: Path) -> None:
    """Refuse a folder, or a file to be, that lies in the store at `root`, by whatever links. Raises InputError."""
    real = Path(os.path.realpath(path))
    with suppress(FileNotFoundError):
        store = root.stat()
        for each in (real, *real.parents):
            with suppress(OSError):
                if os.path.samestat(each.stat(), store):
                    hint = "everything in a store is the store's own: name a folder elsewhere"
                    raise InputError("it lies inside the store", where=str(path), hint=hint)


def open_place(path: Path, expected: Expectation, *, was_at: str = "") -> MediumPlace:
    """Open a folder that is on the medium that is meant; `was_at` is the mount point it was on when a set was begun.

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
    hint = "mount the medium first; --no-must-be-mount where a plain folder is meant"
    for due, reason in _due(real, expected, was_at):
        if not point or not _inside(point, due):
            raise RefusedError(f"nothing is mounted at {due}: {reason}", where=str(place.path), hint=hint)
    if expected.must_be_mount and point in {"", "/"}:
        raise RefusedError("it is not on a medium but on this machine's own disk", where=str(place.path), hint=hint)


def _due(real: Path, expected: Expectation, was_at: str) -> list[tuple[str, str]]:
    """Each path at or below which the folder's mount must be, and why."""
    if expected.must_be_mount is False:
        return []
    due = [(each, "it is where media are mounted") for each in expected.guarded if _inside(str(real), each)]
    due += [
        (each, f"{expected.fstab} names it as a mount point")
        for each in _fstab_points(expected.fstab)
        if _inside(str(real), each)
    ]
    if was_at not in {"", "/"} and _inside(str(real), was_at):
        due.append((was_at, "the set was begun on a medium there"))
    return due


def _inside(path: str, root: str) -> bool:
    return path == root or path.startswith(root.rstrip("/") + "/")


def _fstab_points(fstab: Path) -> list[str]:
    """The mount points of an fstab (fstab(5)), the root apart."""
    found = []
    with suppress(OSError):
        for line in fstab.read_text("utf-8", "surrogateescape").splitlines():
            words = line.split()
            if len(words) > 2 and not words[0].startswith("#") and words[1].startswith("/") and words[1] != "/":
                found.append(words[1].replace("\\040", " ").rstrip("/"))
    return found


def _insist_on_id(place: MediumPlace, wanted: Sequence[str]) -> None:
    device = os.fstat(place.fd).st_dev
    known = []
    for each in wanted:
        for folder in ("by-uuid", "by-label"):
            with suppress(OSError, ValueError):
                if (Path("/dev/disk") / folder / each).stat().st_rdev == device:
                    return
    source = next((mount.source for mount in mounts() if place.mount is not None and mount == place.mount), "")
    if source.startswith("/dev/") and shutil.which("blkid"):
        # Where no udev runs: blkid reads the device itself, which needs the right to.
        for tag in ("UUID", "LABEL"):
            command = ["blkid", "-c", "/dev/null", "-o", "value", "-s", tag, source]
            known.append(subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip())
    if not set(wanted) & set(known):
        message = (
            f"the medium there is {' '.join(k for k in known if k) or 'of no known id'}, not {' or '.join(wanted)}"
        )
        raise RefusedError(message, where=str(place.path), hint="the wrong stick, or none: compare its id (lsblk -f)")
