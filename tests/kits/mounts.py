"""Real file systems for tests: an image file, made and mounted, gone again at the end.

Rules: whatever stands in the way (no root, a program missing, mounts refused) is a skip that names its reason.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from bundlekeeper.store.disk.filesystem import describe

#: kind -> programs that it needs
NEEDS = {
    "ext4": ("mkfs.ext4", "mount", "losetup"),
    "ext4-whole-seconds": ("mkfs.ext4", "mount", "losetup"),
    "xfs": ("mkfs.xfs", "mount", "losetup"),
    "tmpfs": ("mount",),
    "exfat-fuse": ("mkfs.exfat", "mount.exfat-fuse", "losetup"),
    "fat-fuse": ("mkfs.vfat", "fusefat"),
    "overlay": ("mount",),
}


def _run(*command: str | Path) -> str:
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"{command[0]} does not work here: {(done.stderr or done.stdout).strip()[-200:]}")
    return done.stdout.strip()


def _loop(stack: ExitStack, image: Path) -> str:
    device = _run("losetup", "-f", "--show", image)
    stack.callback(subprocess.run, ["losetup", "-d", device], check=False, capture_output=True)
    return device


def _mount(stack: ExitStack, kind: str, base: Path, point: Path, size_mb: int) -> None:
    image = base / f"{kind}.img"
    if kind == "tmpfs":
        _run("mount", "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs", point)
    elif kind == "overlay":
        parts = {name: base / f"{kind}-{name}" for name in ("lower", "upper", "work")}
        for part in parts.values():
            part.mkdir()
        options = ",".join(f"{name}dir={path}" for name, path in parts.items())
        _run("mount", "-t", "overlay", "-o", options, "overlay", point)
    else:
        with image.open("wb") as file:
            file.truncate(size_mb << 20)
        if kind == "xfs":
            _run("mkfs.xfs", "-q", image)
            _run("mount", _loop(stack, image), point)
        elif kind.startswith("ext4"):
            # Inodes of 128 bytes have no space for nanoseconds: every time is a whole second (mke2fs(8), -I).
            _run("mkfs.ext4", "-q", *(("-I", "128") if kind == "ext4-whole-seconds" else ()), image)
            _run("mount", _loop(stack, image), point)
        elif kind == "exfat-fuse":
            _run("mkfs.exfat", image)
            _run("mount.exfat-fuse", _loop(stack, image), point)
        else:
            _run("mkfs.vfat", "-F", "32", image)
            _run("fusefat", "-o", "rw+", image, point)
    stack.callback(subprocess.run, ["umount", "-l", str(point)], check=False, capture_output=True)


def replug(stack: ExitStack, point: Path) -> None:
    """Unmount a loop device's file system, take the device away, attach its image again, mount."""
    device = _run("findmnt", "-no", "SOURCE", point)
    image = Path(_run("losetup", "-nO", "BACK-FILE", device))
    _run("umount", point)
    _run("losetup", "-d", device)
    _run("mount", _loop(stack, image), point)


@contextmanager
def mounted(kind: str, base: Path, size_mb: int | None = None) -> Iterator[Path]:
    """Mount a fresh file system of this kind below `base`; skips, with the reason, where that does not work."""
    if os.geteuid() != 0:
        pytest.skip("mounting needs root")
    missing = [program for program in NEEDS[kind] if shutil.which(program) is None]
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)}")
    point = base / f"{kind}-mount"
    point.mkdir()
    with ExitStack() as stack:
        size = size_mb or {"xfs": 320, "fat-fuse": 64}.get(kind, 24)
        _mount(stack, kind, base, point, size)
        yield point


def stable_folder(wanted: Path) -> Path:
    """`wanted` when its file system has stable identities, else a skip that says what it is on instead.

    pytest's folder may be a tmpfs, where a quick check rightly trusts nothing: run with `--basetemp` elsewhere then.
    """
    kind = describe(wanted)
    if not kind.stable_identity:
        pytest.skip(f"the temporary folder is on {kind.name} ({kind.reason}); use --basetemp on a disk")
    return wanted
