"""Data at rest that was damaged, and places that are not where they should be."""

from __future__ import annotations

import errno
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bundlekeeper.errors import DamagedError
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.verify import verify
from bundlekeeper.store.database.store_database import StoreDatabase
from bundlekeeper.store.disk import temp_files
from tests.kits.fresh_database import fresh
from tests.kits.ledger_history import DAY0, at, read


def test_damage_that_only_a_check_of_the_pages_finds(tmp_path: Path) -> None:
    """ "ledger page damaged: detected; no writing; a way out" — in a page that the command at hand would never read"""
    with fresh(tmp_path) as database:
        for _ in range(60):
            database.record_exception(datetime(2026, 8, 14, tzinfo=UTC), "x", "x", "because " * 100)
    path = tmp_path / "store.sqlite"
    data = path.read_bytes()
    page = data.rindex(b"because ") // 4096
    path.write_bytes(data[: page * 4096] + bytes([13]) + b"\xff" * 4095 + data[(page + 1) * 4096 :])
    with pytest.raises(DamagedError) as caught:
        StoreDatabase.open(path, write=True)
    assert "bundlekeeper verify" in caught.value.hint
    with StoreDatabase.open(path, write=False) as database:  # a reader may try, and is reported when it meets the page
        assert database.stored() == []
        with pytest.raises(DamagedError):
            database.exceptions()


def test_another_file_system_is_never_made_up_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "temp on another file system: can't be; EXDEV is an error", where files have names as well"""
    (tmp_path / ".keeper").mkdir()
    root = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)

    def elsewhere(*_: object, **__: object) -> None:
        raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))

    try:
        with temp_files.opened(root) as room:
            monkeypatch.setattr(os, "link", elsewhere)
            for temp in (room.named(), room.temp()):
                with temp, pytest.raises(OSError, match="cross-device"):
                    temp.publish(root, "a.bin")
    finally:
        os.close(root)
    assert not (tmp_path / "a.bin").exists()
    assert list((tmp_path / ".keeper/incoming").iterdir()) == []


# The ledger


def test_nothing_is_recorded_beside_a_damaged_page_that_is_not_read(tmp_path: Path) -> None:
    """ "detected; no writing": the page holds a kept document, which recording would never look at"""
    path = tmp_path / "l"
    text = "".join(f"{number:032x}" for number in range(2000, 6000))
    with Ledger.open(path, write=True) as ledger:
        reading = Event(
            what=EventKind.INVENTORY, at=at(0), reported_by="x", document="0" * 64, scope=(("holm", "a", "bios"),)
        )
        ledger.record([reading], DAY0, documents={"0" * 64: text})
        (page,) = ledger.connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'sqlite_autoindex_document_1'"
        ).fetchone()
    data = path.read_bytes()
    start = (page - 1) * 4096
    path.write_bytes(data[:start] + bytes([10]) + b"\xff" * 4095 + data[start + 4096 :])
    with pytest.raises(DamagedError) as caught:
        Ledger.open(path, write=True)
    assert "salvage" in caught.value.hint
    assert path.read_bytes()[start + 1 : start + 4096] == b"\xff" * 4095


def test_an_error_after_the_events_rolls_them_back(tmp_path: Path) -> None:
    """ "All of a call or nothing of it": the last part of the call fails when its events are in the transaction."""
    with Ledger.open(tmp_path / "l", write=True) as ledger:
        with pytest.raises(ValueError, match="hexadecimal"):
            ledger.record([read(0, "6.0")], DAY0, also=lambda _: print(bytes.fromhex("no number")))
        assert ledger.head().count == 0
        assert list(ledger.entries()) == []
        assert ledger.record([read(0, "6.0")], DAY0).new == 1
    with Ledger.open(tmp_path / "l", write=True) as ledger:
        assert verify(ledger).ok
