"""Windows as iCalendar: what RFC 5545 asks of its lines; the library icalendar, where it is installed, reads them."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.links.calendar import read_calendar
from bundlekeeper.reports.calendar import CalendarEvent, calendar

_MADE = datetime(2026, 11, 30, 20, 0, tzinfo=UTC)
_ODD = "a, b; c\\ d: \u00fcbermorgen \U0001f6a2 " + "\u00e9" * 80 + "\x1b[0m\nEND:VEVENT"
_BEGINS = datetime.fromisoformat("2027-03-28T00:00:00+00:00")


def _text(*summaries: str) -> str:
    rows = [
        CalendarEvent(f"{n}@x", _BEGINS, 240, summary, "holm", (summary, "b")) for n, summary in enumerate(summaries)
    ]
    return calendar(rows, _MADE, "bundlekeeper 0")


def test_lines_end_with_crlf_and_have_at_most_75_octets() -> None:
    """ "Lines of text SHOULD NOT be longer than 75 octets, excluding the line break." (RFC 5545 §3.1)"""
    text = _text(_ODD)
    lines = text.encode("utf-8").split(b"\r\n")
    assert lines[-1] == b""
    assert max(map(len, lines)) == 75
    assert not any(b"\n" in line or b"\r" in line for line in lines)
    for line in lines:
        line.decode("utf-8")  # never broken within a character
    assert text.count("\r\nEND:VEVENT\r\n") == 1  # what a name has is text


def test_text_is_escaped_and_times_are_utc() -> None:
    """ "BACKSLASH, SEMICOLON and COMMA MUST be escaped" (RFC 5545 §3.3.11); four hours pass, clocks change or not."""
    rows = _text("a, b; c\\").split("\r\n")
    assert "SUMMARY:a\\, b\\; c\\\\" in rows
    assert "DESCRIPTION:a\\, b\\; c\\\\\\nb" in rows
    assert ("DTSTART:20270328T000000Z" in rows, "DTEND:20270328T040000Z" in rows) == (True, True)
    assert rows[:2] == ["BEGIN:VCALENDAR", "VERSION:2.0"]
    assert (rows[-3:], "DTSTAMP:20261130T200000Z" in rows) == (["END:VEVENT", "END:VCALENDAR", ""], True)


def test_without_the_library_the_way_out_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "icalendar", None)
    with pytest.raises(InputError) as caught:
        read_calendar(b"BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n", name="w.ics", zone="UTC", sites=())
    assert "needs the library icalendar" in caught.value.message
    assert "bundlekeeper[ics]" in caught.value.hint


def test_the_library_reads_what_we_write() -> None:
    icalendar = pytest.importorskip("icalendar")
    events = list(icalendar.Calendar.from_ical(_text(_ODD, "second").encode()).walk("VEVENT"))
    assert str(events[0]["SUMMARY"]) == _ODD.replace("\x1b", "\\x1b").replace("\n", "\\n")
    assert events[0]["DTSTART"].dt == _BEGINS
    assert (events[0]["DTEND"].dt - events[0]["DTSTART"].dt).total_seconds() == 4 * 3600
    assert str(events[1]["LOCATION"]) == "holm"


def test_windows_come_from_what_the_library_writes(tmp_path: Path) -> None:
    """A zone by name over a change of clocks, a duration, a cancelled one; ours are windows again, too."""
    pytest.importorskip("icalendar")
    head, tail = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\n", "END:VCALENDAR\r\n"
    rows = [
        "DTSTART;TZID=Europe/Lisbon:20270328T000000\r\nDTEND;TZID=Europe/Lisbon:20270328T050000\r\nLOCATION:holm",
        "DTSTART:20270402T010000\r\nDURATION:PT90M\r\nSUMMARY:change 118",
        "DTSTART:20270403T010000\r\nDURATION:PT1H\r\nSTATUS:CANCELLED",
    ]

    def read(*events: str, sites: tuple[str, ...] = ("holm",)) -> list[tuple[str, int]]:
        made = (f"BEGIN:VEVENT\r\nUID:{n}\r\n{e}\r\nEND:VEVENT\r\n" for n, e in enumerate(events))
        text = head + "".join(made) + tail
        found = read_calendar(text.encode(), name="w.ics", zone="Europe/Lisbon", sites=sites)
        return [(window.text(), window.minutes) for window in found]

    assert read(*rows) == [
        ("2027-03-28 00:00 +00:00 to 05:00 +01:00 Europe/Lisbon (clocks change during it)", 240),
        ("2027-04-02 01:00 to 02:30 Europe/Lisbon", 90),
    ]
    for time, word in (("20270328T013000", "never is"), ("20271031T013000", "is twice")):
        with pytest.raises(InputError) as refused:
            read(f"DTSTART;TZID=Europe/Lisbon:{time}\r\nDURATION:PT4H")
        assert word in str(refused.value.problems), time
    wrong = [f"{rows[1]}\r\nRRULE:FREQ=WEEKLY", "DTSTART;VALUE=DATE:20270402", "DTSTART:20270402T010000"]
    with pytest.raises(InputError) as caught:
        read(*wrong)
    assert [problem.message.partition(",")[0] for problem in caught.value.problems] == [
        "it repeats", "it has no time at which it begins", "it has no end"
    ]  # fmt: skip
    with pytest.raises(InputError, match="cannot be windows"):
        read(rows[1], sites=("holm", "skerry"))
    ours = read_calendar(_text("one").encode(), name="w.ics", zone="UTC", sites=())
    assert [(w.site, w.minutes, w.note) for w in ours] == [("holm", 240, "one")]
