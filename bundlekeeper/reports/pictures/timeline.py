"""A window's work as a picture over the width of a page: bars over time, hatched where something is down.

Rules: numbers only, which a template draws as SVG: a page needs no other file; things that are worked on at the same
minutes are one bar, and bars that do not overlap share a lane, so that 25 servers fit; names are data and are never
cut; nothing rests on colour. Units: millimetres.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from bundlekeeper.reports.pictures.gantt import GanttBar, Span

WIDTH = 182.0
LANE, AXIS = 6.0, 6.0  # the height of a lane, with its names above its bars, and of the line of times
MAX_LANES = 8
_BAR = 3.0
_CHARACTER = 1.75  # at the size of the names, of the widest usual letters
_STEPS = (5, 10, 15, 30, 60, 120, 240, 720, 1440)


@dataclass(frozen=True, slots=True)
class TimelineBar:
    """One span of a bar: its left end, top and width, and the path of its hatching, empty where nothing is down."""

    x: float
    y: float
    width: float
    hatch: str


@dataclass(frozen=True, slots=True)
class TimelineText:
    """A name or a time, and where it begins."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class TimelinePicture:
    """The picture; `turn_back` is where its line is, and `left_out` says what it has no lane for, empty for nothing."""

    height: float
    bars: tuple[TimelineBar, ...]
    names: tuple[TimelineText, ...]
    times: tuple[TimelineText, ...]
    turn_back: float
    left_out: str


def timeline(bars: Sequence[GanttBar], minutes: int, turn_back: int, clock: Callable[[int], str]) -> TimelinePicture:
    """The picture of a window of so many minutes; `clock` words a minute of it."""
    scale = WIDTH / max(1, minutes)
    lanes: list[float] = []  # where each lane is free again
    drawn: list[TimelineBar] = []
    names: list[TimelineText] = []
    left_out = 0
    for bar in bars:
        label, spans = bar.label, _joined(bar.spans)
        begin, end = min(s.start for s in spans) * scale, max(s.end for s in spans) * scale
        wide = len(label) * _CHARACTER
        x = max(0.0, min(begin, WIDTH - wide))  # a name near the right end begins further left
        lane = next((n for n, free in enumerate(lanes) if free <= x), len(lanes))
        if lane == MAX_LANES:
            left_out += 1
            continue
        lanes[lane : lane + 1] = [max(end, x + wide) + 1]
        top = lane * LANE
        names.append(TimelineText(_round(x), _round(top + 2.4), label))
        drawn += (_drawn(span, top + 2.9, scale) for span in spans)
    height = len(lanes) * LANE
    times = tuple(TimelineText(_round(m * scale), _round(height + 4.4), clock(m)) for m in _ticks(minutes))
    more = f"and {left_out} more, which are in the table below" if left_out else ""
    return TimelinePicture(_round(height + AXIS), tuple(drawn), tuple(names), times, _round(turn_back * scale), more)


def alike(bars: Iterable[GanttBar]) -> tuple[GanttBar, ...]:
    """The bars by their begin; those that are worked on and down at the same minutes as one."""
    groups: dict[tuple[tuple[int, int, bool], ...], list[GanttBar]] = {}
    for bar in bars:
        groups.setdefault(tuple((s.start, s.end, bool(s.down)) for s in bar.spans), []).append(bar)
    found = []
    for rows in sorted(groups.values(), key=lambda rows: min(s.start for s in rows[0].spans)):
        labels = [bar.label for bar in rows]
        head = labels[0].rpartition(" ")[0] + " "
        labels[1:] = [label.removeprefix(head) for label in labels[1:]]
        label = ", ".join(labels[:2]) + (f" and {len(labels) - 2} more" if labels[2:] else "")
        downs = (dict.fromkeys(span.down for span in same) for same in zip(*(bar.spans for bar in rows), strict=True))
        spans = (Span(s.start, s.end, ", ".join(d)) for s, d in zip(rows[0].spans, downs, strict=True))
        found.append(GanttBar(label, tuple(spans)))
    return tuple(found)


def _joined(spans: Iterable[Span]) -> tuple[Span, ...]:
    """The spans without seams: what touches or overlaps and is as much down is one."""
    rows: list[Span] = []
    for span in sorted(spans, key=lambda s: (bool(s.down), s.start)):
        if rows and bool(rows[-1].down) == bool(span.down) and span.start <= rows[-1].end:
            rows[-1] = Span(rows[-1].start, max(rows[-1].end, span.end), rows[-1].down)
        elif span.end > span.start:
            rows.append(span)
    return tuple(rows)


def _drawn(span: Span, y: float, scale: float) -> TimelineBar:
    x, width = span.start * scale, max(0.6, (span.end - span.start) * scale)
    return TimelineBar(_round(x), _round(y), _round(width), _hatch(x, y, width) if span.down else "")


def _hatch(x: float, y: float, width: float) -> str:
    """Slanted lines over a bar, each cut at its edges."""
    rows, at = [], x - _BAR + 0.8
    while at < x + width:
        left, right = max(at, x), min(at + _BAR, x + width)
        if right > left:
            rows.append(
                f"M{_round(left)} {_round(y + _BAR - (left - at))}L{_round(right)} {_round(y + at + _BAR - right)}"
            )
        at += 1.2
    return "".join(rows)


def _ticks(minutes: int) -> range:
    """Up to eleven minutes of the window at equal distances, from its begin."""
    step = next((s for s in _STEPS if minutes // s <= 10), max(1, minutes // 10))
    return range(0, minutes + 1, step)


def _round(value: float) -> float:
    return round(value, 2)
