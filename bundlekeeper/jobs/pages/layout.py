"""Which component is drawn where: pairs by their halves, chassis by slots, rack servers in lists, the rest apart.

Rules: what is in no chassis is never drawn in one; a component is in the picture of its chassis also where it is a
half of a pair; what is not known to be anywhere is in the last panel, which says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.model.inventory.types import Component, is_of_server
from bundlekeeper.model.vocabulary import HALF, HALVES, KINDS, WHOLE
from bundlekeeper.reports.overview_page import PageComponent
from bundlekeeper.reports.pictures.cells import DrawnComponent
from bundlekeeper.reports.pictures.halves import DrawnPair, HalvesPicture, halves
from bundlekeeper.reports.pictures.panel import DrawnServer, PanelPicture, panel
from bundlekeeper.reports.site_page import natural

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.planning.fleet.domains import Fleet

_MOST_IN_LIST = 10  # servers of one panel of rack servers


@dataclass(frozen=True, slots=True)
class PlacedRow:
    """One component of the page with what the ledger and the inventory have of it."""

    row: PageComponent
    answer: WhereAnswer
    component: Component | None

    @property
    def pair(self) -> str:
        """The name of its pair; empty where there is none or it is not known."""
        return (self.component.pair or "") if self.component is not None else ""

    @property
    def half(self) -> str:
        """Which half it is; empty where it is none or that is not known."""
        return (self.component.half or "") if self.component is not None else ""

    @property
    def chassis(self) -> str:
        """Its chassis; empty for none, and where it is not known."""
        return (self.answer.place.chassis or "") if self.answer.place is not None else ""

    @property
    def slot(self) -> str:
        """The slot, without the position in a server."""
        return (self.answer.place.slot or "").partition("/")[0] if self.answer.place is not None else ""

    @property
    def drawn(self) -> DrawnComponent:
        """The component as pictures need it."""
        shown = self.row.shown
        position = (self.answer.place.slot or "") if self.answer.place is not None else ""
        called = position if not is_of_server(shown.kind) else f"{shown.component} {self.answer.name}".strip()
        return DrawnComponent(
            self.row.number, shown.kind, called or shown.component, shown.active, self.row.goal, self.row.state
        )


@dataclass(frozen=True, slots=True)
class DomainPictures:
    """A domain's pictures; `halves` is None where no pair is known."""

    halves: HalvesPicture | None
    panels: tuple[PanelPicture, ...]


def pictures_of(placed: Sequence[PlacedRow], fleet: Fleet | None) -> DomainPictures:
    """The pictures of one domain's components."""
    of_server, rest = list[PlacedRow](), list[PlacedRow]()
    for one in placed:
        inside = (
            fleet.manifest_index.is_of_server(one.answer.kind) if fleet is not None else is_of_server(one.answer.kind)
        )
        (of_server if inside else rest).append(one)
    drawn = _Halves(rest, fleet)
    return DomainPictures(
        halves(tuple(drawn.above), tuple(drawn.heads), tuple(drawn.below)),
        tuple(_panels(of_server, rest, {one.row.number for one in drawn.used})),
    )


class _Halves:
    """The pairs, told apart by what is down while they restart: a manager, a half with its paths, a path."""

    def __init__(self, rest: Sequence[PlacedRow], fleet: Fleet | None) -> None:
        self.above: list[DrawnPair] = []
        self.heads: list[DrawnPair] = []
        self.below: list[DrawnPair] = []
        self.used: list[PlacedRow] = []
        groups: dict[tuple[str, str, str], list[PlacedRow]] = {}
        for one in rest:
            down = _down(one, fleet)
            if down in ("manager", HALF, WHOLE, "path") and (one.pair or one.half or down != "manager"):
                groups.setdefault((down, one.answer.kind, one.pair or f"@{one.chassis}"), []).append(one)
        for (down, _, name), found in sorted(groups.items(), key=lambda g: (g[0][0], natural(g[0][2]))):
            rows = {"manager": self.above, "path": self.below}.get(down, self.heads)
            rows += _pairs(name, found)
            self.used += found


def _down(one: PlacedRow, fleet: Fleet | None) -> str:
    if fleet is not None:
        return fleet.manifest_index.facts(one.answer.kind, one.answer.model or None).down
    facts = KINDS.get(one.answer.kind)
    return facts.down if facts is not None else ""


def _pairs(name: str, found: Sequence[PlacedRow]) -> Iterator[DrawnPair]:
    """The components of one pair's name in twos; more than two of one name are several rows."""
    sides: dict[str, list[PlacedRow]] = {half: [one for one in found if one.half == half] for half in HALVES}
    is_sure = len(sides[HALVES[0]]) + len(sides[HALVES[1]]) == len(found) and all(map(len, sides.values()))
    left, right = (sides[half] for half in HALVES)
    if not is_sure:
        left, right = [*found[::2]], [*found[1::2]]
    chassis = {one.chassis for one in found}
    title = f"chassis {chassis.pop()}" if len(chassis) == 1 and "" not in chassis else name.removeprefix("@")
    for place in range(max(len(left), len(right))):
        two = [side[place].drawn if place < len(side) else None for side in (left, right)]
        yield DrawnPair(title, two[0], two[1], is_sure)


def _panels(of_server: Sequence[PlacedRow], rest: Sequence[PlacedRow], drawn: set[int]) -> Iterator[PanelPicture]:
    servers: dict[tuple[str, str], list[PlacedRow]] = {}
    for one in of_server:
        servers.setdefault((one.chassis, one.answer.parent or one.slot or one.answer.component), []).append(one)
    names = {chassis for chassis, _ in servers} | {one.chassis for one in rest}
    for chassis in sorted(names - {""}, key=natural):
        own = [_server(rows) for (at, _), rows in servers.items() if at == chassis]
        others = [one for one in rest if one.chassis == chassis]
        yield panel(f"chassis {chassis}", sorted(own, key=lambda s: natural(s.slot)), _drawn(others))
    rack = sorted((_server(rows) for (at, _), rows in servers.items() if not at), key=lambda s: natural(s.slot))
    for start in range(0, len(rack), _MOST_IN_LIST):
        some = rack[start : start + _MOST_IN_LIST]
        more = f", {start + 1} to {start + len(some)} of {len(rack)}" if len(rack) > _MOST_IN_LIST else ""
        yield panel(f"in no chassis{more}", some)
    wide = [one for one in rest if not one.chassis and one.row.number not in drawn]
    if wide:
        yield panel("of the whole domain", (), _drawn(wide))


def _drawn(rows: Sequence[PlacedRow]) -> tuple[DrawnComponent, ...]:
    return tuple(one.drawn for one in rows)


def _server(rows: Sequence[PlacedRow]) -> DrawnServer:
    first = rows[0]
    name = next((one.answer.name for one in rows if one.answer.name), "")
    slot = first.slot or "?"
    return DrawnServer(slot, name or first.answer.parent or first.answer.component, _drawn(rows))
