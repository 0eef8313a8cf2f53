"""Cut the power under a store: a loop-mounted ext4 that forgets everything not yet on the disk.

"PC power cut on a loop-mounted ext4: EXT4_IOC_SHUTDOWN without a log flush, then umount and mount again".
What the file system had not been made to write is gone then, so a missing fsync shows.
"""

from __future__ import annotations

import os
import re
import shutil

import pytest

from tests.kits import power_cuts as shared
from tests.kits.kills import GOOD, completes, needs_strace, ran, settled
from tests.kits.power_cuts import Disk, on_disk
from tests.kits.store_kit import Kit
from tests.kits.sure import some

disk = shared.disk

pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(os.geteuid() != 0, reason="needs root to mount"),
    pytest.mark.skipif(shutil.which("mkfs.ext4") is None, reason="e2fsprogs is not installed"),
]


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


def test_what_was_added_is_there_after_a_power_cut(disk: Disk) -> None:
    """A finished run is on the disk: files, folders, quarantine, manifest, and the store database's last row."""
    base = on_disk(disk)
    assert ran(base).returncode == 0
    before, rows, verifications = Kit(base).tree(), Kit(base).stored(), Kit(base).verifications()
    disk.cut_power()
    assert Kit(base).tree() == before
    assert (Kit(base).stored(), Kit(base).verifications()) == (rows, verifications)
    completes(base)


def test_the_last_row_is_there_after_a_power_cut(disk: Disk) -> None:
    """With nothing written after it that would carry it to the disk by chance (`synchronous=EXTRA`)."""
    kit = Kit(disk.point)
    kit.offer("a.bin", GOOD)
    os.sync()
    kit.add(kit.bundle("a.bin", GOOD))
    disk.cut_power()
    assert [row.name for row in kit.stored()] == ["a.bin"]
    assert kit.add(kit.bundle("a.bin", GOOD)).read_bytes == 0


@pytest.mark.fault(2)
@pytest.mark.fault(3)
@pytest.mark.fault(5)
@needs_strace
@pytest.mark.slow
@pytest.mark.parametrize("call", ["linkat", "mkdirat", "unlink", "fsync", "fdatasync"])
def test_power_cut_in_the_middle(disk: Disk, call: str) -> None:
    """Cut after link, before the folder's fsync: absent or whole; store database claims nothing."""
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
