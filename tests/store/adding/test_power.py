"""Cut the power under a store: a loop-mounted ext4 that forgets everything not yet on the disk.

"PC power cut on a loop-mounted ext4: EXT4_IOC_SHUTDOWN without a log flush, then umount and mount again".
What the file system had not been made to write is gone then, so a missing fsync shows.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import shutil
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.kits.store_kit import Kit
from tests.kits.sure import some
from tests.store.adding.test_kill import GOOD, completes, fresh, needs_strace, ran, settled

_SHUTDOWN = 0x8004587D  # EXT4_IOC_SHUTDOWN, _IOR('X', 125, __u32) (fs/ext4/ext4.h)
_NO_LOG_FLUSH = 2

pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(os.geteuid() != 0, reason="needs root to mount"),
    pytest.mark.skipif(shutil.which("mkfs.ext4") is None, reason="e2fsprogs is not installed"),
]


class Disk:
    """A small ext4 of the test's own, mounted at `point`."""

    def __init__(self, base: Path) -> None:
        self.image, self.point = base / "image", base / "disk"
        self.point.mkdir()
        self.image.write_bytes(b"")
        os.truncate(self.image, 32 << 20)
        subprocess.run(["mkfs.ext4", "-q", "-F", self.image], check=True)

    def mount(self) -> None:
        """Mount it; skips where that is not allowed. `commit=300`: nothing is written back by itself meanwhile."""
        command = ["mount", "-o", "loop,commit=300", str(self.image), str(self.point)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.skip(f"mount: {done.stderr.strip()}")

    def unmount(self) -> None:
        """Unmount it, if it is mounted."""
        with contextlib.suppress(subprocess.CalledProcessError):
            subprocess.run(["umount", self.point], check=True, capture_output=True)

    def cut_power(self) -> None:
        """Everything that is not on the disk is lost; then the machine comes up again."""
        fd = os.open(self.point, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.ioctl(fd, _SHUTDOWN, struct.pack("I", _NO_LOG_FLUSH))
        finally:
            os.close(fd)
        subprocess.run(["umount", self.point], check=True)
        self.mount()


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    """A mounted disk."""
    made = Disk(tmp_path)
    made.mount()
    try:
        yield made
    finally:
        made.unmount()


def on_disk(disk: Disk) -> Path:
    """The kill tests' little world on the disk, itself safely written."""
    base = fresh(disk.point / "base")
    os.sync()
    return base


def test_the_cut_really_loses_what_was_not_synced(disk: Disk) -> None:
    """The test's own tool works: an unsynced file is gone or empty, a synced one whole."""
    (disk.point / "lost").write_bytes(GOOD)
    with (disk.point / "kept").open("wb") as file:
        file.write(GOOD)
        file.flush()
        os.fsync(file.fileno())
    fd = os.open(disk.point, os.O_RDONLY)
    os.fsync(fd)
    os.close(fd)
    (disk.point / "late").write_bytes(GOOD)
    disk.cut_power()
    assert (disk.point / "kept").read_bytes() == GOOD
    assert not (disk.point / "late").exists()


def test_what_take_said_is_there_after_a_power_cut(disk: Disk) -> None:
    """A finished take is on the disk: files, folders, quarantine, manifest, and the catalogue's last row."""
    base = on_disk(disk)
    assert ran(base).returncode == 0
    before, rows, proofs = Kit(base).tree(), Kit(base).held(), Kit(base).proofs()
    disk.cut_power()
    assert Kit(base).tree() == before
    assert (Kit(base).held(), Kit(base).proofs()) == (rows, proofs)
    completes(base)


def test_the_last_row_is_there_after_a_power_cut(disk: Disk) -> None:
    """With nothing written after it that would carry it to the disk by chance (`synchronous=EXTRA`)."""
    kit = Kit(disk.point)
    kit.offer("a.fwb", GOOD)
    os.sync()
    kit.take(kit.bundle("a.fwb", GOOD))
    disk.cut_power()
    assert [row.name for row in kit.held()] == ["a.fwb"]
    assert kit.take(kit.bundle("a.fwb", GOOD)).read_bytes == 0


@pytest.mark.fault(2)
@pytest.mark.fault(3)
@pytest.mark.fault(5)
@needs_strace
@pytest.mark.slow
@pytest.mark.parametrize("call", ["linkat", "mkdirat", "unlink", "fsync", "fdatasync"])
def test_power_cut_in_the_middle(disk: Disk, call: str) -> None:
    """Cut after link, before the folder's fsync: absent or whole; catalogue claims nothing."""
    log = disk.image.parent / "log"
    ran(on_disk(disk), "strace", "-f", "-qq", f"-o{log}", "-e", f"trace={call}")
    total = len(re.findall(rf"\b{call}\(", log.read_text()))
    step = max(1, total // 6)
    for number in some(range(1, total + 1, step)):
        shutil.rmtree(disk.point / "base")
        base = on_disk(disk)
        inject = f"inject={call}:signal=SIGKILL:when={number}"
        ended = ran(base, "strace", "-f", "-qq", "-o/dev/null", "-e", f"trace={call}", "-e", inject)
        assert ended.returncode in {-9, 137}
        disk.cut_power()
        if (base / "store/.keeper").exists():
            settled(base)
        completes(base)
