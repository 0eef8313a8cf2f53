"""What several tests share with those of store/adding/test_power.py."""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.kits.kills import fresh
from tests.kits.sure import wait_until

_SHUTDOWN = 0x8004587D  # EXT4_IOC_SHUTDOWN, _IOR('X', 125, __u32) (fs/ext4/ext4.h)


_NO_LOG_FLUSH = 2


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
        self._until_released()
        self.mount()

    def _until_released(self) -> None:
        """Wait until no one holds the dead file system; the same device mounted again would be the dead one.

        Another process with a copy of our mounts (another test's `unshare -m`) keeps it for as long as it lives.
        """
        device = ["losetup", "-j", str(self.image)]
        wait_until(lambda: not subprocess.run(device, check=True, capture_output=True).stdout, "the device's end")


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
