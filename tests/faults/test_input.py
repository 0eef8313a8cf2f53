"""Hostile input and hostile output: lenient JSON, bombs, terminals, spreadsheets."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
import unicodedata
import zipfile
from unittest import mock

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.cli.screen import output, picture, tables
from bundlekeeper.cli.screen.picture import Cell
from bundlekeeper.cli.screen.tables import Column
from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats import json_read
from bundlekeeper.formats.escape import harmless, visible, without_quote
from bundlekeeper.model.inventory.read import InventorySource, read_inventory

DEEP = 100_000
LENIENT = {
    "a key twice": '{"a": 1, "a": 2}',
    "a key twice, spelled otherwise": '{"a": 1, "\\u0061": 2}',
    "a key twice, further down": '[{"b": {"a": 1, "a": 1}}]',
    "not a number": "[NaN]",
    "infinity": "[-Infinity]",
    "beyond a double": "1e999",
    "5,000 digits": "9" * 5_000,
    "5,000 digits with a sign": "-" + "9" * 5_000,
    "deep arrays": "[" * DEEP,
    "deep and closed": "[" * DEEP + "]" * DEEP,
    "deep objects": '{"a":' * DEEP,
    "a byte-order mark": "\ufeff{}",
    "two documents": "{}{}",
    "nothing": "",
}


@pytest.mark.fault(48)
@pytest.mark.parametrize("text", LENIENT.values(), ids=LENIENT)
def test_json_that_a_lenient_reader_would_allow(text: str) -> None:
    """ "duplicate keys, NaN, 5,000-digit numbers, deep nesting: strict reader, depth cap, our own error" (48)"""
    for given_as in (text, text.encode()):
        with pytest.raises(InputError) as caught:
            json_read.loads(given_as, "a.json")
        assert caught.value.where.startswith("a.json")


# Text that reaches people

HOSTILE = st.text(
    st.one_of(st.characters(), st.sampled_from("\x1b\x9b\x07\r\n\t\x00\x7f\u202e\u2066\u2028[]=+-@;,\"'"))
)
#: What moves a cursor, changes a colour, reorders or breaks a line: controls, formats, separators, surrogates.
MOVING = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}


def moving(line: str) -> set[str]:
    """The characters of a line that do more than being there."""
    return {c for c in line if unicodedata.category(c) in MOVING}


def printed(text: str) -> list[str]:
    """What all sinks print of this text, by lines."""
    out = io.StringIO()
    with mock.patch.dict(os.environ):
        os.environ.pop("COLUMNS", None)  # else a long cell is wrapped
        tables.write([Column(text, str), Column("b", str)], [text], text, out)
    output.write_findings([Finding("altered", Level.ERROR, text, text, hint=text, where=text, excerpt=text)], out)
    picture.write([Cell(text, text, text, text, text, text, True)], out)
    return out.getvalue().split("\n")


@pytest.mark.fault(73)
@given(text=HOSTILE.filter(bool))
@settings(max_examples=300)
def test_no_text_moves_a_terminal(text: str) -> None:
    """ "ESC, OSC, C1, bidi in anything printed: one escaper before every sink" (73)"""
    assert moving(visible(text)) == set()
    lines = printed(text)
    assert all(moving(line) <= {"\t"} for line in lines)
    assert sum(line.count("\t") for line in lines) == sum(line.count("\t") for line in printed("x"))  # ours alone
    assert len(lines) == len(printed("x")) + text.count("\n")  # line breaks are ours; an excerpt is made of lines


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        """Always."""
        return True


MARKUP = ("[bold]", "[/]", "[link=https://a.example]x[/link]", "fw[/x].bin", ":boom:", "[red", "\\[x]", "[1;31m]")


@pytest.mark.parametrize("text", MARKUP)
def test_no_markup_is_read_from_data(text: str) -> None:
    """ "rich markup in names (`[link=…]` renders, `fw[/x].bin` raises: ran): no markup in data" (72), on a terminal"""
    out = Terminal()
    narrow = [Column(text, str), Column("b" * 60, lambda _: "x" * 60), Column("c", str, below=True)]
    tables.write(narrow, [text], text, out)
    output.write_findings([Finding("altered", Level.ERROR, text, text, hint=text, where=text)], out)
    assert re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue()).count(text) == 8


@pytest.mark.fault(74)
@given(cells=st.lists(HOSTILE, min_size=1, max_size=5))
@settings(max_examples=300)
def test_no_cell_is_a_formula(cells: list[str]) -> None:
    """ "CSV cell starting `= + - @` tab CR: neutralised" (74; the list is OWASP's, CSV injection)"""
    for given_as in cells:
        cell = harmless(given_as)
        assert given_as == cell == "-" or not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
        assert without_quote(cell) == given_as  # as the readers of inventories and recordings take it back
        assert cell in {given_as, f"'{given_as}"}


def bomb(change: bytes) -> bytes:
    """A workbook, packed, whose second sheet has `change` before the end of its rows."""
    from tests.kits.workbooks import ABOUT, HEAD, ROW, workbook

    good, out = zipfile.ZipFile(io.BytesIO(workbook({"inventory": ABOUT, "Racks": [HEAD, ROW]}))), io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name in good.namelist():
            data = good.read(name)
            package.writestr(
                name, data.replace(b"</sheetData>", change + b"</sheetData>") if "sheet2" in name else data
            )
    return out.getvalue()


#: Rows that unpack to more than an inventory may hold, and a cell at the far end of the sheet (ECMA-376 allows both).
BOMBS = {
    "endless": b'<row><c t="inlineStr"><is><t>' + b"x" * 70_000_000 + b"</t></is></c></row>",
    "far": b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>',
    "down": b'<row r="1048576"><c r="A1048576"><v>1</v></c></row>',
}


@pytest.mark.fault(50)
@pytest.mark.parametrize("change", BOMBS.values(), ids=BOMBS)
def test_a_workbook_that_unpacks_to_a_hundred_times_its_size(change: bytes) -> None:
    """ "decompression bomb: any unpacking is capped" (50): it ends the process that reads it, never ours"""
    pytest.importorskip("python_calamine", reason="reading spreadsheets is an extra")
    from bundlekeeper.links.spreadsheet.read import documents

    data = bomb(change)
    assert len(data) < 400_000
    with pytest.raises(InputError):
        documents("racks.xlsx", data)
    assert documents("racks.xlsx", bomb(b""))[1] == []


def test_the_reader_of_spreadsheets_has_its_bounds() -> None:
    """Memory, processor time and no dump of what it held (setrlimit(2)), before it sees a byte."""
    code = (
        "import resource as r, sys; from bundlekeeper.links.spreadsheet import reader as w\n"
        "w.cells_of = lambda data: [r.getrlimit(x)[0] for x in (r.RLIMIT_AS, r.RLIMIT_CPU, r.RLIMIT_CORE)]\n"
        "w.main(1000)"
    )
    done = subprocess.run([sys.executable, "-c", code], stdin=subprocess.DEVNULL, capture_output=True, check=True)
    assert json.loads(done.stdout) == {"sheets": [2 << 30, 60, 0]}


@pytest.mark.parametrize("text", ["\x0b", "\u00a0\n\u2003", "# zone = UTC\n\x1c"])
def test_a_table_of_blanks_that_are_no_ascii_has_no_columns(text: str) -> None:
    """Found by the fuzz: rows of blanks only, which neither are empty lines nor name a column."""
    with pytest.raises(InputError) as caught:
        read_inventory([InventorySource("i.csv", text.encode(), "csv")])
    assert "it has no row with the names of the columns" in [problem.message for problem in caught.value.problems]
