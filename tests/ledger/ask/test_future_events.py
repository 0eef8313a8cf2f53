"""Events that are dated beyond the clock: reported with every answer, and never counted."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.formats import moments
from bundlekeeper.ledger.ask.future_events import ahead
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.record.ledger import Ledger
from tests.conftest import Keeper
from tests.kits.ledger_commands import MARRAM
from tests.kits.ledger_history import DAY0, MEMORY, at, read, stated

FAR = datetime(2137, 1, 2, 12, tzinfo=UTC)


@pytest.fixture
def misled(keeper: Keeper, tmp_path: Path) -> Keeper:
    """A store of which one component was observed while the clock was a century ahead."""
    assert keeper("inventory", "load", MARRAM, "--reported-by", "kim").status == 0
    event = stated(EventKind.ACTIVATED, 0, "9.9", component="HOLMA-IO1", at=moments.at(FAR), kind="io-module")
    with Ledger.open(tmp_path / "store/.keeper/ledger.sqlite", write=True) as ledger:
        ledger.record([event], FAR)
    return keeper


@settings(max_examples=40)
@given(days=st.lists(st.integers(0, 30), max_size=12), clock=st.integers(0, 30), void=st.sets(st.integers(0, 11)))
def test_every_event_beyond_the_clock_that_counts_is_counted(days: list[int], clock: int, void: set[int]) -> None:
    """ "it names how many events and the furthest time": those of a later day than tomorrow that are not undone"""
    events = [stated(EventKind.ACTIVATED, day, f"{n}.0", component=f"C{n}") for n, day in enumerate(days)]
    undone = [
        Event(what=EventKind.UNDONE, at=at(99), reported_by="x", undoes=events[n].id(), reason="wrong")
        for n in void
        if n < len(events)
    ]
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l"), write=True) as ledger:
        ledger.record([*events, *undone], DAY0)
        found = ahead(ledger, DAY0 + timedelta(days=clock))
    limit = moments.at(DAY0 + timedelta(days=clock) + moments.AHEAD).at_us
    beyond = [e.at for n, e in enumerate(events) if e.at.at_us > limit and n not in void]
    assert (found.count if found else 0) == len(beyond)
    assert found is None or found.furthest == max(beyond, key=lambda moment: moment.at_us)


def test_of_a_reading_it_is_the_reading_that_is_undone(tmp_path: Path) -> None:
    """One event undoes all of it."""
    scope = (("holm", "holm-a", "bios"),)
    reading = Event(what=EventKind.INVENTORY, at=at(50), reported_by="x", document="0" * 64, scope=scope)
    with Ledger.open(tmp_path / "l", write=True) as ledger:
        ledger.record([reading, read(50, "6.0", reading=reading.id())], DAY0)
        found = ahead(ledger, DAY0)
        assert found is not None
        assert (found.count, found.event) == (2, reading.id())
        ledger.record([Event(what=EventKind.UNDONE, at=at(50), reported_by="x", undoes=found.event, reason="y")], DAY0)
        assert ahead(ledger, DAY0) is None


def test_it_costs_no_look_at_the_events_where_none_is_ahead(tmp_path: Path) -> None:
    """A million events are not read for it; where one is ahead, its index is compared with the table."""
    path = tmp_path / "l"
    statements: list[str] = []
    with Ledger.open(path, write=True) as ledger:
        ledger.record([read(0, "6.0")], DAY0)
        ledger.connection.set_trace_callback(statements.append)
        assert ahead(ledger, DAY0) is None
        assert not [s for s in statements if " FROM event " in s]
        ledger.record([read(9, "6.1")], DAY0)
        statements.clear()
        found = ahead(ledger, DAY0)
        ledger.connection.set_trace_callback(None)
        assert found is not None
        assert found.count == 1
        asked = [s for s in statements if " FROM event " in s]
        plans = [ledger.connection.execute(f"EXPLAIN QUERY PLAN {s}").fetchone()[3] for s in asked]
    assert ["INDEX event_at (at>?)" in plan for plan in plans] == [True, False]


@pytest.mark.parametrize("words", [(), ("HOLMA-IO2",), ("--count", "site"), ("--picture",), ("--json",)])
def test_where_reports_what_it_does_not_count(misled: Keeper, words: tuple[str, ...]) -> None:
    """It reports clock-doubtful, a warning, how many events and the furthest time, a hint."""
    ran = misled("where", *words)
    assert ran.status == 1
    printed = ran.out + ran.err
    assert "clock-doubtful" in printed
    assert "1 event is dated after this machine's clock" in printed
    assert "2137-01-02 12:00:00" in printed
    assert "bundlekeeper ledger undo" in printed
    assert "9.9" not in printed
    if words == ("--picture",):
        assert "clock-doubtful" not in ran.out


def test_exported_tables_report_it_beside_the_table(misled: Keeper) -> None:
    """What is doubtful about a table is no row of it."""
    for table in ("where", "inventory"):
        ran = misled("export", "csv", table)
        assert (ran.status, "clock-doubtful" in ran.err, "clock-doubtful" in ran.out) == (1, True, False)
        assert "9.9" not in ran.out


def test_undoing_it_ends_the_doubt(misled: Keeper) -> None:
    """The hint is followed word for word."""
    checked = misled("ledger", "verify", "--json")
    assert (checked.status, checked.codes) == (1, ["clock-doubtful"])
    event = checked.json["findings"][0]["hint"].split("ledger undo ")[1].split()[0]
    noted = misled("observe", "HOLMA-IO2", "--active", "6.0.1", "--json")  # recorded, and reported all the same
    assert (noted.status, [f["level"] for f in noted.json["findings"]]) == (0, ["note"])
    assert misled("ledger", "undo", event, "--reason", "the clock was ahead").status == 0
    assert misled("ledger", "verify").status == 0
    assert misled("where").status == 0


def test_a_day_still_to_come_is_reported(misled: Keeper) -> None:
    """An answer about a far future day is as of now, so it says so."""
    near = misled("where", "HOLMA-IO1", "--on", "2101-01-01", "--json")
    assert [(f["code"], f["level"], f["subject"]) for f in near.json["findings"]] == [
        ("clock-doubtful", "note", "--on"),
        ("clock-doubtful", "warning", "ledger"),
    ]
    assert "2101-01-01 is still to come" in near.json["findings"][0]["message"]
    known = misled("where", "HOLMA-IO1", "--on", "2026-11-21", "--known", "2101-01-01", "--json")
    assert (known.status, [f["subject"] for f in known.json["findings"]]) == (0, ["--known"])
    past = misled("where", "HOLMA-IO1", "--on", "2026-11-21", "--json")
    assert (past.status, past.codes) == (0, [])


def test_what_is_planned_or_printed_from_the_ledger_reports_it_too(office: Keeper, tmp_path: Path) -> None:
    """A plan that ignores an event without a word is made from wrong facts."""
    event = stated(EventKind.ACTIVATED, 0, "9.9", component="HOLMA-IO1", at=moments.at(FAR), kind="io-module")
    page = tmp_path / "page.txt"
    asked = (
        ("gaps", "holm-a", "--to", "6.1", "--json"),
        ("route", "holm-a", "--to", "6.1", "--json"),
        ("route", "--all", "--to", "6.1", "--json"),
        ("media", "pack", "--for", "holm-a", "--to", "6.1", "--volume", "16GB:fat32", "--json"),
        ("report", "--runbook", "holm-a", "--to", "6.1", "--out", tmp_path / "runbook.txt", "--json"),
        ("report", "--site", "holm", "--out", page, "--json"),
    )
    before = [office(*words) for words in asked]
    assert [name for name, ran in zip(asked, before, strict=True) if "clock-doubtful" in ran.codes] == []
    page.unlink()
    (tmp_path / "runbook.txt").unlink(missing_ok=True)
    with Ledger.open(tmp_path / "store/.keeper/ledger.sqlite", write=True) as ledger:
        ledger.record([event], FAR)
    for words in asked:
        ran = office(*words)
        assert ran.status == 1, words
        assert ran.codes.count("clock-doubtful") == 1, words
        assert "9.9" not in ran.out, words
    assert "1 event is dated after this machine's clock" in page.read_text()
    assert "clock-doubtful" in (tmp_path / "runbook.txt").read_text()
    past = office("report", "--site", "holm", "--on", "2026-11-21", "--out", tmp_path / "past.txt", "--json")
    assert (past.status, past.codes) == (0, [])
