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
