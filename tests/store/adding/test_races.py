"""What happens between the look at a place and the link into it, and afterwards: nothing of another's is claimed."""

from __future__ import annotations

import os
import threading
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.media.volume.read_back import ReadBackLevel
from bundlekeeper.media.writing import verify_written as verifying
from bundlekeeper.media.writing.verify_written import Verified, verify_written
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.contents import place as placing
from bundlekeeper.store.disk import temp_files
from tests.kits.full_disks import litter
from tests.kits.store_kit import GOOD, Kit, codes

OTHER = b"other bytes of the size" * 1000


@pytest.fixture
def kit(tmp_path: Path) -> Kit:
    """A store without bundles, and one bundle to take."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add()
    return kit


def lay_before_the_link(kit: Kit, monkeypatch: pytest.MonkeyPatch, data: bytes) -> Path:
    """Have somebody lay a file into the bundle's place after the plan was made, once."""
    place, real = kit.root / "blade/6.1.0/a.bin", placing.put_together

    laid: list[Path] = []

    def put(*given: Any, **named: Any) -> Any:
        if not laid:
            laid.append(place)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
        return real(*given, **named)

    monkeypatch.setattr(placing, "put_together", put)
    return place


def test_right_bytes_that_came_before_us_are_verified_and_left(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    place = lay_before_the_link(kit, monkeypatch, GOOD)
    result = kit.add(kit.bundle("a.bin", GOOD), manifest=2)
    assert [row.status for row in result.rows] != ["added"]
    assert (place.read_bytes(), place.stat().st_nlink) == (GOOD, 1)
    assert kit.states() == {"blade/6.1.0/a.bin": "verified"}
    assert litter(kit.root) == []


def test_wrong_bytes_that_came_before_us_go_to_quarantine(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that is taken is never replaced; what lies there is judged as if it had been there before the plan."""
    bad = b"bad!bytes!" * 1000
    place = lay_before_the_link(kit, monkeypatch, bad)
    result = kit.add(kit.bundle("a.bin", GOOD), manifest=2)
    assert "altered" in codes(result)
    assert place.read_bytes() == GOOD
    assert bad in [path.read_bytes() for path in (kit.root / "quarantine").iterdir()]
    assert litter(kit.root) == []


@pytest.mark.parametrize("way", ["put", "put_again"])
def test_another_file_in_the_place_of_the_one_just_linked(kit: Kit, monkeypatch: pytest.MonkeyPatch, way: str) -> None:
    """Whoever may write the folder can swap the name before we look at it again: then nothing is claimed of it."""
    rows = [kit.bundle("a.bin", GOOD)]
    if way == "put_again":
        kit.add(*rows, manifest=2)
        rows.append(kit.bundle("b.bin", GOOD))
    name = "a.bin" if way == "put" else "b.bin"
    place, real = kit.root / "blade/6.1.0" / name, os.fsync

    def fsync(fd: int) -> None:
        real(fd)
        if place.exists() and os.path.sameopenfile(fd, os.open(place.parent, os.O_RDONLY)):
            place.unlink()
            place.write_bytes(OTHER)

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(UnfinishedError, match="another file is where this one was just put"):
        kit.add(*rows, manifest=3)
    monkeypatch.undo()
    assert name not in [row.name for row in kit.stored()]
    assert place.read_bytes() == OTHER


def test_where_there_are_no_links_the_name_is_looked_for_before_the_rename(kit: Kit, tmp_path: Path) -> None:
    """rename(2) replaces, so it is the look that keeps another's file (FAT and exFAT answer EPERM to link(2))."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder/a.bin").write_bytes(OTHER)
    folder = os.open(tmp_path / "folder", os.O_RDONLY)
    home = os.open(tmp_path, os.O_RDONLY)
    real = os.link

    def link(*_: Any, **__: Any) -> None:
        raise PermissionError(1, "Operation not permitted")

    with temp_files.Incoming(home).named() as temp:
        os.write(temp.fd, GOOD)
        os.link = link
        try:
            with pytest.raises(FileExistsError):
                temp.publish(folder, "a.bin")
            assert (tmp_path / "folder/a.bin").read_bytes() == OTHER
            temp.publish(folder, "b.bin")
        finally:
            os.link = real
    assert (tmp_path / "folder/b.bin").read_bytes() == GOOD
    os.close(folder)
    os.close(home)


class _Volume:
    """As much of a volume as the start of its verification looks at."""

    kept: dict[str, object] = {}  # noqa: RUF012


@pytest.mark.parametrize("room", [0, 1, 2])
def test_no_thread_to_be_had_while_reading_back(monkeypatch: pytest.MonkeyPatch, room: int) -> None:
    """Volumes without a thread of their own are read back all the same, by the caller: none is verified unread.

    pthread_create(3): EAGAIN, "insufficient resources, or a limit on the number of threads"; Python: RuntimeError.
    """
    real, here = threading.Thread.start, threading.get_ident()
    started: list[threading.Thread] = []
    by: list[int] = []

    def start(thread: threading.Thread) -> None:
        if len(started) >= room:
            raise RuntimeError("can't start new thread")
        started.append(thread)
        real(thread)

    def verify(*_: Any, **__: Any) -> Verified:
        by.append(threading.get_ident())
        return Verified(ReadBackLevel.EVICTED, "", ())

    monkeypatch.setattr(threading.Thread, "start", start)
    monkeypatch.setattr(verifying, "_verify", verify)
    volumes: Any = {_Volume(): {}, _Volume(): {}}
    assert set(verify_written(volumes, Silent(), None)) == set(volumes)
    assert by.count(here) == 2 - room
