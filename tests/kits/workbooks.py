"""What several tests share with those of links/spreadsheet/test_read.py."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape

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


ABOUT: list[list[object]] = [["inventory", 1], ["read_at", "2026-03-01"], ["zone", "UTC"]]
