"""A run-book on paper: one HTML file, and where each of its sheets of A4 ends, so that a window's sheet is one page.

Rules: heights are those of the template's print style, in millimetres; texts are taken to be of wide letters, so that a
page is rather left short than broken by the browser; a window that does not fit goes on on further pages, each with the
window's heading, and only its rows are divided.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from bundlekeeper.reports.pages import render
from bundlekeeper.reports.runbook import Runbook, RunbookText, SheetRow, WindowSheet

PAGE = 269.0  # of A4's 297, less the margins of the print style and the line of the page's number
WIDE = 184.0
_LINE, _ROW = 4.1, 5.0
_HEADING, _HEAD_ROW, _CLOSING, _SPACE_BAR, _TITLE = 36.0, 10.0, 13.0, 4.6, 7.4
_FEW = 5  # columns, with which two halves of a table stand side by side
_CHARACTER = 1.7  # the width of a wide usual letter at 9 points
_NAME, _NAME_OF_HALF = 51.0, 34.0  # the width of a row's name


def html(page: Runbook) -> str:
    """The run-book as one HTML file."""
    pages = [(piece, parts_of(piece)) for sheet in page.sheets for piece in sheet_pages(sheet)]
    return render("runbook.html", page=page, pages=pages)


def lines_of(words: str, wide: float = WIDE) -> int:
    """How many lines a text takes, at most."""
    return max(1, -(-int(len(words) * _CHARACTER) // int(wide)))


def sheet_height(sheet: WindowSheet) -> float:
    """How high a window's page is."""
    height = _HEADING + _LINE * (lines_of(sheet.turn_back_reason, WIDE / 2 - 6) - 1)
    height += _LINE * lines_of(sheet.message) * bool(sheet.message)
    height += _ticks(sheet.staging, WIDE - 8) + _ticks(sheet.first, WIDE / 2 - 8) / 2 + _LINE * bool(sheet.first)
    height += _TITLE * (bool(sheet.staging) + bool(sheet.first))
    height += sheet.picture.height + 5.0 if sheet.picture is not None else 0
    height += sum(_SPACE_BAR * lines_of(bar.text, WIDE / 2) for bar in sheet.space)
    parts = parts_of(sheet)
    wide = _NAME if len(parts) == 1 else _NAME_OF_HALF
    return height + _HEAD_ROW + max(sum(_row_height(row, wide) for row in part) for part in parts) + _CLOSING


def _ticks(ticks: Iterable[RunbookText], wide: float) -> float:
    return sum(_LINE * lines_of(f"{tick.text} {tick.source}", wide) + 0.4 for tick in ticks)


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
