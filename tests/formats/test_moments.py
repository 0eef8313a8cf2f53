"""Moments: the end of a day in its zone, compared with GNU date."""

from __future__ import annotations

import subprocess
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.formats import moments
from tests.kits.sure import only_our_errors

# Zones that change over at midnight, by half an hour, that skipped a whole day, and that never change.
ZONES = [
    "UTC",
    "Europe/Lisbon",
    "America/Sao_Paulo",
    "Australia/Lord_Howe",
    "Pacific/Apia",
    "Africa/Cairo",
    "Asia/Kolkata",
]


def _gnu_date(zone: str, text: str) -> int:
    out = subprocess.run(
        ["date", "-d", text, "+%s"], env={"TZ": zone, "PATH": "/usr/bin:/bin"}, capture_output=True, check=True
    )
    return int(out.stdout)


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("day", ["2026-03-28", "2026-03-29", "2026-10-24", "2026-10-25", "2017-02-18", "1999-12-31"])
def test_a_bare_date_is_the_end_of_that_day_in_the_zone(zone: str, day: str) -> None:
    """Source: GNU coreutils' date with TZ set, on the machine's own zone database."""
    following = date.fromisoformat(day) + timedelta(days=1)
    assert moments.end_of(date.fromisoformat(day), zone).at_us == _gnu_date(zone, f"{following} 00:00") * 1_000_000 - 1


def test_a_midnight_that_does_not_exist_ends_the_day_before() -> None:
    """On 2018-11-04 the clocks of America/Sao_Paulo went from 00:00 to 01:00 (IANA database): 03:00Z."""
    assert moments.end_of(date(2018, 11, 3), "America/Sao_Paulo").utc() == datetime(
        2018, 11, 4, 2, 59, 59, 999_999, tzinfo=UTC
    )


@given(st.dates(date(1971, 1, 1), date(2037, 12, 30)), st.sampled_from(ZONES))
def test_days_follow_each_other(day: date, zone: str) -> None:
    """A bare date means the end of that day in the site's zone."""
    here, following = moments.end_of(day, zone), moments.end_of(day + timedelta(days=1), zone)
    assert here.at_us <= following.at_us  # equal only where a zone skipped a whole day
    if zone != "Pacific/Apia":
        assert here.text() == day.isoformat()
        assert 22 <= (following.at_us - here.at_us) / 3_600_000_000 <= 26


def test_an_instant_keeps_its_zone_for_people() -> None:
    """The text is local, the comparison is in UTC."""
    here = moments.moment(datetime(2026, 3, 1, 14, 5, tzinfo=UTC), "+02:00")
    assert here.text() == "2026-03-01 16:05:00+02:00"
    assert moments.moment(datetime(2026, 3, 1, 16, 5), "+02:00") == here  # noqa: DTZ001  (local on purpose)
    assert not here.is_day


@pytest.mark.parametrize(
    "name", ["", "Moon/Base", "../etc/passwd", "/etc/localtime", "+25:00", "Europe", "a" * 200, "UTC\0"]
)
def test_unknown_zones_are_our_own_error(name: str) -> None:
    """Nothing but our own error family comes out, and no path is opened for a name that is none."""
    with pytest.raises(InputError):
        moments.zone_of(name)


@given(st.text(max_size=40))
def test_any_text_is_a_moment_or_our_own_error(text: str) -> None:
    """Nothing but our own error family may come out."""
    only_our_errors(lambda _: moments.moment(moments.parse(text), "+00:00"), text.encode("utf-8", "surrogatepass"))


def test_the_calendars_ends_are_our_own_error() -> None:
    """The last day has no following day; the first hours east of Greenwich are before the calendar."""
    with pytest.raises(InputError):
        moments.end_of(date.max, "UTC")
    with pytest.raises(InputError):
        moments.at(datetime.min, "+02:00")  # noqa: DTZ901


@pytest.mark.parametrize(
    ("text", "zone", "hint"),
    [
        ("2026-03-29T02:30", "Europe/Oslo", "offset"),
        ("2026-10-25T02:30", "Europe/Oslo", "2026-10-25T02:30:00+02:00, or +01:00"),
        ("2026-10-04T02:15", "Australia/Lord_Howe", "offset"),  # put forward by half an hour (IANA database)
        ("2026-04-05T01:45", "Australia/Lord_Howe", "2026-04-05T01:45:00+11:00, or +10:30"),
        ("2011-12-30T12:00", "Pacific/Apia", "offset"),  # the day that was skipped
    ],
)
def test_a_local_time_that_never_was_or_was_twice_is_refused(text: str, zone: str, hint: str) -> None:
    """Nobody can have looked at a clock that showed it; or nobody can tell which of the two was meant."""
    with pytest.raises(InputError) as caught:
        moments.moment(moments.parse(text), zone)
    assert hint in caught.value.hint
    assert moments.moment(moments.parse(f"{text}+01:00"), zone).zone == zone


@pytest.mark.parametrize("text", ["2026-03-29T01:59:59", "2026-03-29T03:00", "2026-10-25T01:59:59", "2026-10-25T03:00"])
def test_the_times_beside_a_change_of_the_clocks_are_good(text: str) -> None:
    """Source: GNU coreutils' date with TZ set."""
    found = moments.moment(moments.parse(text), "Europe/Oslo")
    assert found.at_us == _gnu_date("Europe/Oslo", text) * 1_000_000


def test_today_is_not_ahead_anywhere_and_next_week_is() -> None:
    """A bare date of today ends at most a day from now, wherever the site is."""
    for zone in ("-12:00", "UTC", "+14:00"):
        for hour in range(24):
            clock = datetime(2026, 11, 25, hour, 30, tzinfo=UTC)
            day = clock.astimezone(moments.zone_of(zone)).date()
            assert moments.not_ahead(moments.end_of(day, zone), clock).is_day
            with pytest.raises(InputError, match="in the future"):
                moments.not_ahead(moments.end_of(day + timedelta(days=2), zone), clock)
