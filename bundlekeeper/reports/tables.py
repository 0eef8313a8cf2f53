"""Tables for people: rich on a terminal, plain aligned columns elsewhere.

Rules: cells are data and pass `visible`; no markup is ever read from data; the plain form is stable (two spaces between
columns, no colours, no width limit), so that it can be compared and grepped.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TextIO

from bundlekeeper.formats.escape import visible

#: Colours of words that say how something stands. Colour is never the only sign.
STYLES = {
    "ok": "green",
    "proven": "green",
    "taken": "green",
    "held": "green",
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
    "unproven": "yellow",
    "not read": "yellow",
    "withdrawn": "bold yellow",
    "superseded": "dim",
}


@dataclass(slots=True)
class Table:
    """Rows under titles.

    `right` holds the indices of columns that are numbers; `below` of those that move to a line of their own under the
    row, each with its title, where a terminal is too narrow for all of them; where that is not enough, more do.
    """

    titles: Sequence[str]
    rows: list[Sequence[str]] = field(default_factory=list)
    right: frozenset[int] = frozenset()
    below: frozenset[int] = frozenset()
    caption: str = ""


def write(table: Table, stream: TextIO | None = None) -> None:
    """Write the table to `stream` (default: stdout), richly if that is a terminal."""
    target = stream or sys.stdout
    if target.isatty():
        _rich(table, target)
    else:
        target.write(plain(table))


def plain(table: Table) -> str:
    """The table as aligned text, one line a row."""
    lines = [visible(table.caption)] if table.caption else []
    lines += ["  ".join(cells).rstrip() for cells in _aligned(table, range(len(table.titles)))]
    return "\n".join(lines) + "\n"


def _aligned(table: Table, columns: Iterable[int]) -> list[list[str]]:
    """The titles and the rows, only these columns, every cell escaped and padded to its column's width."""
    chosen = list(columns)
    rows = [[visible(row[i]) for i in chosen] for row in [table.titles, *table.rows]]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        [c.rjust(w) if i in table.right else c.ljust(w) for i, c, w in zip(chosen, row, widths, strict=True)]
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


def _rich(table: Table, stream: TextIO) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False)
    beside = list(range(len(table.titles)))
    lines = _aligned(table, beside)
    if table.below and _width(lines) > console.width:
        beside = [i for i in beside if i not in table.below]
        lines = _aligned(table, beside)
    while table.below and _width(lines) > console.width and len(beside) > 1:
        lines = _aligned(table, beside := beside[:-1])
    below = sorted(set(range(len(table.titles))) - set(beside))
    titles = [visible(title) for title in table.titles]
    under = [[f"{titles[i]} {visible(row[i])}" for i in below if row[i]] for row in table.rows] if below else []
    if table.caption:
        console.print(Text(visible(table.caption), style="bold"), soft_wrap=True)
    console.print(Text("  ".join(lines[0]).rstrip(), style="bold"), soft_wrap=True)
    for number, cells in enumerate(lines[1:]):
        parts = [(cell, STYLES.get(cell.strip(), "")) for cell in cells]
        console.print(Text("  ").join(Text(cell, style=style) for cell, style in parts), soft_wrap=True)
        if under:
            for row in _packed(under[number], console.width - 4):
                console.print(Text(f"    {row}", style="dim"), soft_wrap=True)
