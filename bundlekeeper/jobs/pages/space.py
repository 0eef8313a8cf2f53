"""The space of a domain's partitions before the release's images come, while they come, and after.

Rules: asked as `gaps` asks: all images of the release in one go, from what runs today; what is not known is said, and
is no space.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.formats.escape import human_bytes, some
from bundlekeeper.reports.pictures.space import SpaceBar

if TYPE_CHECKING:
    from bundlekeeper.model.inventory.types import Partition
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.fleet.stock import Holdings
    from bundlekeeper.planning.fleet.target import ReleaseTarget
    from bundlekeeper.planning.space.fit import SpacePlan


def space_bars(
    fleet: Fleet, target: ReleaseTarget, domain: str, holdings: Holdings, now: datetime
) -> Iterator[SpaceBar]:
    """A bar for each partition that the inventory lists in the domain, of components that get an image."""
    from bundlekeeper.planning.gaps.question import Case, GapAnswer, groups_of
    from bundlekeeper.planning.gaps.space import loads_of, space_of
    from bundlekeeper.planning.space.fit import plan_space

    state = fleet.state(domain)
    case = Case(fleet, state, target, holdings, now, GapAnswer())
    for group in groups_of(fleet, state, target):
        for like in group.likes:
            method = case.manifest_index.facts(like.reading.kind, like.reading.model).method
            for component in like.components if like.moves and method else ():
                loads = loads_of(case, like)
                for partition in fleet.partitions(component.key):
                    space = space_of(case.manifest_index, component, method or "", partition)
                    yield _bar(
                        component.key, partition, plan_space(space, loads, case.manifest_index.scale(like.reading.kind))
                    )


def _bar(key: str, partition: Partition, plan: SpacePlan) -> SpaceBar:
    size, free = partition.size_bytes, partition.free_bytes
    label = f"{key} {partition.name}{f', {human_bytes(size)}' if size else ''}"
    if plan.lacks or free is None:
        return SpaceBar(label, "0", "0", f"not known: {some(plan.lacks or ('free_bytes',))}", True)
    words = [f"before: {human_bytes(free)} free"]
    words += [f"remove {file.name} first ({human_bytes(file.size_bytes)})" for _, file in plan.remove]
    peak = max((step.needs_bytes for step in plan.steps), default=0)
    words += [f"needs {human_bytes(peak)} at most"]
    if plan.short_bytes:
        words.append(f"{human_bytes(plan.short_bytes)} short")
    elif plan.steps:
        left = plan.steps[-1].free_bytes - plan.steps[-1].needs_bytes
        words.append(f"after: {human_bytes(max(0, left))} free")
    used = max(0, min(100, 100 - round(100 * free / size))) if size else 0
    share = max(0, min(100 - used, round(100 * peak / size))) if size else 0
    return SpaceBar(label, str(used), str(share), "; ".join(words), bool(plan.short_bytes))
