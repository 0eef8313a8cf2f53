"""Spans of time: every form that people write, against datetime.timedelta of the standard library."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.formats.durations import seconds

_NAMES = {"w": "weeks", "d": "days", "h": "hours", "m": "minutes", "s": "seconds"}


@given(
    units=st.lists(st.sampled_from("wdhms"), min_size=1, unique=True),
    numbers=st.lists(st.integers(0, 999_999), min_size=5, max_size=5),
    blank=st.sampled_from(["", " "]),
    upper=st.booleans(),
)
def test_units_from_the_largest_down_make_up_a_span(
    units: list[str], numbers: list[int], blank: str, upper: bool
) -> None:
    rows = list(zip(numbers, sorted(units, key="wdhms".index), strict=False))
    text = blank.join(f"{number}{blank}{unit}" for number, unit in rows)
    span = timedelta(**{_NAMES[unit]: number for number, unit in rows})
    assert seconds(text.upper() if upper else text) == span.total_seconds()


@pytest.mark.parametrize(
    "text", ["", "4", "h", "4h30", "30m4h", "4h4h", "-4h", "4.5h", "4h,30m", "٤h", "4 h 30", "1234567890s", "4h\n30x"]
)
def test_what_is_no_span_is_refused_with_the_forms(text: str) -> None:
    with pytest.raises(InputError, match="not a span of time") as caught:
        seconds(text)
    assert "4h30m" in caught.value.hint
