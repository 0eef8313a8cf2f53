"""A workbook of text cells (XLSX), written so that a spreadsheet keeps what is typed into it.

Rules: equal cells give equal bytes; every column has the format of text, because a number loses its final zeros; the
first row stays in sight. ECMA-376 (SpreadsheetML), with the few parts that it requires.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape, quoteattr

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
_MOMENT = (1980, 1, 1, 0, 0, 0)  # the earliest that ZIP knows
_TEXT_FORMAT = 49  # "@" (ECMA-376 §18.8.30)
_WIDEST = 60  # characters
#: What spreadsheets read at most (their makers' published limits are alike).
SHEET_ROWS, CELL_CHARACTERS = 1_048_576, 32_767
_STYLES = (
    f'<styleSheet xmlns="{_MAIN}"><fonts count="1"><font><sz val="11"/><name val="Sans"/></font></fonts>'
    '<fills count="2"><fill><patternFill patternType="none"/></fill>'
    '<fill><patternFill patternType="gray125"/></fill></fills>'
    '<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="2"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>'
    f'<xf numFmtId="{_TEXT_FORMAT}" fontId="0" fillId="0" borderId="0" xfId="0" applyNumberFormat="1"/></cellXfs>'
    '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>'
)


def workbook(sheets: Mapping[str, Sequence[Sequence[str]]]) -> bytes:
    """The workbook's bytes; every sheet has a name of at most 31 characters. Raises nothing."""
    types = f'<Override PartName="/xl/workbook.xml" ContentType="{_TYPE}.sheet.main+xml"/>'
    types += f'<Override PartName="/xl/styles.xml" ContentType="{_TYPE}.styles+xml"/>'
    names, links, parts = "", f'<Relationship Id="styles" Type="{_OFFICE}/styles" Target="styles.xml"/>', {}
    for number, (name, rows) in enumerate(sheets.items(), 1):
        part = f"worksheets/sheet{number}.xml"
        types += f'<Override PartName="/xl/{part}" ContentType="{_TYPE}.worksheet+xml"/>'
        names += f'<sheet name={quoteattr(name)} sheetId="{number}" r:id="r{number}"/>'
        links += f'<Relationship Id="r{number}" Type="{_OFFICE}/worksheet" Target="{part}"/>'
        parts[f"xl/{part}"] = _sheet(rows)
    root = f'<Relationship Id="r0" Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/>'
    defaults = (
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Default Extension="xml" ContentType="application/xml"/>{types}'
    )
    files = {
        "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types">{defaults}</Types>',
        "_rels/.rels": f'<Relationships xmlns="{_PACKAGE}/relationships">{root}</Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><sheets>{names}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{_PACKAGE}/relationships">{links}</Relationships>',
        "xl/styles.xml": _STYLES,
        **parts,
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, text in files.items():
            package.writestr(zipfile.ZipInfo(name, _MOMENT), _HEAD + text, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _sheet(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(map(len, filter(None, column)), default=0) for column in _columns(rows)]
    columns = "".join(
        f'<col min="{n}" max="{n}" width="{min(width, _WIDEST) + 2}" style="1" customWidth="1"/>'
        for n, width in enumerate(widths, 1)
    )
    body = "".join(
        f'<row r="{r}">{"".join(_cell(r, c, text) for c, text in enumerate(row, 1) if text)}</row>'
        for r, row in enumerate(rows, 1)
    )
    pane = '<pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/>'
    views = f'<sheetViews><sheetView workbookViewId="0">{pane}</sheetView></sheetViews>'
    shown = f"<cols>{columns}</cols>" if columns else ""
    return f'<worksheet xmlns="{_MAIN}">{views}{shown}<sheetData>{body}</sheetData></worksheet>'


def _columns(rows: Sequence[Sequence[str]]) -> list[list[str]]:
    count = max(map(len, rows), default=0)
    return [[row[n] for row in rows if n < len(row)] for n in range(count)]


def _cell(row: int, column: int, text: str) -> str:
    kept = f'<t xml:space="preserve">{escape(text)}</t>'
    return f'<c r="{letters(column - 1)}{row}" s="1" t="inlineStr"><is>{kept}</is></c>'


def letters(column: int) -> str:
    """A column's letters, counted from 0: A, B, … Z, AA, …"""
    found, number = "", column + 1
    while number:
        number, digit = divmod(number - 1, 26)
        found = chr(ord("A") + digit) + found
    return found
