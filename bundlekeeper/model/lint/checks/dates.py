"""Dates that cannot be right, and a manifest that has expired (an old issue may be passed off as the newest).

Rules: the caller gives the day of today; a date that is written in another form is reported by the types' check; one
day ahead is allowed, because it may already be tomorrow where the manifest was written.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta

from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.lint.common.raw_rows import Loose

_FIRST_YEAR = 1990
_CLOCK = "check the date, and this machine's clock"


def check_dates(loose: Loose, today: date) -> Iterator[Problem]:
    """Every problem of the dates, seen from `today`."""
    issued, expires = _date(loose.raw.get("issued")), _date(loose.raw.get("expires"))
    dates: list[tuple[Path, date | None]] = [(("issued",), issued), (("expires",), expires)]
    for bundle in loose.bundles:
        dates.append(((*bundle.path, "released"), _date(bundle.table.get("released"))))
    for path, day in dates:
        if day is not None and day.year < _FIRST_YEAR:
            message = f"{path[-1]} is {day}, before {_FIRST_YEAR}"
            yield Problem("date-early", path, message, "check the year")
        elif day is not None and path[-1] != "expires" and day > today + timedelta(days=1):
            yield Problem("date-future", path, f"{path[-1]} is {day}, but today is {today}", _CLOCK)
        elif day is not None and path[-1] == "released" and issued is not None and day > issued:
            message = f"it is released on {day}, after the manifest was issued on {issued}"
            yield Problem("date-order", path, message, "fix one of the two dates", other=("issued",))
    if expires is None:
        return
    if issued is not None and expires <= issued:
        message = f"the manifest expires on {expires}, not after it was issued on {issued}"
        yield Problem("date-order", ("expires",), message, "fix one of the two dates", other=("issued",))
    elif expires < today:
        message = f"the manifest expired on {expires}, {(today - expires).days} days ago"
        hint = "get a newer one: only a newer manifest can name a bundle that was withdrawn since"
        yield Problem("expired", ("expires",), message, hint)


def _date(value: object) -> date | None:
    return value if isinstance(value, date) and not isinstance(value, datetime) else None
