"""Spreadsheets (XLSX, ODS and the like) as tables of cells for the reader of inventories.

Rules: a cell is the text or the number that it has, never its formatted look; a number without a fraction becomes a
whole number; the reader of inventories checks any other value and refuses what a spreadsheet has changed; sheets that
are no table of an inventory are named, not read; the library runs in a process of its own, because a hostile workbook
can end it. Needs the extra `xlsx`.
"""

from __future__ import annotations

import subprocess
import sys
from datetime import date, datetime, time, timedelta
from importlib.util import find_spec
from pathlib import Path

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.formats import json_read, limits
from bundlekeeper.links.spreadsheet.write import letters
from bundlekeeper.model.inventory.documents import Document
from bundlekeeper.model.inventory.headings import Headings, fold
from bundlekeeper.model.inventory.read import headings_of
from bundlekeeper.model.inventory.sheets import rectangle

_LEAST_KNOWN = 2  # column names that a sheet must share with a table to count as that table
_TIMES: dict[str, type[date] | type[time]] = {"date": date, "datetime": datetime, "time": time}
_HEADER = "inventory"  # a sheet of this name has keys and values of the header


def documents(name: str, data: bytes, headings: Headings | None = None) -> tuple[list[Document], list[str]]:
    """The workbook's tables by their headings, and the names of the sheets that are none. Raises InputError."""
    headings = headings or headings_of()
    sheets = _sheets(name, data)
    header = {str(row[0]): _cell(row[1]) for row in sheets.pop(_HEADER, []) if len(row) > 1 and row[0] != ""}
    found: list[Document] = []
    others: list[str] = []
    for sheet, rows in sheets.items():
        cells = [[_cell(cell) for cell in row] for row in rows]
        place = f"{name}!{sheet}!"
        where = lambda row, column, place=place: f"{place}{letters(column)}{row + 1}"  # noqa: E731
        document = rectangle(name, header, cells, where, headings) if cells else None
        if document is not None and _is_table(document, headings):
            found.append(document)
        else:
            others.append(sheet)
    if not found:
        hint = "bundlekeeper inventory columns drafts a map of what each heading means"
        raise InputError("no sheet has the column names of an inventory", where=name, hint=hint)
    return found, others


def first_sheet(name: str, data: bytes) -> list[list[str]]:
    """The cells of a workbook's first sheet, as text. Raises InputError."""
    rows = next(iter(_sheets(name, data).values()), [])
    return [["" if cell is None else str(_cell(cell)) for cell in row] for row in rows]


def _is_table(document: Document, headings: Headings) -> bool:
    """True where enough of a sheet's headings are understood; of those that a user mapped, one is enough."""
    if headings.map is not None and any(fold(heading) in headings.map.headings for heading in document.headings):
        return True
    table, columns = headings.of(document.headings)
    known = sum(bool(column.key) for column in columns)
    return known >= min(_LEAST_KNOWN, len(headings.tables[table]) - 1)


def _sheets(name: str, data: bytes) -> dict[str, list[list[object]]]:
    """The cells of every sheet, read by a process with bounds. Raises InputError, also where that process was ended."""
    if len(data) > limits.INVENTORY_BYTES:
        raise InputError(f"{len(data)} bytes; an inventory has at most {limits.INVENTORY_BYTES}", where=name)
    if find_spec("python_calamine") is None:
        hint = "install bundlekeeper[xlsx], or save the sheet as CSV UTF-8"
        raise InputError("reading spreadsheets needs the extra 'xlsx'", hint=hint, where=name)
    # -P: no module of the working folder replaces one of the library's.
    command = [sys.executable, "-P", str(Path(__file__).with_name("reader.py")), str(limits.INVENTORY_BYTES)]
    try:
        done = subprocess.run(command, input=data, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=False)
    except OSError as e:
        raise UnfinishedError(f"the reader of spreadsheets cannot be started: {e.strerror}", where=name) from e
    if done.returncode != 0:
        hint = "it claims far more cells than it has, or unpacks without end; save the sheet as CSV UTF-8"
        raise InputError("the spreadsheet needs too much memory or time to read", hint=hint, where=name)
    answer = json_read.loads(done.stdout, name)
    if not isinstance(answer, dict) or not isinstance(answer.get("sheets"), dict):
        message = answer.get("error", "") if isinstance(answer, dict) else ""
        raise InputError(f"cannot be read as a spreadsheet: {message}", where=name)
    sheets: dict[str, list[list[object]]] = answer["sheets"]
    return sheets


def _cell(value: object) -> object:
    if isinstance(value, dict):
        ((kind, text),) = value.items()
        return timedelta(seconds=text) if kind == "seconds" else _TIMES[kind].fromisoformat(text)
    return int(value) if isinstance(value, float) and value.is_integer() else value
