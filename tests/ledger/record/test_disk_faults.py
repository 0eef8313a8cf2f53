"""Disks that lie or fail late: no space only at write-back, errors only at the fsync, an fsync that does nothing.

"never retry fsync (second says OK, bytes lost: ran)"; "somebody removes an fsync: a test goes red".
Real file systems on devices that fail for real: a sparse image on a full tmpfs, and nbdkit's error filter.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.progress import Silent
from tests.kits.kills import ROOT, needs_strace, ran
from tests.kits.ledger_history import DAY0, read
from tests.kits.power_cuts import Disk, on_disk
from tests.kits.store_kit import Kit
from tests.kits.sure import wait_until

pytestmark = [pytest.mark.root, pytest.mark.skipif(os.geteuid() != 0, reason="needs root to mount")]

BIG = os.urandom(1 << 20) * 40


def _mount(*words: str | Path) -> None:
    done = subprocess.run(["mount", *map(str, words)], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"mount: {done.stderr.strip()}")


def _unmount(point: Path) -> None:
    subprocess.run(["umount", "-l", str(point)], check=False, capture_output=True)


@contextlib.contextmanager
def disk_on(image: Path, point: Path) -> Iterator[Path]:
    """A fresh ext4 in this image or device, mounted."""
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("e2fsprogs is not installed")
    point.mkdir()
    made = subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"mkfs.ext4: {made.stderr.strip()}")
    _mount("-o", "loop,commit=300", image, point)
    try:
        yield point
    finally:
        _unmount(point)


def insist_on_nothing(kit: Kit, name: str) -> None:
    """The bundle has neither a name nor a row nor a evidence, and nothing of it is left beside."""
    assert not [place for place in kit.tree() if place.endswith(name)]
    with contextlib.suppress(UnfinishedError):  # a failing disk may not even let the store database be read
        assert name not in [row.name for row in kit.stored()]
        assert not [place for place in kit.verifications() if place.endswith(name)]
    assert os.listdir(kit.root / ".keeper/incoming") == []


@pytest.mark.fault(4)
@needs_strace
def test_without_its_fsyncs_an_addition_loses_bytes_in_a_power_cut(tmp_path: Path) -> None:
    """ "somebody removes an fsync: a test goes red": every fsync says OK and does nothing."""
    disk = Disk(tmp_path)
    disk.mount()
    try:
        base = on_disk(disk)
        idle = "inject=fsync,fdatasync:retval=0"
        done = ran(base, "strace", "-f", "-qq", "-o/dev/null", "-e", "trace=fsync,fdatasync", "-e", idle)
        assert done.returncode == 0
        claimed = Kit(base).tree()
        assert any(place.endswith("a.bin") for place in claimed)
        disk.cut_power()
        assert Kit(base).tree() != claimed  # what test_store_power insists on is true because of the fsyncs alone
    finally:
        disk.unmount()


@pytest.mark.fault(7)
def test_no_space_only_at_write_back(tmp_path: Path) -> None:
    """ "no space only at write-back: as 6": the file system has space, the disk under it has none"""
    under = tmp_path / "under"
    under.mkdir()
    _mount("-t", "tmpfs", "-o", "size=24m", "tmpfs", under)
    try:
        image = under / "image"
        image.touch()
        os.truncate(image, 200 << 20)
        with disk_on(image, tmp_path / "disk"):
            kit = Kit(tmp_path, "disk/store")
            kit.offer("a.bin", b"small")
            kit.offer("b.bin", BIG)
            assert kit.add(kit.bundle("a.bin", b"small")).counts == {"added": 1}
            with pytest.raises(UnfinishedError, match=r"b\.bin could not be stored"):
                kit.add(kit.bundle("a.bin", b"small"), kit.bundle("b.bin", BIG), manifest=2)
            insist_on_nothing(kit, "b.bin")
            assert kit.tree()["blade/6.1.0/a.bin"] == b"small"
    finally:
        _unmount(under)


@contextlib.contextmanager
def failing_device(tmp_path: Path, trigger: Path) -> Iterator[Path]:
    """A device whose writes fail with EIO while the file `trigger` is there: nbdkit-error-filter(1), nbdfuse(1)."""
    programs = ("nbdkit", "nbdfuse", "fusermount3")
    if missing := [name for name in programs if shutil.which(name) is None]:
        pytest.skip(f"not installed: {', '.join(missing)}")
    file = tmp_path / "device"
    file.touch()
    server = ["nbdkit", "-s", "--exit-with-parent", "--filter=error", "memory", "96M"]
    faults = ["error-pwrite=EIO", "error-pwrite-rate=100%", f"error-pwrite-file={trigger}"]
    line = ["nbdfuse", str(file), "--command", *server, *faults]
    process = subprocess.Popen(line, stderr=subprocess.DEVNULL)
    try:
        wait_until(lambda: file.stat().st_size or process.poll() is not None, "a device, or why there is none")
        if process.poll() is not None:
            pytest.skip("nbdfuse does not work here")
        yield file
    finally:
        trigger.unlink(missing_ok=True)
        subprocess.run(["fusermount3", "-u", "-z", str(file)], check=False, capture_output=True)
        process.terminate()
        process.wait()


class Pulling(Silent):
    """Has the device fail from the moment on that half of a large file was written."""

    def __init__(self, trigger: Path) -> None:
        self.trigger, self.left = trigger, 4 << 20

    def advance(self, count: int) -> None:
        """Count down."""
        self.left -= count
        if self.left <= 0:
            self.trigger.touch()


@pytest.mark.fault(8)
def test_a_disk_that_fails_at_the_fsync(tmp_path: Path) -> None:
    """ "EIO on write or fsync: drop fd and temp": writes went into memory, the device takes none"""
    trigger = tmp_path / "trigger"
    with failing_device(tmp_path, trigger) as device, disk_on(device, tmp_path / "disk"):
        kit = Kit(tmp_path, "disk/store")
        kit.offer("a.bin", b"small")
        kit.offer("b.bin", BIG[: 8 << 20])
        bundles = kit.bundle("a.bin", b"small"), kit.bundle("b.bin", BIG[: 8 << 20])
        assert kit.add(bundles[0]).counts == {"added": 1}
        # where the file system's own journal meets the fault first, it is read-only from then on
        fault = r"b\.bin could not be stored: (Input/output error|Read-only file system)"
        with pytest.raises(UnfinishedError, match=fault):
            kit.add(*bundles, manifest=2, progress=Pulling(trigger))
        insist_on_nothing(kit, "b.bin")
        assert kit.tree()["blade/6.1.0/a.bin"] == b"small"


# The ledger

RECORDER = """
import sys
from pathlib import Path
from bundlekeeper.ledger.record.ledger import Ledger
from tests.ledger.ask.test_where import DAY0, read
with Ledger.open(Path(sys.argv[1]), write=True) as ledger:
    print(*ledger.record([read(0, "6.0")], DAY0).ids)
