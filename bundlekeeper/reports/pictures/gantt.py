"""A window's work as bars of text, one row to a thing: when it is worked on, and when something is down.

Rules: plain ASCII and no wider than asked, so that it can be piped, mailed and printed; a bar never shows less than one
cell for what takes time; names are data and pass `visible`; long ones get a line of their own, none is cut.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from bundlekeeper.formats.escape import visible

WIDTH = 80
_LABEL, _TIMES = 26, 11  # characters of a row's name and of its times
KEY = "= work, nothing is down   # something is down"


@dataclass(frozen=True, slots=True)
class Span:
    """Minutes `start` to `end` of one piece of work; `down` says what is down meanwhile, empty for nothing."""

    start: int
    end: int
    down: str = ""


@dataclass(frozen=True, slots=True)
class GanttBar:
    """One thing's work in a window."""

    label: str
    spans: tuple[Span, ...]


def lines(bars: Sequence[GanttBar], minutes: int, width: int = WIDTH) -> Iterator[str]:
    """The bars of a window of so many minutes, as lines of at most `width` characters; a long name may be longer."""
    cells = width - _LABEL - _TIMES - 6
    yield "  " + " " * _LABEL + " " + _scale(minutes, cells)
    for bar in bars:
        label = visible(bar.label)
        if len(label) > _LABEL:
            yield f"  {label}"
            label = ""
        start, end = min(span.start for span in bar.spans), max(span.end for span in bar.spans)
        yield f"  {label:<{_LABEL}} |{_drawn(bar.spans, minutes, cells)}| {f'{start}-{end}':>{_TIMES}}".rstrip()
        for what, spans in _downs(bar.spans):
            yield f"  {'':<{_LABEL}}   down: {visible(what)}, minutes {', '.join(spans)}"


def missing(label: str, width: int = WIDTH) -> Iterator[str]:
    """The row of something that has no windows: an empty bar that says so."""
    shown = visible(label)
    if len(shown) > _LABEL:
        yield f"  {shown}"
        shown = ""
    yield f"  {shown:<{_LABEL}} |{' not planned ':.^{width - _LABEL - _TIMES - 6}}|"


def _scale(minutes: int, cells: int) -> str:
    """The minute at the left end and at the right one, and half-way where there is space."""
    half = str(minutes // 2)
    left = "0".ljust(1 + cells // 2 - len(half) // 2) + half
    return left + str(minutes).rjust(cells + 2 - len(left))


def _drawn(spans: Iterable[Span], minutes: int, cells: int) -> str:
    row = [" "] * cells
    for span in sorted(spans, key=lambda s: bool(s.down)):  # what is down is drawn last, so that it is always seen
        left = min(cells - 1, span.start * cells // max(1, minutes))
        right = min(cells, max(left + 1, -(-span.end * cells // max(1, minutes))))
        row[left:right] = ["#" if span.down else "="] * (right - left)
    return "".join(row)


def _downs(spans: Iterable[Span]) -> Iterator[tuple[str, list[str]]]:
    found: dict[str, list[tuple[int, int]]] = {}
    for span in sorted(spans, key=lambda s: s.start):
        if not span.down:
            continue
        rows = found.setdefault(span.down, [])
        if rows and rows[-1][1] >= span.start:
            rows[-1] = (rows[-1][0], max(rows[-1][1], span.end))
        else:
            rows.append((span.start, span.end))
    yield from ((what, [f"{a}-{b}" for a, b in rows]) for what, rows in found.items())
