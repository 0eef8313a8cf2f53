"""Spreadsheets: a workbook made by hand, by the published format (ECMA-376, SpreadsheetML), read as an inventory."""

from __future__ import annotations

from datetime import date

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.model.inventory.read import read_inventory
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


def test_columns_after_z_have_two_letters() -> None:
    """Places are those that a person sees in the spreadsheet."""
    wide: list[object] = [*(f"c{i}" for i in range(25)), "site", "domain", "kind", "serial"]
    tables, _ = documents("racks.xlsx", workbook({"a": [wide[:25], []], "b": [HEAD, ROW]}))
    assert len(tables) == 1
    from bundlekeeper.links.spreadsheet.read import _letters

    assert [_letters(i) for i in (0, 25, 26, 51, 52, 701, 702)] == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]
