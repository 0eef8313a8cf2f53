"""Windows as an iCalendar file (RFC 5545), for the calendars of those who work in them.

Rules: times are in UTC, so that no reader needs our time zones; lines end with CRLF and are folded at 75 octets, never
within a character (§3.1); text is escaped (§3.3.11); the same window of the same plan has the same UID.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from bundlekeeper.formats.escape import visible

_FOLD = 75  # octets of a line without its end


@dataclass(frozen=True, slots=True)
class CalendarEvent:
    """One window: `begins` is aware, `uid` is unique in the world and the same for the same window."""

    uid: str
    begins: datetime
    minutes: int
    summary: str
    location: str
    description: tuple[str, ...]


def calendar(events: Iterable[CalendarEvent], made_at: datetime, made_by: str) -> str:
    """The calendar's text; `made_at` is aware."""
    return "".join(f"{folded}\r\n" for line in _lines(events, made_at, made_by) for folded in _folded(line))


def _lines(events: Iterable[CalendarEvent], made_at: datetime, made_by: str) -> Iterator[str]:
    yield from ("BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:-//bundlekeeper//{_text(made_by)}//EN", "CALSCALE:GREGORIAN")
    for event in events:
        yield "BEGIN:VEVENT"
        yield f"UID:{_text(event.uid)}"
        yield f"DTSTAMP:{_time(made_at)}"
        yield f"DTSTART:{_time(event.begins)}"
        yield f"DTEND:{_time(event.begins.astimezone(UTC) + timedelta(minutes=event.minutes))}"
        yield f"SUMMARY:{_text(event.summary)}"
        yield f"LOCATION:{_text(event.location)}"
        yield "DESCRIPTION:" + "\\n".join(map(_text, event.description))
        yield "END:VEVENT"
    yield "END:VCALENDAR"


def _time(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def _text(words: str) -> str:
    shown = visible(words).replace("\\", "\\\\")
    return shown.replace(";", "\\;").replace(",", "\\,")


def _folded(line: str) -> Iterator[str]:
    """The line in pieces of at most 75 octets; each but the first begins with a blank, which counts."""
    piece, size = "", 0
    for character in line:
        octets = len(character.encode("utf-8"))
        if size + octets > _FOLD:
            yield piece
            piece, size = " ", 1
        piece, size = piece + character, size + octets
    yield piece
