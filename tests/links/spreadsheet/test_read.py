"""Spreadsheets: a workbook made by hand, by the published format (ECMA-376, SpreadsheetML), read as an inventory."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from datetime import date
from xml.sax.saxutils import escape

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.model.inventory.read import read_inventory
from bundlekeeper.model.inventory.types import Component, Partition

pytest.importorskip("python_calamine", reason="reading spreadsheets is an extra")

from bundlekeeper.links.spreadsheet.read import documents

_TYPES = (
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" '
    'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
    "</Types>"
)
_RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def workbook(sheets: Mapping[str, Sequence[Sequence[object]]]) -> bytes:
    """A minimal workbook; text as inline strings, numbers and truth values as themselves."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        package.writestr("[Content_Types].xml", _TYPES)
        root = f'<Relationship Id="r0" Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/>'
        package.writestr("_rels/.rels", f'<Relationships xmlns="{_RELATIONS}">{root}</Relationships>')
        names, links = "", ""
        for number, (name, rows) in enumerate(sheets.items(), 1):
            names += f'<sheet name="{name}" sheetId="{number}" r:id="r{number}"/>'
            links += f'<Relationship Id="r{number}" Type="{_OFFICE}/worksheet" Target="worksheets/sheet{number}.xml"/>'
            body = "".join(
                f'<row r="{r}">{"".join(_cell(r, c, v) for c, v in enumerate(row))}</row>'
                for r, row in enumerate(rows, 1)
            )
            sheet = f'<worksheet xmlns="{_MAIN}"><sheetData>{body}</sheetData></worksheet>'
            package.writestr(f"xl/worksheets/sheet{number}.xml", sheet)
        package.writestr(
            "xl/workbook.xml", f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><sheets>{names}</sheets></workbook>'
        )
        package.writestr("xl/_rels/workbook.xml.rels", f'<Relationships xmlns="{_RELATIONS}">{links}</Relationships>')
    return out.getvalue()


def _cell(row: int, column: int, value: object) -> str:
    place = f"{chr(ord('A') + column)}{row}"
    if value is None:
        return ""
    if isinstance(value, bool):
        return f'<c r="{place}" t="b"><v>{int(value)}</v></c>'
    if isinstance(value, int | float):
        return f'<c r="{place}"><v>{value}</v></c>'
    return f'<c r="{place}" t="inlineStr"><is><t>{escape(str(value))}</t></is></c>'


HEAD: list[object] = ["site", "domain", "slot", "kind", "serial", "active", "healthy"]
ROW: list[object] = ["holm", "holm-a", 3, "bios", "B7", "6.10", True]
ABOUT: list[list[object]] = [["inventory", 1], ["taken", "2026-03-01"], ["zone", "UTC"]]


def test_a_workbook_is_one_inventory() -> None:
    """Tables by their column names, the header on a sheet of its own, other sheets named and not read."""
    data = workbook(
        {
            "inventory": ABOUT,
            "Racks": [HEAD, ROW],
            "flash": [["component", "name", "size_bytes", "free_bytes"], ["B7", "flash", 100, None]],
            "notes": [["who", "what"], ["ada", "called the harbour office"]],
        }
    )
    tables, others = documents("racks.xlsx", data)
    found = read_inventory(tables)
    assert others == ["notes"]
    assert found.taken == date(2026, 3, 1)
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
