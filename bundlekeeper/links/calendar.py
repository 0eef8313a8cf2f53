"""Real maintenance windows from an iCalendar file (RFC 5545), read by the library icalendar (extra `ics`).

Rules: an event's place (LOCATION) is the site, its summary the note; a time without a zone is in the inventory's zone;
what is cancelled is no window; what repeats, has no end or is a whole day is refused, because its windows would be
guessed; all that is wrong is reported at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from importlib import import_module
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats import limits
from bundlekeeper.formats.moments import at
from bundlekeeper.model.route.dated_windows import MAX_MINUTES, MAX_WINDOWS, DatedWindow, dated, in_order

_REPEATS = ("RRULE", "RDATE", "EXRULE")


def read_calendar(
    data: bytes, *, name: str, zone: str, sites: Sequence[str], cancelled: list[str] | None = None
) -> tuple[DatedWindow, ...]:  # fmt: skip
    """The windows of a calendar; where there is one site, an event without a place is at it. The names of events that
    were cancelled are added to `cancelled`.

    Raises InputError with every problem, also where icalendar is not installed.
    """
    try:
        icalendar = import_module("icalendar")  # by name, because not every release of it is typed
    except ImportError as error:
        hint = 'install it: pip install "bundlekeeper[ics]"; or write the windows as TOML'
        raise InputError("reading .ics needs the library icalendar", where=name, hint=hint) from error
    if len(data) > limits.CALENDAR_BYTES:
        raise InputError(f"larger than {limits.CALENDAR_BYTES} bytes", where=name, hint="is this the right file?")
    try:
        events = list(icalendar.Calendar.from_ical(data).walk("VEVENT"))
    except Exception as error:  # the library's parser raises whatever it met
        raise InputError("this is no iCalendar file (RFC 5545)", where=name, hint="save it as .ics again") from error
    if len(events) > MAX_WINDOWS:
        raise InputError(f"{len(events)} events; {MAX_WINDOWS} are the most that are read", where=name)
    problems: list[Finding] = []
    found = [
        window
        for number, event in enumerate(events, 1)
        for window in _window(event, number, zone, sites, problems, [] if cancelled is None else cancelled)
    ]
    if problems:
        message = "some events of the calendar cannot be windows"
        raise InputError(message, where=name, hint="fix what is named; nothing was planned", problems=problems)
    return in_order(found, name)


def _window(
    event: Any,  # noqa: ANN401  (the library's)
    number: int,
    zone: str,
    sites: Sequence[str],
    problems: list[Finding],
    cancelled: list[str],
) -> Iterator[DatedWindow]:
    """The window of one event; what is wrong with it is added to `problems`, and its name to
    `cancelled` where it was cancelled."""
    summary = str(event.get("SUMMARY", "")).strip()
    subject = f"event {number}{f' ({summary})' if summary else ''}"
    if str(event.get("STATUS", "")).upper() == "CANCELLED":
        cancelled.append(subject)
        return
    place = str(event.get("LOCATION", "")).strip()

    def wrong(message: str, hint: str = "") -> None:
        problems.append(Finding("bad-value", Level.ERROR, subject, message, hint))

    site = place or (sites[0] if len(sites) == 1 else "")
    begins, ends = _time(event, "DTSTART"), _time(event, "DTEND")
    length = _time(event, "DURATION")
    if any(key in event for key in _REPEATS):
        wrong("it repeats, and which of its dates are agreed is not known", "write each window as an event of its own")
    elif not site:
        wrong("it has no place, so its site is not known", "write the site's name as LOCATION")
    elif not isinstance(begins, datetime):
        wrong("it has no time at which it begins", "an event of a whole day is no window")
    elif not isinstance(ends, datetime) and not isinstance(length, timedelta):
        wrong("it has no end", "give it an end or a duration")
    else:
        try:
            start = _moment(begins, zone)
            span = _moment(ends, zone) - start if isinstance(ends, datetime) else _passed(begins, length, zone)
            minutes = span // timedelta(minutes=1)
            if not 1 <= minutes <= MAX_MINUTES:
                wrong(f"it is {minutes} minutes long", f"a window is 1 to {MAX_MINUTES} minutes long")
                return
            yield dated(site, start, minutes, str(getattr(begins.tzinfo, "key", "")) or zone, summary)
        except InputError as error:
            wrong(error.message, error.hint)
        except OverflowError:
            wrong("its time is outside the calendar that is supported here")


def _moment(time: datetime, zone: str) -> datetime:
    """The instant of a time. Raises InputError for one of a named zone that never is there, or is twice."""
    key = str(getattr(time.tzinfo, "key", ""))
    return at(time.replace(tzinfo=None), key).utc() if key else at(time, zone).utc()


def _time(event: Any, key: str) -> object:  # noqa: ANN401  (the library's)
    try:
        return getattr(event.get(key), "dt", None)
    except Exception:
        return None


def _passed(begins: datetime, length: object, zone: str) -> timedelta:
    """How much time passes. A duration of days is days of the calendar, one of hours is exact (RFC 5545 §3.3.6)."""
    if not isinstance(length, timedelta):
        return timedelta()
    days = timedelta(days=length.days)
    return at(begins + days, zone).utc().astimezone(UTC) - at(begins, zone).utc() + (length - days)
