"""Spreadsheets (XLSX, ODS and the like) as tables of cells for the reader of inventories.

Rules: cells come as the text or the number that they hold, never as they look; a number without a fraction comes as a
whole number, any other value is judged by the reader, which refuses what a spreadsheet has changed; sheets that are
no table of an inventory are named, not read. Needs the extra `xlsx`.
"""

from __future__ import annotations

from io import BytesIO

from bundlekeeper.errors import InputError
from bundlekeeper.model import inventory_fields, inventory_sources
from bundlekeeper.model.inventory import MAX_BYTES
from bundlekeeper.model.inventory_reading import Document

_LEAST_KNOWN = 2  # column names that a sheet must share with a table to be taken for one
_HEADER = "inventory"  # a sheet of this name holds keys and values of the header


def documents(name: str, data: bytes) -> tuple[list[Document], list[str]]:
    """The workbook's tables, and the names of the sheets that are none. Raises InputError."""
    if len(data) > MAX_BYTES:
        raise InputError(f"{len(data)} bytes; an inventory has at most {MAX_BYTES}", where=name)
    try:
        import python_calamine
    except ImportError as e:
        hint = "install bundlekeeper[xlsx], or save the sheet as CSV UTF-8"
        raise InputError("reading spreadsheets needs the extra 'xlsx'", hint=hint, where=name) from e
    try:
        workbook = python_calamine.CalamineWorkbook.from_filelike(BytesIO(data))
        sheets = {
            sheet: workbook.get_sheet_by_name(sheet).to_python(skip_empty_area=False) for sheet in workbook.sheet_names
        }
    except (python_calamine.CalamineError, OSError, ValueError) as e:
        raise InputError(f"not a spreadsheet: {e}", where=name) from e
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


def _cell(value: object) -> object:
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _letters(column: int) -> str:
    """The column's letters, counted from 0: A, B, … Z, AA, …"""
    found = ""
    number = column + 1
    while number:
        number, digit = divmod(number - 1, 26)
        found = chr(ord("A") + digit) + found
    return found
