"""Tables on a terminal: what stands beside each other, and what moves below where it is too narrow."""

from __future__ import annotations

import io
import re
from operator import itemgetter

import pytest

from bundlekeeper.cli.screen.tables import Column, write


class Terminal(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        return True


COLUMNS: list[Column[list[str]]] = [
    Column("place", itemgetter(0)),
    Column("active", itemgetter(1)),
    Column("note", itemgetter(2), below=True),
]
ROW = ["holm/holm-a/1/3", "6.1.0", "by night"]
WIDE = len("holm/holm-a/1/3  active  by night")
NARROW = len("holm/holm-a/1/3  active")


def shown(width: int, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The table's lines on a terminal of so many columns, without colours."""
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    write(COLUMNS, [ROW], stream=stream)
    return [line.rstrip() for line in re.sub("\x1b\\[[0-9;]*m", "", stream.getvalue()).splitlines()]


def test_a_table_that_just_fits_stays_on_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    assert shown(WIDE, monkeypatch) == ["place            active  note", "holm/holm-a/1/3  6.1.0   by night"]


def test_one_character_less_moves_what_may_go_below(monkeypatch: pytest.MonkeyPatch) -> None:
    for width in (WIDE - 1, NARROW):
        assert shown(width, monkeypatch) == ["place            active", "holm/holm-a/1/3  6.1.0", "    note by night"]


def test_where_that_is_not_enough_the_last_of_the_others_goes_below_too(monkeypatch: pytest.MonkeyPatch) -> None:
    assert shown(NARROW - 1, monkeypatch) == ["place", "holm/holm-a/1/3", "    active 6.1.0", "    note by night"]


def piped(columns: str, monkeypatch: pytest.MonkeyPatch, *names: Column[list[str]]) -> str:
    """The table as a pipe gets it, with COLUMNS set to `columns`, or not at all where that is empty."""
    if columns:
        monkeypatch.setenv("COLUMNS", columns)
    else:
        monkeypatch.delenv("COLUMNS", raising=False)
    stream = io.StringIO()
    write(names or COLUMNS, [ROW, ["x", "", "a\tb"]], stream=stream)
    return stream.getvalue()


def test_a_pipe_without_a_width_gets_a_record_a_line_with_tabs(monkeypatch: pytest.MonkeyPatch) -> None:
    printed = "place\tactive\tnote\nholm/holm-a/1/3\t6.1.0\tby night\nx\t\ta\\tb\n"
    assert piped("", monkeypatch) == printed
    for nonsense in ("wide", "0", "-80", "９９"):
        assert piped(nonsense, monkeypatch) == printed


def test_a_pipe_with_a_width_gets_what_a_terminal_of_that_width_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    for width in (WIDE, WIDE - 1, NARROW - 1):
        rows = piped(str(width), monkeypatch).splitlines()
        lines = shown(width, monkeypatch)
        assert rows[: len(lines)] == lines, width


def test_a_long_cell_wraps_and_nothing_of_it_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    beside: list[Column[list[str]]] = [
        Column("place", itemgetter(0)),
        Column("n", itemgetter(1), right=True),
        Column("note", itemgetter(2)),
    ]
    for width in (40, 30, 26):
        text = piped(str(width), monkeypatch, *beside)
        assert max(map(len, text.splitlines())) <= width
        assert "…" not in text
        assert "".join(text.split()).count("6.1.0") == 1
        for word in ("by", "night"):
            assert word in text
    assert "".join(line[:9] for line in text.splitlines()[1:3]).strip() == "holm/holm-a/1/3"
