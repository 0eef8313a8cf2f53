"""How each component stands against a release: at it, behind it, newer, staged, outside it, or not known.

Rules: "behind" and "newer" are said only where the kind's order can place both versions; where the manifest may bring
an image that it does not list, or serves the kind and not this model, what should run is not known; what the ledger
says of the last work is asked first, because a failed activation is not "behind".
"""

from __future__ import annotations

from dataclasses import dataclass

from bundlekeeper.model.release_state import ReleaseState
from bundlekeeper.planning.fleet.domain_state import ComponentReading, PlacedComponent
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.target import ReleaseTarget


@dataclass(frozen=True, slots=True)
class LedgerSays:
    """What the ledger says of one component: its last work failed or is contradicted, what it runs is withdrawn, or
    what it runs was recorded and not read."""

    failed: bool = False
    withdrawn: bool = False
    unread: bool = False

    @property
    def worst(self) -> ReleaseState | None:
        """The state that this alone makes; None where it makes none."""
        return ReleaseState.FAILED if self.failed else ReleaseState.WITHDRAWN if self.withdrawn else None


@dataclass(frozen=True, slots=True)
class AgainstRelease:
    """A component's state, and the version that the release has for it; empty for none or not known."""

    state: ReleaseState
    goal: str


_NOTHING = LedgerSays()


def against_release(
    fleet: Fleet, target: ReleaseTarget, placed: PlacedComponent, recorded: LedgerSays = _NOTHING
) -> AgainstRelease:
    """How one component stands against the target."""
    offer = target.offer(placed.reading)
    goal = offer.image.version if offer is not None else ""
    state = recorded.worst or _by_version(fleet, target, placed, goal)
    if state is ReleaseState.AT and recorded.unread:
        state = ReleaseState.UNREAD
    return AgainstRelease(state, goal)


def _by_version(fleet: Fleet, target: ReleaseTarget, placed: PlacedComponent, goal: str) -> ReleaseState:
    reading, component = placed.reading, placed.component
    if not reading.active or reading.model is None or reading.family is None or reading.variant is None:
        return ReleaseState.UNKNOWN
    if not goal:
        return ReleaseState.OUTSIDE if _is_outside(target, reading) else ReleaseState.UNKNOWN
    scale = fleet.manifest_index.scale(reading.kind)
    order = scale.compare(reading.active, goal)
    if order == 0:
        return ReleaseState.AT
    if component.staged and scale.same(component.staged, goal):
        return ReleaseState.STAGED
    if order is None:
        return ReleaseState.UNKNOWN
    return ReleaseState.BEHIND if order < 0 else ReleaseState.AHEAD


def _is_outside(target: ReleaseTarget, reading: ComponentReading) -> bool:
    """True where the release surely has nothing for a component, and should not have: no family of it, or no bundle
    of the family serves the kind."""
    choice = target.choice(reading)
    if choice is None or choice.bundle is None:
        return choice is not None
    is_whole = choice.blind(reading.kind) is None and not choice.chain[0].base
    return is_whole and not target.manifest_index.may_list_kind(choice.family, reading.kind)
