"""The copy of a shared ledger: made again where it stopped, and never taken for the ledger as it is now."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.jobs.shared.which_ledger import LedgerPlace, SharedAt, open_own
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.shared import copied_ledger, offline
from bundlekeeper.ledger.shared.copied_ledger import SharedLedger
from bundlekeeper.ledger.shared.log import LoggedBatch
from tests.kits.ledger_history import DAY0, everything, read
from tests.kits.postgres import READER, SharedDatabase, cluster, database, opened

__all__ = ["cluster", "database"]


def test_an_interrupted_copy_answers_nothing_and_goes_on_where_it_stopped(
    database: SharedDatabase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not even offline; how long the rest takes is said."""
    with opened(database) as ledger:
        for day in range(4):
            ledger.record([read(day, f"6.{day}")], DAY0)
        answer = everything(ledger)
    monkeypatch.setattr(copied_ledger, "_AT_ONCE", 1)
    monkeypatch.setattr(copied_ledger, "_MANY", 2)
    copy, copied, stops = SharedLedger._copy, [], {3}

    def cut(self: SharedLedger, batch: LoggedBatch) -> None:
        if batch.number in stops:
            raise KeyboardInterrupt
        copied.append(batch.number)
        copy(self, batch)

    monkeypatch.setattr(SharedLedger, "_copy", cut)
    with pytest.raises(KeyboardInterrupt), opened(database, READER, copies="later"):
        pass
    away = SharedAt(offline=True, copies=database.folder / "later")
    place = LedgerPlace(away, database.address(READER), tmp_path / "none.sqlite")
    with pytest.raises(UnfinishedError) as error:
        open_own(place, write=False, now=lambda: DAY0, tell=lambda note: None)
    assert "2 of 4 events" in error.value.message and "where it stopped" in error.value.hint
    stops.clear()
    said: list[str] = []
    minutes = iter(range(100))
    folder = database.folder / "later"
    with SharedLedger.connect(
        database.address(READER),
        folder,
        write=False,
        tell=said.append,
        now=lambda: DAY0 + timedelta(minutes=next(minutes)),
    ) as later:
        assert everything(later) == answer
    assert copied == [1, 2, 3, 4]
    assert said == [
        "note: copying 2 events of the shared ledger, once",
        "note: 3 of 4 events are copied; about 1 min 0 s more",
    ]
    with open_own(place, write=False, now=lambda: DAY0, tell=said.append) as away_ledger:
        assert everything(away_ledger) == answer
    assert "not asked" in said[-1] and "4 events" in said[-1]


def test_what_the_shared_ledger_lacks_is_found_among_the_newest_first(
    database: SharedDatabase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two ledgers that recorded the same, each by itself: one event more is found by one question."""
    monkeypatch.setattr(offline, "_QUESTION", 2)
    events = [read(day, f"6.{day}") for day in range(9)]
    own = tmp_path / "own.sqlite"
    with Ledger.open(own, write=True) as ledger, opened(database) as shared:
        ledger.record(events, DAY0)
        shared.record(events, DAY0)
        asked: list[str] = []
        shared.connection.set_trace_callback(
            lambda statement: asked.append(statement) if " IN (" in statement else None
        )
        assert not offline.lacks(shared, own)
        assert len(asked) == 5
        ledger.record([read(9, "6.9")], DAY0)
        asked.clear()
        assert offline.lacks(shared, own)
        assert len(asked) == 1
