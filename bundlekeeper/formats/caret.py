"""A line of a text file with a caret under one place.

Rules: the line is escaped here, before it is measured, so that the caret is in the right column and a second escaping
where it is printed changes nothing; a long line is cut to a window around the place; always exactly two lines.
"""

from __future__ import annotations

import unicodedata

from bundlekeeper.formats.escape import visible

_BEFORE, _AFTER = 60, 50  # characters of a long line shown on either side of the place


def excerpt(line: str, column: int) -> str:
    """`line` (without its line break) and, under its `column` (characters from 1), a caret: two lines of text."""
    place = min(max(column - 1, 0), len(line))
    start = place - _BEFORE if place > _BEFORE + 1 else 0
    end = place + _AFTER if len(line) > place + _AFTER + 1 else len(line)
    before = ("…" if start else "") + visible(line[start:place])
    after = visible(line[place:end]) + ("…" if end < len(line) else "")
    return f"{before}{after}\n{' ' * _cells(before)}^"


def _cells(text: str) -> int:
    """Columns that `text` takes on a terminal: wide characters two (UAX #11), combining marks none."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in {"W", "F"} else 1 for c in text
    )
