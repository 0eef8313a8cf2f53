"""Tables: aligned within the width of a line, in colour on a terminal; where no width is known, records with tabs.

Rules: a column is declared once, with its title, its cell and how it is aligned; cells are data and pass `visible`; no
markup is ever read from data; nothing is ever cut: what has no space wraps, or goes below its row; the form without a
width is stable (a record a line, a tab between cells, no padding, no colours), so that a script can split it; with
--plain every table is read from top to bottom, a line for each cell that has a value, for those who hear it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Sequence
from contextvars import ContextVar
from itertools import zip_longest
from textwrap import wrap
from typing import Generic, TextIO, TypeVar

from bundlekeeper.formats.escape import visible
from bundlekeeper.frozen import dataclass

Row = TypeVar("Row")

#: Set by --plain, for one command.
PLAIN: ContextVar[bool] = ContextVar("PLAIN", default=False)

_USUAL_WIDTH = 80
_NARROWEST = 8  # a column of text is not made narrower

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
    """One column: its title and the cell that it shows of a row.

    `right` puts numbers under each other; `below` moves it to a line of its own under the row, with its title, where a
    line is too short for all columns; where that is not enough, more do. A table in which no column may go below wraps
    its cells of text instead.
    """

    title: str
    cell: Callable[[Row], str]
    right: bool = False
    below: bool = False


def width_of(stream: TextIO) -> int | None:
    """How many characters a line of `stream` has space for: COLUMNS, else the terminal's; None for neither."""
    named = os.environ.get("COLUMNS", "")
    if named.isascii() and named.isdigit() and len(named) < 6 and int(named) > 0:
        return int(named)
    if not stream.isatty():
        return None
    try:
        return os.get_terminal_size(stream.fileno()).columns or _USUAL_WIDTH
    except (OSError, ValueError):  # a stream in memory has no number; a terminal may not report its size
        return _USUAL_WIDTH


def write(columns: Sequence[Column[Row]], rows: Iterable[Row], caption: str = "", stream: TextIO | None = None) -> None:
    """Write a table to `stream` (default: stdout): aligned where the width of a line is known, else as records."""
    target = stream or sys.stdout
    cells = [[visible(column.cell(row)) for column in columns] for row in rows]
    if PLAIN.get():
        target.write(_read_aloud(columns, cells, caption))
        return
    width = width_of(target)
    if width is None:
        target.write(_records(columns, cells, caption))
        return
    lines = [[visible(caption)]] if caption else []
    titles, *body = _laid_out(columns, cells, width)
    heads = [*lines, *titles]
    if target.isatty():
        _in_colour(heads, [line for row in body for line in row], target)
    else:
        every = [*heads, *(line for row in body for line in row)]
        target.write("".join("  ".join(line).rstrip() + "\n" for line in every))


def _records(columns: Sequence[Column[Row]], cells: Iterable[Sequence[str]], caption: str) -> str:
    """One record a line, a tab between its cells, nothing padded: a tab within a cell is escaped already."""
    lines = [visible(caption)] if caption else []
    lines += ["\t".join(row) for row in [[visible(column.title) for column in columns], *cells]]
    return "\n".join(lines) + "\n"


def _read_aloud(columns: Sequence[Column[Row]], cells: Iterable[Sequence[str]], caption: str) -> str:
    """A record a paragraph: `title: cell`, a line for each cell that is not empty."""
    titles = [visible(column.title) for column in columns]
    records = ["".join(f"{title}: {cell}\n" for title, cell in zip(titles, row, strict=True) if cell) for row in cells]
    return "\n".join([f"{visible(caption)}\n"] * bool(caption) + records + [""] * bool(records))


def _laid_out(columns: Sequence[Column[Row]], cells: Sequence[Sequence[str]], width: int) -> list[list[list[str]]]:
    """The titles and the rows, each as lines of padded cells: columns without space go below, long cells wrap."""
    titles = [visible(column.title) for column in columns]
    table = [titles, *cells]
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    in_row = list(range(len(columns)))
    movable = any(column.below for column in columns)
    if movable and _total(widths, in_row) > width:
        in_row = [i for i in in_row if not columns[i].below] or in_row[:1]
    while movable and _total(widths, in_row) > width and len(in_row) > 1:
        in_row.pop()
    if _total(widths, in_row) > width:  # a title of several words takes several lines first
        for i in in_row:
            widths[i] = max(*map(len, titles[i].split(" ")), *(len(row[i]) for row in cells), 1)
    _narrow(columns, widths, in_row, width)
    rows = [_row_lines(columns, widths, in_row, row) for row in table]
    below = [i for i in range(len(columns)) if i not in in_row]
    for lines, row in zip(rows[1:], cells, strict=True):
        under = (f"{titles[i]} {row[i]}" for i in below if row[i])
        lines += [[f"    {line}"] for cell in _packed(under, width - 4) for line in _wrapped(cell, width - 4)]
    return rows


def _total(widths: Sequence[int], in_row: Sequence[int]) -> int:
    return sum(widths[i] for i in in_row) + 2 * (len(in_row) - 1)


def _narrow(columns: Sequence[Column[Row]], widths: list[int], in_row: Sequence[int], width: int) -> None:
    """Take what the line lacks from the widest columns of text; numbers never break."""
    while _total(widths, in_row) > width:
        texts = [i for i in in_row if not columns[i].right and widths[i] > _NARROWEST]
        if not texts:
            return
        widths[max(texts, key=lambda i: widths[i])] -= 1


def _row_lines(
    columns: Sequence[Column[Row]], widths: Sequence[int], in_row: Sequence[int], row: Sequence[str]
) -> list[list[str]]:
    wrapped = [[row[i]] if columns[i].right else _wrapped(row[i], widths[i]) for i in in_row]
    lines = zip_longest(*wrapped, fillvalue="")
    return [
        [c.rjust(widths[i]) if columns[i].right else c.ljust(widths[i]) for i, c in zip(in_row, line, strict=True)]
        for line in lines
    ]


def _wrapped(text: str, width: int) -> list[str]:
    """The text in pieces of at most `width` characters: broken at blanks, and within a word that is longer."""
    if len(text) <= width:
        return [text]
    return wrap(text, max(1, width), break_on_hyphens=False) or [""]


def _packed(cells: Iterable[str], width: int) -> list[str]:
    """The cells on as few lines as their order allows; one that is wider than a line has its own."""
    lines: list[str] = []
    for cell in cells:
        if lines and len(lines[-1]) + 2 + len(cell) <= width:
            lines[-1] += f"  {cell}"
        else:
            lines.append(cell)
    return lines


def _in_colour(heads: Iterable[Sequence[str]], lines: Iterable[Sequence[str]], stream: TextIO) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False)
    for line in heads:
        console.print(Text("  ".join(line).rstrip(), style="bold"), soft_wrap=True)
    for line in lines:
        if len(line) == 1 and line[0].startswith("    "):
            console.print(Text(line[0], style="dim"), soft_wrap=True)
            continue
        text = Text("  ").join(Text(cell, style=STYLES.get(cell.strip(), "")) for cell in line)
        text.rstrip()
        console.print(text, soft_wrap=True)
