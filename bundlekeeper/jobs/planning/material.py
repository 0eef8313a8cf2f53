"""What a run-book is made from: a plan with its inputs, its gaps and the space that it needs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.jobs.planning.route import Options, PlannedRoute
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.gaps.report import Gap, GapReport
    from bundlekeeper.planning.route.space import SpaceUse


@dataclass(frozen=True, slots=True)
class Material:
    """What a run-book is made from. `sha256` is the route document's, empty where none was written or given."""

    given: Inputs
    fleet: Fleet
    planned: PlannedRoute
    options: Options
    gaps: GapReport
    checked: tuple[str, ...]
    made_at: datetime
    sha256: str = ""
    space: tuple[SpaceUse, ...] = ()
    windows_of_plan: int = 0  # also those that are over; 0 where no plan is followed

    @property
    def windows_in_all(self) -> int:
        """How many windows the whole plan has, of which the timeline may have only those that are left."""
        return self.windows_of_plan or len(self.planned.timeline.windows)

    @property
    def called(self) -> dict[str, str]:
        """What people call each server that has a name, by its subject in actions."""
        servers = self.fleet.state(self.planned.route.domain).servers
        return {f"server {server.name}": server.called for server in servers if server.called}

    @property
    def open_gaps(self) -> tuple[Gap, ...]:
        """The gaps that the plan does not close by itself: it does not go there in one step."""
        return tuple(gap for gap in self.gaps.gaps if gap.code != "jump-refused")
