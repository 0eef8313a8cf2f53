"""Spans of time as people write them: `45s`, `90m`, `12h`, `4h30m`, `30d`, `2w`."""

from __future__ import annotations

import re

from bundlekeeper.errors import InputError

_UNITS = {"s": 1, "m": 60, "h": 3600, "d": 86400, "w": 7 * 86400}
_ONE = re.compile(r"([0-9]{1,9})\s*([smhdw])\s*", re.ASCII)
_ALL = re.compile(f"({_ONE.pattern})+", re.ASCII)


def seconds(text: str) -> int:
    """Return the span in seconds.

    Raises InputError when `text` is not a whole number and one of the units s, m, h, d, w, or several of these, the
    larger unit first.
    """
    word = text.strip().lower()
    rows = [(int(number), _UNITS[unit]) for number, unit in _ONE.findall(word)] if _ALL.fullmatch(word) else []
    units = [unit_s for _, unit_s in rows]
    if not rows or units != sorted(set(units), reverse=True):
        raise InputError(
            f"not a span of time: {text!r}",
            hint="whole numbers, each with one of s, m, h, d, w: 45s, 90m, 12h, 4h30m, 30d, 2w",
        )
    return sum(number * unit_s for number, unit_s in rows)


def human(span_s: float) -> str:
    """A span for people: `0.4 s`, `12 s`, `3 min 20 s`, `5 h 2 min`, `31 days`."""
    if span_s < 10:
        return f"{span_s:.1f} s"
    whole = round(span_s)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < 2 * 86400:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // 86400} days"


def hours(minutes: int) -> str:
    """Minutes for people: `45 min`, `7 h`, `7 h 36 min`."""
    whole, rest = divmod(minutes, 60)
    return " ".join(f"{number} {unit}" for number, unit in ((whole, "h"), (rest, "min")) if number) or "0 min"


def clock(minutes: int) -> str:
    """Minutes for a column: `0:02`, `1:38`, `25:00`."""
    return f"{minutes // 60}:{minutes % 60:02}"
