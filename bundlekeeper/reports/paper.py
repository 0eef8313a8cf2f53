"""Where a sheet of paper ends: how high what is printed becomes on A4, so that a window's sheet is one page.

Rules: heights are those of the template's print style, in millimetres; texts are taken to be of wide letters, so that a
page is rather left short than broken by the browser; a window that does not fit goes on on further pages, each with the
window's heading, and only its rows are divided.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from bundlekeeper.reports.runbook import Runbook, SheetRow, WindowSheet

PAGE = 269.0  # of A4's 297, less the margins of the print style and the line of the page's number
WIDE = 184.0
_LINE, _ROW = 4.1, 5.0
_HEADING, _HEAD_ROW, _CLOSING, _SPACE_BAR, _TITLE = 36.0, 10.0, 13.0, 4.6, 7.4
_FEW = 5  # columns, with which two halves of a table stand side by side
_CHARACTER = 1.75  # the width of a wide usual letter at 9.5 points
_NAME, _NAME_OF_HALF = 51.0, 34.0  # the width of a row's name


def lines_of(words: str, wide: float = WIDE) -> int:
    """How many lines a text takes, at most."""
    return max(1, -(-int(len(words) * _CHARACTER) // int(wide)))


def sheet_height(sheet: WindowSheet) -> float:
    """How high a window's page is."""
    first = sheet.first[::2] if in_two_columns(sheet) else sheet.first
    ticks = [*sheet.staging, *first]
    height = _HEADING + _LINE * (lines_of(sheet.turn_back_reason, WIDE / 2 - 6) - 1)
    height += _LINE * lines_of(sheet.message) * bool(sheet.message)
    height += sum(_LINE * lines_of(f"{tick.text} {tick.source}", WIDE - 8) + 0.4 for tick in ticks)
    height += _TITLE * (bool(sheet.staging) + bool(sheet.first))
    height += sheet.picture.height + 5.0 if sheet.picture is not None else 0
    height += sum(_SPACE_BAR * lines_of(bar.text, WIDE / 2) for bar in sheet.space)
    parts = parts_of(sheet)
    wide = _NAME if len(parts) == 1 else _NAME_OF_HALF
    return height + _HEAD_ROW + max(sum(_row_height(row, wide) for row in part) for part in parts) + _CLOSING


def in_two_columns(sheet: WindowSheet) -> bool:
    """Whether what comes first is short enough to stand in two columns."""
    return len(sheet.first) > 2 and all(
        lines_of(f"{tick.text} {tick.source}", WIDE / 2 - 8) == 1 for tick in sheet.first
    )


def _row_height(row: SheetRow, wide: float) -> float:
    return _ROW + (lines_of(row.name, wide) - 1) * 4.0


def parts_of(sheet: WindowSheet) -> tuple[tuple[SheetRow, ...], ...]:
    """The window's rows as they stand side by side: in two halves where there are few columns."""
    if len(sheet.columns) > _FEW - 1 or len(sheet.rows) < 2 * _FEW:
        return (sheet.rows,)
    half = -(-len(sheet.rows) // 2)
    return sheet.rows[:half], sheet.rows[half:]


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
    for number in range(len(rows), 1, -1):
        if sheet_height(replace(page, rows=tuple(rows[:number]))) <= PAGE:
            return number
    return 1


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
