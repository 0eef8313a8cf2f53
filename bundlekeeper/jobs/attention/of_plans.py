"""What of the kept plans needs attention: those that are under way."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from typing import Protocol

from bundlekeeper.findings import Finding
from bundlekeeper.jobs.attention.items import Concern, Matter

_UNDER_WAY = Matter("plan", "plans", "bundlekeeper plan progress {name}", is_single=True)


class PlanUnderWay(Protocol):
    """A kept plan that needs attention and is not closed."""

    @property
    def finding(self) -> Finding:
        """What is next of it, at the level that it deserves; its subject is the plan's name."""

    @property
    def since(self) -> date | None:
        """When it was begun."""


def concerns(plans: Iterable[PlanUnderWay]) -> Iterator[Concern]:
    """One concern for each plan under way, the plans as they are kept."""
    for plan in plans:
        yield Concern(plan.finding, _UNDER_WAY, plan.since)
