"""`route --windows`, `--parallel`, `plan calendar` and `plan ticket`, as a user types them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import Keeper

_WINDOWS = 'windows = 1\nzone = "Europe/Lisbon"\n' + "".join(
    f'[[window]]\nsite = "holm"\nbegins = 2026-12-{day:02}T01:00:00\nminutes = 240\nnote = "change {day} | *"\n'
    for day in range(1, 7)
)
_ROUTE = ("route", "holm-b", "--to", "6.1")


@pytest.fixture
def dated(office: Keeper, tmp_path: Path) -> Path:
    """The file of a plan with dates."""
    (tmp_path / "windows.toml").write_text(_WINDOWS)
    done = office(*_ROUTE, "--windows", tmp_path / "windows.toml", "--parallel", "2", "--parallel", "skerry=1",
                  "--out", tmp_path / "plan.json")  # fmt: skip
    assert done.status == 1
    return tmp_path / "plan.json"


def test_a_plan_keeps_its_dates_and_gives_them_to_others(office: Keeper, dated: Path, tmp_path: Path) -> None:
    assert office("plan", "check", dated).status == 0
    out = office("plan", "calendar", dated)
    events = out.out.split("BEGIN:VEVENT")[1:]
    assert (out.status, len(events)) == (1, 4)
    assert "DTSTART:20261201T010000Z" in events[0]
    assert "holm-b to 6.1\\, window 1 of 4: infrastructure to 6.0.1" in events[0]
    assert "turn back by 01:" in events[0]
    book = office("report", "--runbook", "--plan", dated, "--out", "-").out
    assert "2026-12-01 01:00 to 05:00 Europe/Lisbon" in book
    assert "| window 1 of 4 | plan " in book
    told = office("plan", "ticket", dated).out
    assert told.startswith("# Change: holm-b to 6.1\n")
    assert "\\(" not in told
    assert "(change 1 \\| \\*)" in told
    done = office("plan", "ticket", dated, "--out", tmp_path / "ticket.txt", "--json")
    assert done.json["written"]["file"] == str(tmp_path / "ticket.txt")
    assert office("plan", "calendar", dated, "--out", tmp_path / "ticket.txt", "--force").status == 2  # no calendar
    assert office("plan", "calendar", dated, "--out", tmp_path / "c.ics").status == 1


def test_wrong_words_about_dates(office: Keeper, dated: Path, tmp_path: Path) -> None:
    windows = tmp_path / "windows.toml"
    plain = tmp_path / "plain.json"
    office(*_ROUTE, "--out", plain)
    for words, meant in (
        ((*_ROUTE, "--windows", tmp_path / "none.toml"), "is not there"),
        ((*_ROUTE, "--windows", windows, "--window", "4h"), "leave out --window"),
        (("route", "--all", "--to", "6.1", "--windows", windows), "--windows is about one domain"),
        ((*_ROUTE, "--parallel", "0"), "no number of pieces of work"),
        ((*_ROUTE, "--parallel", "2", "--parallel", "3"), "given twice"),
        ((*_ROUTE, "--parallel", "hulm=2"), "did you mean 'holm'"),
        (("route", "--all", "--to", "6.1", "--parallel", "hulm=2"), "did you mean 'holm'"),
        (("plan", "calendar", plain), "the plan has no dates"),
        (("report", "--runbook", "--plan", dated, "--windows", windows, "--out", "-"), "leave out --window"),
        (("report", "--runbook", "--plan", dated, "--parallel", "2", "--out", "-"), "leave out --parallel"),
    ):
        done = office(*words)
        assert (done.status, meant in done.err) == (2, True), (words, done.err)
