"""Tables for people: rich on a terminal, plain aligned columns elsewhere.

Rules: cells are data and pass `visible`; no markup is ever read from data; the plain form is stable (two spaces between
columns, no colours, no width limit), so that it can be compared and grepped.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
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
    """Rows under titles; `right` holds the indices of columns that are numbers."""

    titles: Sequence[str]
    rows: list[Sequence[str]] = field(default_factory=list)
    right: frozenset[int] = frozenset()
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
    rows = [[visible(cell) for cell in row] for row in [table.titles, *table.rows]]
    widths = [max(len(row[i]) for row in rows) for i in range(len(table.titles))]
    lines = [visible(table.caption)] if table.caption else []
    for row in rows:
        cells = [
            c.rjust(w) if i in table.right else c.ljust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines) + "\n"


def _rich(table: Table, stream: TextIO) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table as RichTable
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False)
    grid = RichTable(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for i, title in enumerate(table.titles):
        grid.add_column(Text(visible(title)), justify="right" if i in table.right else "left", overflow="fold")
    for row in table.rows:
        grid.add_row(*(Text(visible(cell), style=STYLES.get(cell, "")) for cell in row))
    if table.caption:
        console.print(Text(visible(table.caption), style="bold"))
    console.print(grid)
