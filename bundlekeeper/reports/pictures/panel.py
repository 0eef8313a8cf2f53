"""A chassis with its slots, or a list of rack servers, as one panel: a box for each server, with a cell a component.

Rules: two servers side by side; what else is in the chassis is in a row of its own at the end; the version beside a
server's name is what all of it runs, else `mixed`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bundlekeeper.model.release_state import RELEASE_STATES, StateFacts, gravest
from bundlekeeper.reports.pictures.cells import WIDTH, DrawnComponent, PictureCell, PictureText, cells_of, fitting

_SLOT, _GAP, _PAD, _LINE, _TITLE = 162, 4, 4, 17, 22
_ACROSS = 4  # cells of a server
_ACROSS_ALL = 8  # cells of what is no server's


@dataclass(frozen=True, slots=True)
class DrawnServer:
    """One server: its slot, what people call it, and its components."""

    slot: str
    name: str
    components: tuple[DrawnComponent, ...]

    @property
    def version(self) -> str:
        """What its components run, where that is one version."""
        runs = {component.runs for component in self.components}
        return runs.pop() if len(runs) == 1 else "mixed"


@dataclass(frozen=True, slots=True)
class SlotBox:
    """A server's box."""

    x: float
    y: float
    height: float
    facts: StateFacts


@dataclass(frozen=True, slots=True)
class PanelPicture:
    """The whole picture; `slot_width` is that of each slot."""

    title: str
    width: float
    height: float
    slot_width: float
    slots: tuple[SlotBox, ...]
    cells: tuple[PictureCell, ...]
    texts: tuple[PictureText, ...]


def panel(title: str, servers: Sequence[DrawnServer], others: Sequence[DrawnComponent] = ()) -> PanelPicture:
    """The picture of a chassis or of a list of servers, with what else is in it."""
    slots, cells, texts = list[SlotBox](), list[PictureCell](), [PictureText(_PAD, 15, fitting(title, 44), "strong")]
    y: float = _TITLE
    for start in range(0, len(servers), 2):
        pair = servers[start : start + 2]
        drawn = [_cells(server, _GAP + column * (_SLOT + _GAP), y) for column, server in enumerate(pair)]
        height = _LINE + max(high for _, high in drawn) + _PAD
        for column, (server, (own, _)) in enumerate(zip(pair, drawn, strict=True)):
            x = _GAP + column * (_SLOT + _GAP)
            slots.append(SlotBox(x, y, height, RELEASE_STATES[gravest(c.state for c in server.components)]))
            cells += own
            texts += _head(server, x, y)
        y += height + _GAP
    if others:
        own, high = cells_of(others, _PAD + _GAP, y + 2, _ACROSS_ALL)
        cells += own
        y += high + _PAD
    return PanelPicture(title, WIDTH, y, _SLOT, tuple(slots), tuple(cells), tuple(texts))


def _cells(server: DrawnServer, x: float, y: float) -> tuple[tuple[PictureCell, ...], float]:
    return cells_of(server.components, x + _PAD, y + _LINE + 2, _ACROSS)


def _head(server: DrawnServer, x: float, y: float) -> Iterable[PictureText]:
    slot = fitting(server.slot, 7)
    yield PictureText(x + _PAD, y + 13, slot, "strong")
    version = fitting(server.version, 9)
    yield PictureText(
        x + _PAD + 10 + 7 * len(slot), y + 13, fitting(server.name, 19 - len(slot) - len(version) + 3), ""
    )
    yield PictureText(x + _SLOT - _PAD, y + 13, version, "end")
