"""What pictures are made of: one component, or several like ones of one server, as a box with its state's letter.

Rules: a letter is that of the gravest state in the box, with how many are in it; a box leads to its component's row,
the first of several. Units: those of the picture, 16 to 1 rem.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from bundlekeeper.formats.escape import visible
from bundlekeeper.model.release_state import RELEASE_STATES, ReleaseState, StateFacts, gravest

WIDTH = 336  # what a telephone of 360 has between its margins
CELL_WIDTH, CELL_HEIGHT, CELL_GAP = 36, 28, 3
_MOST_ALONE = 8  # components of a server that each have a box of their own


@dataclass(frozen=True, slots=True)
class DrawnComponent:
    """One component as pictures need it; `called` is what tells it from others of its kind, `number` its row."""

    number: int
    kind: str
    called: str
    runs: str
    goal: str
    state: ReleaseState

    @property
    def title(self) -> str:
        """Its whole description, for a pointer and for a screen reader."""
        there = f", the release has {self.goal}" if self.goal and self.goal != self.runs else ""
        return f"{self.kind} {self.called}: {RELEASE_STATES[self.state].name}, runs {self.runs}{there}"

    @property
    def versions(self) -> str:
        """What it runs, and what it is to run where that is another version."""
        return self.runs if not self.goal or self.goal == self.runs else f"{self.runs} → {self.goal}"


@dataclass(frozen=True, slots=True)
class PictureCell:
    """A small box: its place, the row it leads to, how many rows from there it stands for, and what is in it."""

    x: float
    y: float
    number: int
    count: int
    facts: StateFacts
    letter: str
    code: str
    title: str


@dataclass(frozen=True, slots=True)
class PictureText:
    """A text and where it begins, or with `end` where it ends; `strong` for a name, `soft` for what is beside it."""

    x: float
    y: float
    text: str
    look: str = ""


def code_of(kind: str) -> str:
    """A kind in up to four letters: the first of each of its words, or of its only word."""
    words = visible(kind).split("-")
    return "".join(word[:1] for word in words)[:4] if len(words) > 1 else kind[:4]


def fitting(text: str, most: int) -> str:
    """The text, with `…` where it is longer than `most` characters."""
    shown = visible(text)
    return shown if len(shown) <= most else shown[: most - 1] + "…"


def cells_of(
    components: Sequence[DrawnComponent], x: float, y: float, across: int
) -> tuple[tuple[PictureCell, ...], float]:
    """The boxes of one server's components, so many across, and the height that they take."""
    cells = []
    for place, (letter, rows) in enumerate(_grouped(components)):
        state = gravest(row.state for row in rows)
        title = rows[0].title if len(rows) == 1 else _title(rows)
        at_x, at_y = x + place % across * (CELL_WIDTH + CELL_GAP), y + place // across * (CELL_HEIGHT + CELL_GAP)
        facts, code = RELEASE_STATES[state], code_of(rows[0].kind)
        cells.append(PictureCell(at_x, at_y, rows[0].number, len(rows), facts, letter, code, title))
    lines = -(-len(cells) // across)
    return tuple(cells), lines * (CELL_HEIGHT + CELL_GAP)


def _grouped(components: Sequence[DrawnComponent]) -> Iterator[tuple[str, list[DrawnComponent]]]:
    """Each component alone where they are few, else those of one kind together: the letter with what it counts."""
    if len(components) <= _MOST_ALONE:
        yield from ((RELEASE_STATES[component.state].letter, [component]) for component in components)
        return
    for _, group in groupby(components, key=lambda component: component.kind):
        rows = list(group)
        state = gravest(row.state for row in rows)
        yield counted_letter(state, sum(row.state is state for row in rows), len(rows)), rows


def counted_letter(state: ReleaseState, count: int, all_of: int) -> str:
    """`B`, `B×4` where all are so, `B 1/4` where some are."""
    letter = RELEASE_STATES[state].letter
    return letter if all_of == 1 else f"{letter}×{all_of}" if count == all_of else f"{letter} {count}/{all_of}"


def _title(rows: Iterable[DrawnComponent]) -> str:
    counts: dict[str, int] = {}
    kind = ""
    for row in rows:
        kind, words = row.kind, f"{RELEASE_STATES[row.state].name}, runs {row.runs}"
        counts[words] = counts.get(words, 0) + 1
    return f"{kind}: " + "; ".join(f"{count} {words}" for words, count in counts.items())
