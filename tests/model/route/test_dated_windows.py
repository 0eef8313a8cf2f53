"""Real windows from a file: dates in the site's zone, clocks that change, all problems at once."""

from __future__ import annotations

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.model.route.dated_windows import DatedWindow, read_windows

HEAD = 'windows = 1\nzone = "Europe/Lisbon"\n'


def row(begins: str, minutes: object = 240, site: str = "holm", more: str = "") -> str:
    return f'[[window]]\nsite = "{site}"\nbegins = {begins}\nminutes = {minutes}\n{more}\n'


def read(text: str) -> tuple[DatedWindow, ...]:
    return read_windows(text.encode(), name="windows.toml", zone="UTC")


def test_windows_are_by_their_begin_in_the_zone_of_their_people() -> None:
    text = HEAD + row("2026-12-09T01:00:00") + row("2026-12-02T01:00:00+02:00", 90, more='note = "change 118"')
    first, second = read(text)
    assert (first.text(), first.note) == ("2026-12-01 23:00 to 2026-12-02 00:30 Europe/Lisbon", "change 118")
    assert (second.text(), second.clock(130)) == ("2026-12-09 01:00 to 05:00 Europe/Lisbon", "03:10")
    assert read("windows = 1\n" + row("2026-12-09T01:00:00"))[0].zone == "UTC"


def test_minutes_pass_while_clocks_are_put_forward_and_back() -> None:
    """Clocks in Lisbon: 2027-03-28 01:00 becomes 02:00; 2026-10-25 02:00 becomes 01:00 (IANA time zone database)."""
    spring, autumn = read(HEAD + row("2027-03-28T00:00:00")), read(HEAD + row("2026-10-25T00:00:00"))
    assert spring[0].text() == "2027-03-28 00:00 +00:00 to 05:00 +01:00 Europe/Lisbon (clocks change during it)"
    assert autumn[0].text() == "2026-10-25 00:00 +01:00 to 03:00 +00:00 Europe/Lisbon (clocks change during it)"
    assert (spring[0].clock(60), autumn[0].clock(120)) == ("02:00 +01:00", "01:00 +00:00")
    for never, word in (("2027-03-28T01:30:00", "never is"), ("2026-10-25T01:30:00", "is twice")):
        with pytest.raises(InputError) as caught:
            read(HEAD + row(never))
        assert word in caught.value.message


def test_everything_that_is_wrong_is_named_at_once_with_its_place() -> None:
    text = (
        'windows = 1\nzone = "Moon/Base"\ncolour = 1\n'
        + row('"tonight"', 0)
        + '[[window]]\nsite = ""\nlength = 3\n'
        + row("2026-12-02", "true")
    )
    with pytest.raises(InputError) as caught:
        read(text)
    problems = [(p.where.rpartition(":")[0], p.message) for p in caught.value.problems]
    assert [message for _, message in problems] == [
        "this machine knows no time zone called 'Moon/Base'",
        "there is no key 'colour'",
        "begins takes a time, not 'tonight'",
        "minutes cannot be 0",
        "minutes is missing",
        "begins is missing",
        "site cannot be ''",
        "there is no key 'length'",
        "begins takes a time, not 2026-12-02",
        "minutes cannot be true",
    ]
    assert all(place.startswith("windows.toml:") for place, _ in problems)


def test_no_window_and_windows_that_overlap_are_refused() -> None:
    with pytest.raises(InputError, match="no window"):
        read(HEAD)
    rows = row("2026-12-02T01:00:00") + row("2026-12-02T04:59:00")
    with pytest.raises(InputError, match="overlap") as caught:
        read(HEAD + rows)
    assert caught.value.problems[0].subject == "site holm"
    assert len(read(HEAD + row("2026-12-02T01:00:00") + row("2026-12-02T05:00:00"))) == 2
    assert len(read(HEAD + row("2026-12-02T01:00:00") + row("2026-12-02T04:00:00", site="skerry"))) == 2


def test_a_time_that_comes_twice_in_a_window_has_its_offset() -> None:
    """In Lisbon clocks go back from 02:00 to 01:00 on 2027-10-31 (IANA tz database, Europe/Lisbon)."""
    (window,) = read(HEAD + row("2027-10-31T00:30:00", 240))
    assert (window.clock(49), window.clock(139)) == ("01:19 +01:00", "01:49 +00:00")
    assert window.text() == "2027-10-31 00:30 +01:00 to 03:30 +00:00 Europe/Lisbon (clocks change during it)"
    assert window.moment(139) == "2027-10-31 01:49 +00:00"
    (plain,) = read(HEAD + row("2027-10-30T22:00:00", 180))
    assert (plain.clock(139), plain.moment(139)) == ("00:19", "2027-10-31 00:19 +01:00")
