"""What helps to write an inventory: a column map of a sheet's headings, an empty sheet; which readings there are."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.jobs.recording.inventory_load import raw_file, sources_of

if TYPE_CHECKING:
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.ledger.ask.as_inventory import InventoryReading


def columns(session: Session, file: str, form: str | None) -> str:
    """Draft a column map of a sheet's headings, as TOML.

    Raises InputError; DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.model.inventory.column_map import draft, samples_of
    from bundlekeeper.model.inventory.documents import Document
    from bundlekeeper.model.inventory.read import headings_of
    from bundlekeeper.model.inventory.tables import parse

    raw = raw_file(file, form)
    if raw.form not in ("csv", "xlsx"):
        raise InputError("only a sheet has columns", where=raw.name, hint="name a CSV or XLSX file")
    headings = headings_of(session.own_kinds if session.is_there else ())
    as_written = replace(headings, as_written=True)
    sheets = [
        source if isinstance(source, Document) else parse(source, as_written)
        for source in sources_of(raw, as_written, session.tell)
    ]
    sheet = max(sheets, key=lambda one: sum(bool(headings.understood(h, guess=True).key) for h in one.headings))
    for other in sheets:
        if other is not sheet:
            session.tell(f"note: the map is of one sheet; not looked at: {', '.join(other.headings)[:80]}")
    if sheet.columns == ():
        row = sheet.unread[0]
        raise InputError(row.message, where=row.where, hint="give each column a name of its own")
    rows = sheet.tables["component"]
    return draft(sheet, samples_of(rows if isinstance(rows, list) else [], sheet.headings), headings)


def template(*, workbook: bool) -> str | bytes:
    """An empty sheet with every column explained: CSV, or a workbook. Raises nothing."""
    from bundlekeeper.model.inventory.explained import csv_template, sheet_template

    if not workbook:
        return csv_template()
    from bundlekeeper.links.spreadsheet.write import workbook as write

    return write(sheet_template())


def readings(session: Session) -> list[InventoryReading]:
    """Every reading that was loaded, newest first, also those that were undone.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.ledger.ask.as_inventory import readings as of_ledger

    if not session.is_there or not session.ledger_is_there:
        return []
    return of_ledger(session.ledger, undone=True)
