"""Tables for people: rich on a terminal, plain aligned columns elsewhere.

Rules: cells are data and pass `visible`; no markup is ever read from data; the plain form is stable (two spaces between
columns, no colours, no width limit), so that it can be compared and grepped.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TextIO

from bundlekeeper.model.text import visible

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
    row where a terminal is too narrow for all of them.
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


def _rich(table: Table, stream: TextIO) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False)
    every = range(len(table.titles))
    lines = _aligned(table, every)
    under: list[list[str]] = []
    if table.below and sum(map(len, lines[0])) + 2 * (len(every) - 1) > console.width:
        lines = _aligned(table, (i for i in every if i not in table.below))
        under = [[visible(row[i]) for i in sorted(table.below) if row[i]] for row in table.rows]
    if table.caption:
        console.print(Text(visible(table.caption), style="bold"), soft_wrap=True)
    console.print(Text("  ".join(lines[0]).rstrip(), style="bold"), soft_wrap=True)
    for number, cells in enumerate(lines[1:]):
        parts = [(cell, STYLES.get(cell.strip(), "")) for cell in cells]
        console.print(Text("  ").join(Text(cell, style=style) for cell, style in parts), soft_wrap=True)
        if under:
            console.print(Text("    " + "  ".join(under[number]), style="dim"), soft_wrap=True)
