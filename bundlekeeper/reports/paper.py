"""Where a sheet of paper ends: how high what is printed becomes on A4, so that a window's sheet is one page.

Rules: heights are those of the template's print style, in millimetres; texts are taken to be of wide letters, so that a
page is rather left short than broken by the browser; a window that does not fit goes on on further pages, each with the
window's heading, and only its rows are divided.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from bundlekeeper.reports.runbook import Runbook, SheetRow, WindowSheet

PAGE = 266.0  # of A4's 297, less the margins of the print style and the line of the page's number
WIDE = 184.0
_LINE, _ROW = 4.3, 5.3
_HEADING, _HEAD_ROW, _CLOSING, _SPACE_BAR = 48.0, 10.0, 21.0, 5.2
_CHARACTER = 1.75  # the width of a wide usual letter at 9.5 points
_NAME = 51.0  # the width of a row's name


def lines_of(words: str, wide: float = WIDE) -> int:
    """How many lines a text takes, at most."""
    return max(1, -(-int(len(words) * _CHARACTER) // int(wide)))


def sheet_height(sheet: WindowSheet) -> float:
    """How high a window's page is."""
    ticks = [*sheet.staging, *sheet.first]
    height = _HEADING + _LINE * (lines_of(sheet.message) + lines_of(sheet.turn_back_reason, WIDE / 2) - 1)
    height += sum(_LINE * lines_of(f"{tick.text} {tick.source}", WIDE - 8) + 0.6 for tick in ticks)
    height += 7.0 * (bool(sheet.staging) + bool(sheet.first))
    height += sheet.picture.height + 9.0 if sheet.picture is not None else 0
    height += sum(_SPACE_BAR * lines_of(bar.text, WIDE / 2) for bar in sheet.space)
    return height + _HEAD_ROW + sum(map(_row_height, sheet.rows)) + _CLOSING


def _row_height(row: SheetRow) -> float:
    return _ROW + (lines_of(row.name, _NAME) - 1) * 4.0


def sheet_pages(sheet: WindowSheet) -> list[WindowSheet]:
    """The window's pages: one where everything fits, else as many as its rows need."""
    if sheet_height(sheet) <= PAGE or len(sheet.rows) < 2:
        return [sheet]
    rest = replace(sheet, staging=(), first=(), picture=None, space=(), message="")
    pages, left, page = [], list(sheet.rows), replace(sheet, rows=())
    while left:
        taken = _fitting(page, left)
        pages.append(replace(page, rows=tuple(left[:taken])))
        left, page = left[taken:], replace(rest, rows=())
    return [replace(page, again=f"{n} of {len(pages)}") for n, page in enumerate(pages, 1)]


def _fitting(page: WindowSheet, rows: Sequence[SheetRow]) -> int:
    """How many of the rows fit the page, at least one."""
    height, number = sheet_height(page), 0
    for row in rows:
        height += _row_height(row)
        if height > PAGE and number:
            break
        number += 1
    return max(1, number)


def front_pages(page: Runbook) -> int:
    """How many pages stand before the first window's, at most: the verdict with the windows, then the gaps."""
    errors = sum(_LINE * lines_of(f"{gap.code} {gap.subject} {gap.message} {gap.hint}") + 1 for gap in page.errors)
    windows = sum(_LINE * lines_of(row.what + row.when + row.down, WIDE / 2) + 2 for row in page.windows)
    cautions = _lines(page.cautions)
    first = 30.0 + errors + 30.0 + windows + 12.0 + cautions + 6.0 * len(page.glance)
    ticks = _lines(f"{tick.text} {tick.source}" for tick in page.preconditions) + 14
    gaps = 24 + sum(max(_LINE * lines_of(g.code + g.subject + g.message + g.source, 90), 9.0) + 2 for g in page.gaps)
    second = ticks + gaps + _lines(page.checked) + 24
    return -int(-first // PAGE) + -int(-second // PAGE)


def _lines(texts: Iterable[str]) -> float:
    return sum(_LINE * lines_of(words) + 0.8 for words in texts)
