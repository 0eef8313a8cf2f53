"""`route --windows`, `--parallel`, `plan calendar` and `plan ticket`, as a user types them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.conftest import Keeper


def nights(site: str, days: Iterable[int], minutes: int = 240) -> str:
    """Windows so far away that no clock has passed them."""
    return "".join(
        f'[[window]]\nsite = "{site}"\nbegins = 2099-12-{day:02}T01:00:00\nminutes = {minutes}\nnote = "change {day} | *"\n'  # noqa: E501
        for day in days
    )


_HEAD = 'windows = 1\nzone = "Europe/Lisbon"\n'
_WINDOWS = _HEAD + nights("holm", range(1, 7))
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
    shown = office("plan", "show", dated)
    assert "  window 1: 2099-12-01 01:00 to 05:00 Europe/Lisbon (change 1 | *)\n" in shown.out
    first = {"window": 1, "site": "holm", "minutes": 240, "zone": "Europe/Lisbon", "note": "change 1 | *"}
    assert office("plan", "show", dated, "--json").json["dates"][0].items() >= first.items()
    out = office("plan", "calendar", dated)
    events = re.sub(r"\r?\n ", "", out.out).split("BEGIN:VEVENT")[1:]
    assert (out.status, len(events)) == (1, 4)
    assert "DTSTART:20991201T010000Z" in events[0]
    assert "holm-b to 6.1\\, window 1 of 4: infrastructure to 6.0.1" in events[0]
    assert "turn back by 2099-12-01 01:18 +00:00: " in events[0]
    book = office("report", "--runbook", "--plan", dated, "--out", "-").out
    assert "2099-12-01 01:00 to 05:00 Europe/Lisbon" in book
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
        (("route", "--all", "--to", "6.1", "--windows", windows), "no window is at site skerry"),
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


def test_windows_that_are_over_or_have_begun_are_left_out(office: Keeper, tmp_path: Path) -> None:
    """The clock of this machine decides; a plan must not be laid into a night that was."""
    windows, begun = tmp_path / "windows.toml", datetime.now(UTC) - timedelta(hours=2)
    old = "".join(f'[[window]]\nsite = "holm"\nbegins = 2020-12-0{day}T01:00:00\nminutes = 240\n' for day in (1, 2))
    now = f'[[window]]\nsite = "holm"\nbegins = {begun:%Y-%m-%dT%H:%M:%SZ}\nminutes = 600\n'
    windows.write_text(_WINDOWS + old + now)
    done = office(*_ROUTE, "--windows", windows, "--out", tmp_path / "plan.json")
    note = f"note: 2 windows of {windows} are over; 1 window of {windows} has begun: nothing is planned into them\n"
    assert note in done.err
    plan = json.loads((tmp_path / "plan.json").read_text())
    assert {row["dated"]["begins"][:4] for row in plan["timeline"]["windows"]} == {"2099"}
    assert {row["begins"][:4] for row in plan["options"]["windows"]} == {"2099"}
    windows.write_text("windows = 1\n" + old + now)
    for words in (_ROUTE, ("route", "--all", "--to", "6.1"), ("report", "--runbook", *_ROUTE[1:], "--out", "-")):
        refused = office(*words, "--windows", windows)
        assert (refused.status, "no window of the file is still to come" in refused.err) == (2, True), words
        assert "begins later than now" in refused.err


def test_the_screen_shows_the_dates_and_until_when_one_may_turn_back(office: Keeper, tmp_path: Path) -> None:
    windows = tmp_path / "windows.toml"
    windows.write_text(_WINDOWS)
    done = office(*_ROUTE, "--windows", windows)
    first = re.search(r"\n *1\s+2099-12-01 01:00 to 05:00 Europe/Lisbon\s+\d:\d\d\s+(\d\d:\d\d)\n", done.out)
    assert first, done.out
    whole = office(*_ROUTE, "--windows", windows, "--details").out.replace("\n      ", " ")
    assert f"2099-12-01 01:00 to 05:00 Europe/Lisbon; turn back by {first[1]}: " in whole
    assert "turn back by" not in office(*_ROUTE).out
    narrow = office(*_ROUTE, "--windows", windows, env={"COLUMNS": "80"})
    assert max(map(len, narrow.out.splitlines())) <= 80


def test_domains_share_the_real_windows_of_their_site(office: Keeper, tmp_path: Path) -> None:
    """holm-a and holm-b are of one separate_windows: never in one window, though the site has only one a night."""
    windows = tmp_path / "windows.toml"
    windows.write_text(_WINDOWS + nights("skerry", range(1, 7)))
    words = ("route", "--all", "--to", "6.1", "--windows", windows)
    found = office(*words, "--json").json
    used = [(row["domain"], window["dated"]) for row in found["routes"] for window in row["windows"]]
    assert {domain for domain, _ in used} == {"holm-a", "holm-b", "skerry-a"}
    taken = [(dated["site"], dated["begins"]) for _, dated in used]
    assert len(set(taken)) == len(taken)
    assert all(domain.startswith(dated["site"]) for domain, dated in used)
    assert all(window["turn_back"] > 0 for row in found["routes"] for window in row["windows"])
    rounds = [{window["domain"] for window in row["windows"]} for row in found["rounds"]]
    assert any(len(names) > 1 for names in rounds), "holm and skerry work in one night"
    done = office(*words)
    assert re.search(r"rounds\s+dates\s+errors", done.out)
    assert done.err.endswith(f"next: bundlekeeper route --all --to 6.1 --windows {windows} --details\n")
    assert re.search(r"round 1: 2099-12-01 01:00 to 05:00 Europe/Lisbon at holm: \d+ minutes: holm-b",
                     office(*words, "--details").out.replace("\n  ", " "))  # fmt: skip
    windows.write_text(_HEAD + nights("holm", range(1, 6)))
    few = office("route", "--site", "holm", "--to", "6.1", "--windows", windows)
    assert (few.status, "5 windows at site holm are not enough: holm-a needs 1 more" in few.err) == (2, True), few.err


def test_what_is_left_of_a_plan_keeps_the_numbers_and_dates_of_its_windows(office: Keeper, tmp_path: Path) -> None:
    """A window has one number on every paper: who types `plan record --window 2` means what the sheet calls so."""
    windows, plan = tmp_path / "windows.toml", tmp_path / "plan.json"
    windows.write_text(_HEAD + nights("holm", range(1, 9), 130))
    office(*_ROUTE, "--windows", windows, "--out", plan)
    assert office("plan", "keep", plan, "--name", "night").status == 1
    before = _events(office)
    assert len(before) == 6
    words = ("plan", "record", "night", "--window", "1", "--yes", "--except", "HOLMB-IO1=no-answer")
    early = office(*words)
    assert (early.status, "window 1 has not begun: 2099-12-01 01:00" in early.err) == (4, True), early.err
    done = office(*words, "--anyway", "an exercise")
    assert done.status < 2, done.err
    said = office("plan", "progress", "night", "--json").json
    assert said["next_window"] == 2
    assert _events(office) == before[1:], "the same event has the same name, number and date"
    ticket = office("plan", "ticket", "night").out
    rows = [row.split(" | ")[:3] for row in ticket.splitlines() if re.match(r"\| \d+ \|", row)]
    assert [row[0] for row in rows] == [f"| {number}" for number in range(1, 7)]
    assert rows[0][2].startswith("no date: its own is over"), "what is tried again"
    assert ["2099-12-02 01:00" in row[2] for row in rows] == [False, True, False, False, False, False]
    book = office("report", "--runbook", "--plan", "night", "--out", "-").out
    assert re.findall(r"\| window (\d) of 6 \|", book) == list("123456")
    shown = {row["number"]: {part["key"] for part in row["components"]} for row in said["windows"]}
    sheet = office("plan", "record", "night", "--window", "2", "--template", "-").out
    assert {row.partition(",")[0] for row in sheet.splitlines()[1:]} == shown[2]


def _events(office: Keeper) -> list[tuple[str, str, str]]:
    """The name, the beginning and the title of each event of the plan's calendar."""
    text = office("plan", "calendar", "night").out.replace("\r\n ", "").replace("\r\n", "\n")
    return re.findall(r"UID:(\S+)\n(?:.*\n)*?DTSTART:(\S+)\n(?:.*\n)*?SUMMARY:(.*)\n", text)


def test_events_that_are_passed_over_are_named(office: Keeper, tmp_path: Path) -> None:
    """A window that somebody entered and that is not used must not be missed."""
    pytest.importorskip("icalendar")
    calendar = tmp_path / "w.ics"
    event = "BEGIN:VEVENT\r\nUID:{0}\r\nDTSTART:209912{0:02}T010000Z\r\nDURATION:PT4H\r\n"
    event += "SUMMARY:n{0}\r\n{1}\r\nEND:VEVENT\r\n"
    rows = [(day, "LOCATION:holm") for day in range(1, 7)]
    rows += [(8, "LOCATION:holm\r\nSTATUS:CANCELLED"), (9, "LOCATION:Holm\\, hall 2")]
    head = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\n"
    calendar.write_bytes(f"{head}{''.join(event.format(*row) for row in rows)}END:VCALENDAR\r\n".encode())
    done = office(*_ROUTE, "--windows", calendar)
    assert done.status == 1, done.err
    assert f"note: event 7 (n8) of {calendar} is cancelled: nothing is planned there\n" in done.err
    assert f"note: 1 window of {calendar} at Holm, hall 2: the inventory has no such site" in done.err