"""


def test_an_acknowledged_event_is_there_after_a_power_cut(tmp_path: Path) -> None:
    """ "acknowledged events there", with nothing written after it that would carry it to the disk"""
    disk = Disk(tmp_path)
    disk.mount()
    try:
        path = disk.point / "ledger.sqlite"
        with Ledger.open(path, write=True) as ledger:
            (first,) = ledger.record([read(0, "6.0")], DAY0).ids
        os.sync()
        with Ledger.open(path, write=True) as ledger:
            (second,) = ledger.record([read(1, "6.1")], DAY0).ids
        disk.cut_power()
        with Ledger.open(path, write=True) as ledger:
            assert [entry.id for entry in ledger.entries()] == [first, second]
    finally:
        disk.unmount()


@needs_strace
def test_a_new_ledger_is_synced_before_anything_is_acknowledged(tmp_path: Path) -> None:
    """The file, then its name, then the folder, then the first event's own file again."""
    log = tmp_path / "log"
    trace = ["strace", "-f", "-y", "-qq", f"-o{log}", "-e", "trace=linkat,link,fsync,fdatasync,write"]
    path = tmp_path / "ledger.sqlite"
    done = subprocess.run(
        [*trace, sys.executable, "-c", RECORDER, path], cwd=ROOT, capture_output=True, text=True, check=True
    )
    lines = log.read_text().splitlines()
    linked = next(n for n, line in enumerate(lines) if "link" in line and '"' in line and "ledger.sqlite" in line)
    answered = next(n for n, line in enumerate(lines) if "write(1<" in line and done.stdout[:20] in line)
    folder = [n for n, line in enumerate(lines) if "fsync(" in line and f"<{tmp_path}>" in line]
    assert any(".part-" in line and "sync(" in line for line in lines[:linked])
    assert any(linked < n < answered for n in folder)
    synced = [n for n, line in enumerate(lines) if "sync(" in line and f"<{path}>" in line]
    assert any(linked < n < answered for n in synced)
