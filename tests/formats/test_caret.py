"""The caret stands under the character that is meant, whatever stands before it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.formats.caret import excerpt
from bundlekeeper.formats.escape import visible


@pytest.mark.parametrize(
    ("line", "column", "shown"),
    [
        ("size = 0x", 8, "size = 0x\n       ^"),
        ("", 1, "\n^"),
        ("ab", 3, "ab\n  ^"),
        ("ab", 99, "ab\n  ^"),
        ("\tx", 2, "\\tx\n  ^"),
        ("\x1b[31mx", 2, "\\x1b[31mx\n    ^"),
        ("鍵x", 2, "鍵x\n  ^"),  # UAX #11: wide
        ("e\u0301x", 3, "e\u0301x\n ^"),  # a combining mark takes no column
    ],
)
def test_examples(line: str, column: int, shown: str) -> None:
    assert excerpt(line, column) == shown


def test_a_long_line_is_cut_on_both_sides() -> None:
    line = "a" * 500 + "X" + "b" * 500
    text, caret = excerpt(line, 501).split("\n")
    assert text == "…" + "a" * 60 + "X" + "b" * 49 + "…"
    assert text[caret.index("^")] == "X"


@given(st.text(max_size=300), st.integers(-3, 400))
def test_always_two_lines_that_need_no_more_escaping(line: str, column: int) -> None:
    """'A second escaping where it is printed changes nothing; always exactly two lines.'"""
    rows = excerpt(line, column).split("\n")
    assert len(rows) == 2
    assert [visible(row) for row in rows] == rows
    assert rows[1].strip(" ") == "^"
