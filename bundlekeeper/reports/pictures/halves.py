"""A domain's redundant pairs: the leading half left, the following one right, with the paths that hang on each.

Rules: a half that is not known is drawn with `?` and a broken line, never as if it were known; one that is not listed
is an empty box that says so; what has no paths below it (a manager) is above what has.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from bundlekeeper.model.release_state import RELEASE_STATES, StateFacts
from bundlekeeper.reports.pictures.cells import WIDTH, DrawnComponent, PictureText, fitting

_BOX, _HIGH, _GAP, _BUS = 120, 38, 8, 8  # a box's width and height, between rows, and of a line from the edge
_CHARACTERS = 15


@dataclass(frozen=True, slots=True)
class DrawnPair:
    """One pair: its name, its halves as listed, and whether the inventory says which is which."""

    name: str
    left: DrawnComponent | None
    right: DrawnComponent | None
    is_sure: bool


@dataclass(frozen=True, slots=True)
class HalfBox:
    """A box of one half: `number` is 0 where it is not listed."""

    x: float
    y: float
    number: int
    facts: StateFacts | None
    name: str
    versions: str
    title: str


@dataclass(frozen=True, slots=True)
class HalfPath:
    """A line from one half to what hangs on it; `is_sure` is False where the halves are not known."""

    path: str
    is_sure: bool


@dataclass(frozen=True, slots=True)
class HalvesPicture:
    """The whole picture."""

    width: float
    height: float
    box_width: float
    box_height: float
    boxes: tuple[HalfBox, ...]
    paths: tuple[HalfPath, ...]
    texts: tuple[PictureText, ...]


def halves(above: Sequence[DrawnPair], heads: Sequence[DrawnPair], below: Sequence[DrawnPair]) -> HalvesPicture | None:
    """The picture of managers, of switches below them, and of what hangs on those; None where there is nothing."""
    rows = [*((pair, 0) for pair in (*above, *heads)), *((pair, 18) for pair in below)]
    if not rows:
        return None
    y, boxes, texts, paths = 0, list[HalfBox](), list[PictureText](), list[HalfPath]()
    start = max(0, (len(above) + len(heads)) * (_HIGH + _GAP) - _GAP)
    for pair, inset in rows:
        boxes += (_box(pair.left, inset, y), _box(pair.right, WIDTH - _BOX - inset, y))
        middle = [fitting(pair.name, 10)] + ([] if pair.is_sure else ["halves ?"])
        texts += (PictureText(WIDTH / 2, y + 17 + 14 * line, text, "mid") for line, text in enumerate(middle))
        if inset and heads:
            paths += (
                HalfPath(path, pair.is_sure and one is not None)
                for path, one in zip(_paths(start, y + _HIGH / 2, inset), (pair.left, pair.right), strict=True)
            )
        y += _HIGH + _GAP
    return HalvesPicture(WIDTH, y - _GAP + 2, _BOX, _HIGH, tuple(boxes), tuple(paths), tuple(texts))


def _paths(start: float, middle: float, inset: float) -> Iterator[str]:
    yield f"M{_BUS} {start}V{middle}H{inset}"
    yield f"M{WIDTH - _BUS} {start}V{middle}H{WIDTH - inset}"


def _box(component: DrawnComponent | None, x: float, y: float) -> HalfBox:
    if component is None:
        return HalfBox(x, y, 0, None, "not listed", "", "this half is not listed")
    facts = RELEASE_STATES[component.state]
    name, versions = fitting(component.called, _CHARACTERS), fitting(component.versions, _CHARACTERS)
    return HalfBox(x, y, component.number, facts, name, versions, component.title)
