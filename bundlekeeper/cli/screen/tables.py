"""Tables for people: rich on a terminal, plain aligned columns elsewhere.

Rules: a column is declared once, with its title, its cell and how it stands; cells are data and pass `visible`; no
markup is ever read from data; the plain form is stable (two spaces between columns, no colours, no width limit), so
that it can be compared and grepped.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Generic, TextIO, TypeVar

from bundlekeeper.formats.escape import visible

Row = TypeVar("Row")

#: Colours of words that say how something is. Colour is never the only sign.
STYLES = {
    "ok": "green",
    "verified": "green",
    "added": "green",
    "in store": "green",
    "trusted": "cyan",
    "current": "green",
    "note": "cyan",
    "warning": "yellow",
    "error": "bold red",
    "missing": "bold red",
    "altered": "bold red",
    "truncated": "bold red",
    "extended": "bold red",
    "unreadable": "bold red",
    "quarantined": "bold red",
    "failed": "bold red",
    "misnamed": "yellow",
    "extra": "yellow",
    "unverified": "yellow",
    "not read": "yellow",
    "withdrawn": "bold yellow",
    "superseded": "dim",
}


@dataclass(frozen=True, slots=True)
class Column(Generic[Row]):
    """One column: its title and what of a row stands in it.

    `right` puts numbers under each other; `below` moves it to a line of its own under the row, with its title, where a
    terminal is too narrow for all columns; where that is not enough, more do.
    """

    title: str
    cell: Callable[[Row], str]
    right: bool = False
    below: bool = False


def write(columns: Sequence[Column[Row]], rows: Iterable[Row], caption: str = "", stream: TextIO | None = None) -> None:
    """Write a table to `stream` (default: stdout), richly if that is a terminal."""
    target = stream or sys.stdout
    cells = [[visible(column.cell(row)) for column in columns] for row in rows]
    if target.isatty():
        _rich(columns, cells, caption, target)
    else:
        target.write(plain(columns, cells, caption))


def plain(columns: Sequence[Column[Row]], cells: Sequence[Sequence[str]], caption: str = "") -> str:
    """The table as aligned text, one line a row; `cells` are escaped."""
    lines = [visible(caption)] if caption else []
    lines += ["  ".join(row).rstrip() for row in _aligned(columns, cells, range(len(columns)))]
    return "\n".join(lines) + "\n"


def _aligned(columns: Sequence[Column[Row]], cells: Sequence[Sequence[str]], shown: Iterable[int]) -> list[list[str]]:
    """The titles and the rows, only these columns, every cell padded to its column's width."""
    chosen = list(shown)
    titles = [visible(column.title) for column in columns]
    rows = [[sequence[i] for i in chosen] for sequence in [titles, *cells]]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        [c.rjust(w) if columns[i].right else c.ljust(w) for i, c, w in zip(chosen, row, widths, strict=True)]
        for row in rows
    ]


def _packed(cells: Iterable[str], width: int) -> list[str]:
    """The cells on as few lines as their order allows; one that is wider than a line has its own."""
    lines: list[str] = []
    for cell in cells:
        if lines and len(lines[-1]) + 2 + len(cell) <= width:
            lines[-1] += f"  {cell}"
        else:
            lines.append(cell)
    return lines


def _width(lines: Sequence[Sequence[str]]) -> int:
    return sum(map(len, lines[0])) + 2 * (len(lines[0]) - 1)


def _rich(columns: Sequence[Column[Row]], cells: Sequence[Sequence[str]], caption: str, stream: TextIO) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False)
    beside = list(range(len(columns)))
    movable = any(column.below for column in columns)
    lines = _aligned(columns, cells, beside)
    if movable and _width(lines) > console.width:
        beside = [i for i in beside if not columns[i].below]
        lines = _aligned(columns, cells, beside)
    while movable and _width(lines) > console.width and len(beside) > 1:
        lines = _aligned(columns, cells, beside := beside[:-1])
    below = sorted(set(range(len(columns))) - set(beside))
    titles = [visible(column.title) for column in columns]
    under = [[f"{titles[i]} {sequence[i]}" for i in below if sequence[i]] for sequence in cells] if below else []
    if caption:
        console.print(Text(visible(caption), style="bold"), soft_wrap=True)
    console.print(Text("  ".join(lines[0]).rstrip(), style="bold"), soft_wrap=True)
    for number, row in enumerate(lines[1:]):
        parts = [(cell, STYLES.get(cell.strip(), "")) for cell in row]
        console.print(Text("  ").join(Text(cell, style=style) for cell, style in parts), soft_wrap=True)
        if under:
            for line in _packed(under[number], console.width - 4):
                console.print(Text(f"    {line}", style="dim"), soft_wrap=True)
