"""Workbooks that we write, read by another program's library."""

from __future__ import annotations

import io

import pytest

from bundlekeeper.links.spreadsheet.write import letters, workbook

SHEETS = {"first": [["site", "active"], ["holm", "6.10"], ["<a & b>", ' "x" ']], "second & more": [["x"]], "none": []}


def test_another_library_reads_the_same_cells_and_finds_text() -> None:
    """openpyxl; a version that is typed into such a column stays text."""
    openpyxl = pytest.importorskip("openpyxl", reason="it is in the extra test")
    read = openpyxl.load_workbook(io.BytesIO(workbook(SHEETS)))
    assert read.sheetnames == list(SHEETS)
    for name, rows in SHEETS.items():
        assert [[cell.value for cell in row] for row in read[name].iter_rows() if rows] == rows
    assert {cell.number_format for row in read["first"].iter_rows() for cell in row} == {"@"}


def test_equal_cells_are_equal_bytes() -> None:
    assert workbook(SHEETS) == workbook(dict(SHEETS))


def test_columns_after_z_have_two_letters() -> None:
    """Places are those that a person sees in the spreadsheet."""
    assert [letters(i) for i in (0, 25, 26, 51, 52, 701, 702)] == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]
