"""Spreadsheets: a workbook made by hand, by the published format (ECMA-376, SpreadsheetML), read as an inventory."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import date

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.model.inventory.column_map import read_map
from bundlekeeper.model.inventory.read import headings_of, read_inventory
from bundlekeeper.model.inventory.types import Component, Partition

pytest.importorskip("python_calamine", reason="reading spreadsheets is an extra")

from bundlekeeper.links.spreadsheet.read import documents
from tests.kits.workbooks import ABOUT, HEAD, ROW, workbook


def test_a_workbook_is_one_inventory() -> None:
    """Tables by their column names, the header on a sheet of its own, other sheets named and not read."""
    data = workbook(
        {
            "inventory": ABOUT,
            "Racks": [HEAD, ROW],
            "flash": [["component", "name", "size_bytes", "free_bytes"], ["B7", "flash", 100, None]],
            "notes": [["who", "what"], ["ada", "called the office office"]],
        }
    )
    tables, others = documents("racks.xlsx", data)
    found = read_inventory(tables)
    assert others == ["notes"]
    assert found.read_at == date(2026, 3, 1)
    bios = Component("bios", "holm", "holm-a", slot="3", serial="B7", active="6.10", healthy=True)
    assert found.components == (bios,)
    assert found.partitions == (Partition("B7", "flash", 100, None),)


def test_what_a_spreadsheet_changed_is_refused_at_its_cell() -> None:
    """A version that became a number has lost its final zero."""
    data = workbook({"inventory": ABOUT, "Racks": [HEAD, ROW, ["holm", "holm-a", 4, "bios", 88, 6.1, "maybe"]]})
    tables, _ = documents("racks.xlsx", data)
    with pytest.raises(InputError) as caught:
        read_inventory(tables)
    assert [(p.where, p.subject) for p in caught.value.problems] == [
        ("racks.xlsx!Racks!E3", "serial"),
        ("racks.xlsx!Racks!F3", "active"),
        ("racks.xlsx!Racks!G3", "healthy"),
    ]


@pytest.mark.parametrize(
    "data", [b"", b"no workbook", b"PK\x03\x04" + b"\0" * 100, workbook({"a": [["x"]]}), workbook({})]
)
def test_what_is_no_workbook_is_our_own_error(data: bytes) -> None:
    """Nothing but our own error family comes out."""
    with pytest.raises(InputError):
        documents("racks.xlsx", data)


ROWS: list[list[object]] = [
    ["Servers at Holm"],
    ["Site", "Domain", "Chassis", "Slot", "Serial Number", "BIOS", "BMC firmware"],
    ["holm", "holm-a", 1, 3, "SRV-1", "6.10", None],
    [None, None, None, None, None, None, None],
    ["holm", "holm-a", 1, 4, "SRV-2", "6.0", "-"],
]
SERVERS = (
    Component("bios", "holm", "holm-a", "1", "3", "SRV-1", active="6.10"),
    Component("management-controller", "holm", "holm-a", "1", "3", "SRV-1"),
    Component("bios", "holm", "holm-a", "1", "4", "SRV-2", active="6.0"),
)


def _by_openpyxl(sheets: dict[str, list[list[object]]]) -> bytes:
    openpyxl = pytest.importorskip("openpyxl", reason="it is in the extra test")
    book, out = openpyxl.Workbook(), io.BytesIO()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(out)
    return out.getvalue()


def _by_xlsxwriter(sheets: dict[str, list[list[object]]]) -> bytes:
    xlsxwriter = pytest.importorskip("xlsxwriter", reason="it is in the extra test")
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for number, row in enumerate(rows):
                for column, cell in enumerate(row):
                    if isinstance(cell, date):
                        sheet.write_datetime(number, column, cell, book.add_format({"num_format": "yyyy-mm-dd"}))
                    elif cell is not None:
                        sheet.write(number, column, cell)
    return out.getvalue()


@pytest.mark.parametrize("write", [_by_openpyxl, _by_xlsxwriter])
def test_real_workbooks_of_two_writers(write: Callable[[dict[str, list[list[object]]]], bytes]) -> None:
    """A title above the headings, an empty row, numbers as slots, a date in the header, a sheet that is no table."""
    head: list[list[object]] = [["read_at", date(2026, 3, 1)], ["zone", "UTC"], ["complete", "domain:holm-a"]]
    data = write({"Racks": ROWS, "inventory": head, "Phone numbers": [["who", "number"], ["ada", 7]]})
    tables, others = documents("servers.xlsx", data)
    found = read_inventory(tables)
    assert found.components == SERVERS
    assert (found.read_at, found.zone, found.complete) == (date(2026, 3, 1), "UTC", ("domain:holm-a",))
    assert others == ["Phone numbers"]
    assert tables[0].above == ("Servers at Holm",)


@pytest.mark.parametrize("write", [_by_openpyxl, _by_xlsxwriter])
def test_a_version_that_became_a_number_is_refused_at_its_cell(
    write: Callable[[dict[str, list[list[object]]]], bytes],
) -> None:
    """As a person finds it in the spreadsheet, also below a title and an empty row."""
    rows = [*ROWS[:4], ["holm", "holm-a", 1, 4, "SRV-2", 6.1, "5.4"]]
    with pytest.raises(InputError) as caught:
        read_inventory(documents("servers.xlsx", write({"Racks": rows}))[0], read_at=date(2026, 3, 1), zone="UTC")
    assert [p.where for p in caught.value.problems] == ["servers.xlsx!Racks!F5"]


def test_a_sheet_is_read_by_a_map_of_one_of_its_columns() -> None:
    """In another language; a second sheet that the map does not name is no table."""
    text = 'columns = 1\n[keys]\n"Seriennummer" = "serial"\n[values]\nsite = "holm"\ndomain = "a"\nkind = "bios"\n'
    column_map = read_map(text.encode(), name="map.toml")
    data = workbook({"Liste": [["Seriennummer", "Besitzer"], ["B7", "kim"]], "notes": [["who", "what"], ["ada", "x"]]})
    tables, others = documents("racks.xlsx", data, headings_of((), column_map))
    found = read_inventory(tables, read_at=date(2026, 3, 1), zone="UTC", column_map=column_map)
    assert found.components == (Component("bios", "holm", "a", serial="B7"),)
    assert (others, tables[0].ignored) == (["notes"], ("Besitzer",))
