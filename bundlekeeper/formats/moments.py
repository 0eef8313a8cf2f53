"""When something happened: an instant, or a whole day of which only the end is certain.

Rules: a bare date means the end of that day in the site's zone (its last microsecond); a local time that never was,
because clocks were put forward over it, or that was twice, because they were put back, is refused; a moment that is
stated as past is never more than a day ahead of the clock (a bare date of today ends at most a day from now);
everything compares in UTC; the zone stays beside it, so that people read their own time. Zones: the IANA database by
name, "UTC", or an offset "+02:00".
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo

from bundlekeeper.errors import InputError
from bundlekeeper.frozen import dataclass

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_OFFSET = re.compile(r"([+-])([01][0-9]|2[0-3]):([0-5][0-9])")
_NAME = re.compile(
    r"[A-Za-z0-9_+-]{1,40}(/[A-Za-z0-9_+-]{1,40}){0,3}"
)  # never a path that leaves the database's folder
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment. `at_us` counts microseconds since 1970-01-01T00:00Z; with `is_day` it is the day's last one."""

    at_us: int
    is_day: bool
    zone: str

    def utc(self) -> datetime:
        """The moment as an aware time in UTC."""
        return _EPOCH + timedelta(microseconds=self.at_us)

    def text(self) -> str:
        """For people: `2026-03-01`, or `2026-03-01 14:05:00+01:00` in the moment's own zone.

        Raises InputError when this machine does not know the zone.
        """
        local = self.utc().astimezone(zone_of(self.zone))
        if self.is_day:
            return local.date().isoformat()
        return local.isoformat(sep=" ", timespec="microseconds" if local.microsecond else "seconds")


def zone_of(name: str) -> tzinfo:
    """Return the zone called `name`. Raises InputError when there is none of that name here."""
    if name in {"UTC", "Z"}:
        return UTC
    offset = _OFFSET.fullmatch(name)
    if offset:
        size = timedelta(hours=int(offset[2]), minutes=int(offset[3]))
        return timezone(size if offset[1] == "+" else -size)
    import zoneinfo  # only where a named zone is used: it costs several milliseconds

    try:
        if _NAME.fullmatch(name):
            return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as e:
        raise InputError(f"this machine knows no time zone called {name!r}", hint=_ZONE_HINT) from e
    raise InputError(f"{name!r} is no time zone", hint=_ZONE_HINT)


_ZONE_HINT = 'write an IANA name such as "Etc/GMT-1", "UTC", or an offset such as "+02:00"'


def end_of(day: date, zone: str) -> Moment:
    """The end of `day` in `zone`. Raises InputError for an unknown zone or a day that has no following day."""
    try:
        midnight = datetime(day.year, day.month, day.day) + timedelta(days=1)  # noqa: DTZ001  (the zone comes next)
        at = midnight.replace(tzinfo=zone_of(zone)).astimezone(UTC)
        return Moment((at - _EPOCH) // _MICROSECOND - 1, True, zone)
    except (OverflowError, ValueError) as e:
        raise InputError(f"{day} is outside the calendar that is supported here") from e


def at(time: datetime, zone: str = "UTC") -> Moment:
    """The instant `time`; without an offset of its own it is read in `zone`.

    Raises InputError (zone, calendar, a local time that was never or twice).
    """
    try:
        aware = time if time.tzinfo is not None else _only(time, zone)
        zone_of(zone)
        return Moment((aware.astimezone(UTC) - _EPOCH) // _MICROSECOND, False, zone)
    except (OverflowError, ValueError) as e:
        raise InputError(f"{time} is outside the calendar that is supported here") from e


def _only(time: datetime, zone: str) -> datetime:
    """The one instant at which the clocks of `zone` showed `time`. Raises InputError where there is not just one."""
    aware = time.replace(tzinfo=zone_of(zone))
    first, second = aware.replace(fold=0).utcoffset(), aware.replace(fold=1).utcoffset()
    if first == second:
        return aware
    # Of a time that clocks skip, the first reading has the smaller offset, that before; PEP 495.
    if first is not None and second is not None and first < second:
        message = f"{time} never is in {zone}: the clocks are put forward over it"
        raise InputError(message, hint="give the offset, or check where the time is from")
    message = f"{time} is twice in {zone}: the clocks are put back over it"
    raise InputError(message, hint=f"give the offset: {time.isoformat()}{_offset(first)}, or {_offset(second)}")


def _offset(size: timedelta | None) -> str:
    return datetime(2000, 1, 1, tzinfo=timezone(size or timedelta())).isoformat()[19:]


#: A bare date of today ends at most a day from now, wherever the site is.
AHEAD = timedelta(days=1)


def not_ahead(found: Moment, clock: datetime) -> Moment:
    """The moment, if it can be in the past by `clock` (aware). Raises InputError when it is more than a day later."""
    if found.at_us <= at(clock + AHEAD).at_us:
        return found
    message = f"{found.text()} is in the future: this machine's clock says {clock.date()}"
    raise InputError(message, hint="is it the right year? Or is this machine's clock wrong?")


def moment(value: date | datetime, zone: str) -> Moment:
    """A date is the end of that day, a time is that instant. Raises InputError."""
    return at(value, zone) if isinstance(value, datetime) else end_of(value, zone)


def parse(text: str) -> date | datetime:
    """Read an ISO 8601 date or time (RFC 3339's form; a blank may replace the T). Raises InputError."""
    try:
        return date.fromisoformat(text) if _DAY.fullmatch(text) else datetime.fromisoformat(text)
    except ValueError as e:
        raise InputError(
            f"{text!r} is neither a date nor a time", hint="write 2026-03-01 or 2026-03-01T14:05+01:00"
        ) from e
