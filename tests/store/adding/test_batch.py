"""Small files are flushed, named and recorded together; what fails, is killed or cut off leaves each of them as if it
had been alone."""

from __future__ import annotations

import errno
import json
import os
import re
import resource
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import StoppedError, UnfinishedError
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.contents import place as placing
from bundlekeeper.store.contents.repair import consulted
from bundlekeeper.store.contents.store import Store
from bundlekeeper.verification.hashing.read import Stop
from tests.kits import power_cuts
from tests.kits.kills import added, needs_strace, ran, sha256
from tests.kits.power_cuts import Disk
from tests.kits.store_kit import Kit
from tests.kits.sure import some

disk = power_cuts.disk
COUNT = 40  # enough for more threads than one


def data(number: int) -> bytes:
    """A file's bytes: each has its own size, by which a failing call is chosen."""
    return b"." * (100 + number)


def world(base: Path) -> Path:
    """Many small good files and, in their middle, a wrong one; no store."""
    (base / "source").mkdir(parents=True)
    rows = []
    for number in range(COUNT):
        (base / f"source/{number}.bin").write_bytes(data(number))
        rows.append([f"{number}.bin", len(data(number)), sha256(data(number)), f"6.{number}.0"])
    (base / "source/wrong.bin").write_bytes(b"wrong")
    rows.insert(COUNT // 2, ["wrong.bin", 5, sha256(b"right"), "7.0.0"])
    (base / "bundles.json").write_text(json.dumps(rows))
    return base


def settled(base: Path) -> None:
    """Every file that is there is whole, and every row has its file."""
    for path in (base / "store/blade").glob("*/*"):
        assert path.read_bytes() == data(int(path.stem)), path
    if (base / "store/.keeper/store.sqlite").exists():
        # A manifest that was kept and not yet recorded counts for who consults the store database.
        with Store.open(base / "store", write=False) as store, consulted(store) as (database, damage):
            places, verified = {row.place for row in database.stored()}, set(database.verifications())
        assert all("store add was cut off" in each.message for each in damage), damage
        assert all((base / "store" / place).is_file() for place in places)
        assert verified <= places


def completes(base: Path) -> None:
    """A second run ends the work, a third reads nothing but the wrong file, and no litter is left."""
    assert {row.status for row in added(base).rows} <= {"added", "already there", "quarantined"}
    again = added(base)
    assert again.counts == {"already there": COUNT, "quarantined": 1}
    assert again.read_bytes == len(b"wrong")
    assert os.listdir(base / "store/.keeper/incoming") == []


def failing(monkeypatch: pytest.MonkeyPatch, wanted: Callable[[int], bool]) -> list[int]:
    """Have the first fsync of a wanted descriptor fail; returns the wanted ones that were tried."""
    tried: list[int] = []
    real = os.fsync

    def fsync(fd: int) -> None:
        if wanted(fd):
            tried.append(fd)
            if len(tried) == 1:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(fd)

    monkeypatch.setattr(os, "fsync", fsync)
    return tried


@pytest.mark.fault(8)
def test_a_file_that_cannot_be_flushed_spoils_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    base = world(tmp_path / "x")
    with monkeypatch.context() as patch:
        tried = failing(patch, lambda fd: os.fstat(fd).st_size == len(data(7)))
        with pytest.raises(UnfinishedError, match=r"^7\.bin could not be stored") as caught:
            added(base)
    assert len(tried) == 1, "never again"
    assert f"{COUNT - 1} of {COUNT + 1} bundles were added before this" in caught.value.hint
    assert {row.name for row in Kit(base).stored()} == {f"{n}.bin" for n in range(COUNT)} - {"7.bin"}
    assert not (base / "store/blade/6.7.0/7.bin").exists()
    settled(base)
    completes(base)


@pytest.mark.fault(9)
def test_a_folder_that_cannot_be_flushed_has_no_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    base = world(tmp_path / "x")
    with monkeypatch.context() as patch:
        failing(patch, lambda fd: os.readlink(f"/proc/self/fd/{fd}").endswith("/blade/6.7.0"))
        with pytest.raises(UnfinishedError, match=r"^7\.bin could not be stored"):
            added(base)
    assert {row.name for row in Kit(base).stored()} == {f"{n}.bin" for n in range(COUNT)} - {"7.bin"}
    settled(base)
    completes(base)


@pytest.mark.fault(9)
def test_a_family_that_cannot_be_flushed_gets_no_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    base = world(tmp_path / "x")
    with monkeypatch.context() as patch:
        failing(patch, lambda fd: os.readlink(f"/proc/self/fd/{fd}").endswith("/blade"))
        with pytest.raises(UnfinishedError, match=r"^0\.bin could not be stored"):
            added(base)
    assert Kit(base).stored() == []
    assert list((base / "store/blade").glob("*/*")) == []
    completes(base)


def test_a_name_that_cannot_be_made_concerns_its_file_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    base = world(tmp_path / "x")
    real = os.link

    def link(source: Any, name: str, **more: Any) -> None:
        if name == "7.bin":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(source, name, **more)

    with monkeypatch.context() as patch:
        patch.setattr(os, "link", link)
        with pytest.raises(UnfinishedError, match=r"^7\.bin could not be stored: No space left"):
            added(base)
    assert len(Kit(base).stored()) == COUNT - 1
    settled(base)
    completes(base)


def test_what_was_finished_before_a_stop_is_in_its_place(tmp_path: Path) -> None:
    base = world(tmp_path / "x")
    stop = Stop()

    class Stopping(Silent):
        def file(self, name: str) -> None:
            if name == "9.bin":
                stop.set()

    kit = Kit(base)
    rows = json.loads((base / "bundles.json").read_text())
    bundles = [kit.bundle(name, b"", size=size, sha256=digest, version=v) for name, size, digest, v in rows]
    with pytest.raises(StoppedError, match="stopped") as caught:
        kit.add(*bundles, stop=stop, progress=Stopping())
    count = len(kit.stored())
    assert count >= 9
    assert f"{count} of {COUNT + 1} bundles were added before this" in caught.value.hint
    completes(base)


def test_a_batch_is_bounded_by_what_a_process_may_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three descriptors for each file that waits, beside those of everything else."""
    most: list[int] = []
    real = placing.put_together

    def counted(root: int, new: Any) -> Any:
        most.append(len(new))
        return real(root, new)

    monkeypatch.setattr(placing, "put_together", counted)
    monkeypatch.setattr(resource, "getrlimit", lambda _: (128 + 3 * 16, 1024))
    base = world(tmp_path / "x")
    added(base)
    assert [count for count in most if count] == [16, 16, 8]
    shutil.rmtree(base)
    most.clear()
    monkeypatch.setattr(resource, "getrlimit", lambda _: (64, 1024))
    added(world(base))
    assert [count for count in most if count] == [1] * COUNT


@needs_strace
@pytest.mark.fault(4)
def test_all_bytes_then_all_names_then_all_folders_then_the_rows(tmp_path: Path) -> None:
    """Nothing has a name whose bytes are not flushed; nothing has a row whose folder is not; one journal for all."""
    base = world(tmp_path / "x")
    log = tmp_path / "log"
    ran(base, "strace", "-f", "-y", "-qq", f"-o{log}", "-e", "trace=mkdirat,linkat,fsync,write,pwrite64,unlink")
    dirty: set[str] = set()
    linked: set[str] = set()
    journals = 0
    text = re.sub(r"^(\d+) (.*) <unfinished \.\.\.>$", r"\1 \2", log.read_text(), flags=re.MULTILINE)
    for line in text.splitlines():
        call, paths = re.search(r"(\w+)\(", line), re.findall(r"\d+<([^>]*)>", line)
        if call is None or "resumed>" in line:
            continue
        if call[1] == "fsync":
            dirty.discard(paths[0])
            linked.discard(paths[0])
        elif call[1] == "mkdirat" or (call[1] == "write" and str(base) in paths[0]):
            dirty.add(paths[0])
        elif call[1] == "linkat":
            assert not dirty or "/blade/" not in paths[-1], line
            linked.add(paths[-1])
        elif call[1] == "pwrite64" and "store.sqlite" in paths[0]:
            assert not dirty | linked, line
        elif call[1] == "unlink" and "store.sqlite-journal" in line:
            journals += 1
    assert not dirty | linked
    assert len(Kit(base).stored()) == COUNT
    assert 0 < journals < 10


@needs_strace
@pytest.mark.slow
@pytest.mark.fault(1)
@pytest.mark.parametrize("call", ["linkat", "mkdirat", "pwrite64", "utimensat"])
def test_killed_in_the_middle_of_a_batch(tmp_path: Path, call: str) -> None:
    log = tmp_path / "log"
    ran(world(tmp_path / "count"), "strace", "-f", "-qq", f"-o{log}", "-e", f"trace={call}")
    total = len(re.findall(rf"\b{call}\(", log.read_text()))
    for number in some(range(1, total + 1, max(1, total // 5))):
        base = world(tmp_path / f"{number}")
        inject = f"inject={call}:signal=SIGKILL:when={number}"
        ended = ran(base, "strace", "-f", "-qq", "-o/dev/null", "-e", f"trace={call}", "-e", inject)
        assert ended.returncode in {-9, 137}
        settled(base)
        completes(base)


@needs_strace
@pytest.mark.slow
@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to mount")
@pytest.mark.skipif(shutil.which("mkfs.ext4") is None, reason="e2fsprogs is not installed")
@pytest.mark.fault(2)
@pytest.mark.fault(3)
@pytest.mark.parametrize("call", ["linkat", "mkdirat", "fsync", "fdatasync", "unlink"])
def test_power_cut_in_the_middle_of_a_batch(disk: Disk, call: str) -> None:
    """Each file is absent or whole, and no row is without its file."""
    base = disk.point / "base"
    log = disk.image.parent / "log"
    ran(world(base), "strace", "-f", "-qq", f"-o{log}", "-e", f"trace={call}")
    total = len(re.findall(rf"\b{call}\(", log.read_text()))
    for number in some(range(1, total + 1, max(1, total // 4))):
        shutil.rmtree(base)
        world(base)
        os.sync()
        inject = f"inject={call}:signal=SIGKILL:when={number}"
        ran(base, "strace", "-f", "-qq", "-o/dev/null", "-e", f"trace={call}", "-e", inject)
        disk.cut_power()
        if (base / "store/.keeper").exists():
            settled(base)
        completes(base)
