"""Kinds of file systems, on real mounts; stat(1) of coreutils names them too and is the oracle where it can."""

from __future__ import annotations

import mmap
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from bundlekeeper.store.disk.filesystem import KINDS, UNKNOWN, describe, describe_fd
from tests.kits.mounts import mounted
from tests.kits.sure import wait_for_tick


@pytest.mark.fault(78)
@pytest.mark.root
@pytest.mark.parametrize(
    ("kind", "name", "stable"),
    [
        ("ext4", "ext4", True),
        ("xfs", "xfs", True),
        ("overlay", "overlay", True),
        ("tmpfs", "tmpfs", False),
        ("exfat-fuse", "fuseblk", False),
        ("fat-fuse", "fuse.fusefat", False),
    ],
)
def test_mounted_kinds(tmp_path: Path, kind: str, name: str, stable: bool) -> None:
    """Trusting nothing on file systems without stable inode and ctime (FAT, exFAT, network)."""
    with mounted(kind, tmp_path) as point:
        (point / "file").write_bytes(b"x")
        found = describe(point / "file")
        fd = os.open(point / "file", os.O_RDONLY)
        try:
            assert describe_fd(fd) == found
        finally:
            os.close(fd)
        if kind == "overlay" and not describe(tmp_path).stable_identity:
            stable = False  # its upper layer is the temporary folder
        assert (found.name, found.stable_identity, found.network) == (name, stable, False)
        assert bool(found.reason) is not stable


@pytest.mark.parametrize("path", ["/", "/proc", "/dev", "/sys", "/tmp"])
def test_the_number_is_the_one_that_stat_prints(path: str) -> None:
    """Oracle: `stat -f -c %t`, the f_type in hexadecimal (stat(1))."""
    if shutil.which("stat") is None or not Path(path).is_dir():
        pytest.skip("no stat(1), or no such folder")
    done = subprocess.run(["stat", "-f", "-c", "%t", path], capture_output=True, text=True, check=True)
    expected = KINDS.get(int(done.stdout, 16), UNKNOWN)
    assert describe(path).stable_identity == expected.stable_identity
    assert describe(path).name.split(".")[0].startswith(expected.name[:4])


def test_the_numbers_are_those_of_linux() -> None:
    """Oracle: linux/magic.h (UAPI); of those that it lacks, the numbers that are letters (from memory)."""
    header = Path("/usr/include/linux/magic.h")
    if not header.is_file():
        pytest.skip("no kernel headers here")
    numbers = {int(text, 16) for text in re.findall(r"MAGIC\w*\s+(0x[0-9a-fA-F]+)", header.read_text("utf-8"))}
    letters = {b"H+": "hfsplus", b"XFSB": "xfs", b"JFS1": "jfs", b"ntfs": "ntfs3", b"NTFS": "ntfs", b"VBox": "vboxsf"}
    spelled = {int.from_bytes(word, order) for word in letters for order in ("big", "little")}
    memory = {0xF2F52010, 0xCA451A4E, 0x2FC12FC1, 0x2011BAB0, 0x15013346, 0x0BD00BD0}
    assert set(KINDS) - numbers - spelled - memory == set()


def test_what_cannot_be_asked_is_unknown_and_not_stable(tmp_path: Path) -> None:
    """Unknown is never stable."""
    assert describe(tmp_path / "nowhere") == UNKNOWN
    assert describe(tmp_path / "nul\0name") == UNKNOWN
    assert describe_fd(10_000) == UNKNOWN
    assert not UNKNOWN.stable_identity


def _mapped_write_shows(folder: Path) -> bool:
    path = folder / "mapped"
    path.write_bytes(b"a" * 4096)
    os.sync()
    wait_for_tick(path)
    before = path.stat()
    with path.open("r+b") as file, mmap.mmap(file.fileno(), 4096) as view:
        _ = view[0]
        view[0] = ord("b")
    after = path.stat()
    assert path.read_bytes()[:1] == b"b"
    return after.st_ctime_ns != before.st_ctime_ns


@pytest.mark.root
@pytest.mark.parametrize("kind", ["ext4", "xfs", "overlay", "tmpfs"])
def test_a_mapped_write_shows_in_the_ctime_of_a_stable_kind(tmp_path: Path, kind: str) -> None:
    """Every change to a file's bytes, by whatever way a process can make one, shows in its ctime."""
    with mounted(kind, tmp_path) as point:
        if describe(point).stable_identity:
            assert _mapped_write_shows(point)
        else:
            assert kind in ("tmpfs", "overlay")
