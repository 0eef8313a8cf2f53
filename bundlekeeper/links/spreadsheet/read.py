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
from bundlekeeper.model.inventory import cells as inventory_fields
from bundlekeeper.model.inventory import tables as inventory_sources
from bundlekeeper.model.inventory.read import Document

_LEAST_KNOWN = 2  # column names that a sheet must share with a table to count as that table
_TIMES: dict[str, type[date] | type[time]] = {"date": date, "datetime": datetime, "time": time}
_HEADER = "inventory"  # a sheet of this name has keys and values of the header


def documents(name: str, data: bytes) -> tuple[list[Document], list[str]]:
    """The workbook's tables, and the names of the sheets that are none. Raises InputError."""
    if len(data) > limits.INVENTORY_BYTES:
        raise InputError(f"{len(data)} bytes; an inventory has at most {limits.INVENTORY_BYTES}", where=name)
    if find_spec("python_calamine") is None:
        hint = "install bundlekeeper[xlsx], or save the sheet as CSV UTF-8"
        raise InputError("reading spreadsheets needs the extra 'xlsx'", hint=hint, where=name)
    sheets = _sheets(name, data)
    header = {str(row[0]): _cell(row[1]) for row in sheets.pop(_HEADER, []) if len(row) > 1 and row[0] != ""}
    keys = inventory_fields.tables(())
    found: list[Document] = []
    others: list[str] = []
    for sheet, rows in sheets.items():
        columns = [str(cell).strip() for cell in rows[0]] if rows else []
        table = inventory_sources.table_of(columns, keys)
        if sum(column in keys[table] for column in columns) < min(_LEAST_KNOWN, len(keys[table]) - 1):
            others.append(sheet)
            continue
        cells = [[_cell(cell) for cell in row] for row in rows]
        place = f"{name}!{sheet}!"
        where = lambda row, column, place=place: f"{place}{_letters(column)}{row + 1}"  # noqa: E731
        found.append(inventory_sources.rectangle(name, header, cells, where, keys))
    if not found:
        raise InputError("no sheet has the column names of an inventory", where=name)
    return found, others


def _sheets(name: str, data: bytes) -> dict[str, list[list[object]]]:
    """The cells of every sheet, read by a process with bounds. Raises InputError, also where that process was ended."""
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


def _letters(column: int) -> str:
    """The column's letters, counted from 0: A, B, … Z, AA, …"""
    found = ""
    number = column + 1
    while number:
        number, digit = divmod(number - 1, 26)
        found = chr(ord("A") + digit) + found
    return found
