"""Whether the images of a route fit, on each component and each half of a pair, at each of its steps one after the
other.

Rules: what a step brings is there when the next one comes, stops among them, so that a route is asked as a whole; a
component that takes its image into a file system must have a partition listed, any other is asked only where one is
(common practice: a bank is made for its images; `gaps` counts those); where several partitions differ in the answer,
which one takes images is not known; what is not known is reported, never counted as space.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import takewhile

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import some
from bundlekeeper.model.inventory.types import Partition
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domain_state import PlacedComponent
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.version_scale import VersionScale
from bundlekeeper.planning.gaps.space import space_of, words
from bundlekeeper.planning.route.types import ComponentChange, Route, StepChange
from bundlekeeper.planning.space.fit import Fit, PartitionSpace, SpaceLoad, SpacePlan, plan_space

_LISTED = "list it under [[partition]], with its free bytes"
_FITS = "whether its images fit"

Told = tuple[int, str, Level, str, str]  # step, code, level, what it says, hint
Loads = list[tuple[int, SpaceLoad]]  # the images that one component takes, with their steps


def space_findings(fleet: Fleet, route: Route) -> tuple[Finding, ...]:
    """What to know of the space for a route's images, by step; like findings of several components as one.

    Raises InputError for a domain that the inventory lacks.
    """
    components = {p.key: p for p in fleet.state(route.domain).components}
    groups: dict[Told, list[str]] = {}
    for key, (own, loads) in _taken(fleet, route).items():
        component = components[key]
        for told in _asked(fleet, component, loads, own=own):
            groups.setdefault(told, []).append(f"{component.reading.kind} {key}")
    return tuple(
        finding(code, f"step {step}: {some(names)}", message, hint, level=level)
        for (step, code, level, message, hint), names in sorted(groups.items(), key=lambda row: row[0][0])
    )


@dataclass(frozen=True, slots=True)
class SpaceUse:
    """The partition of one component whose images are files, and what it needs as the route goes on.

    `loads` are the steps with the image that each brings; `plan` says what must go first, and what is short.
    """

    key: str
    partition: Partition
    loads: tuple[tuple[int, SpaceLoad], ...]
    plan: SpacePlan


def space_uses(fleet: Fleet, route: Route) -> tuple[SpaceUse, ...]:
    """The partitions that the images of a route fill as files, in the order of the route.

    Raises InputError for a domain that the inventory lacks.
    """
    components = {p.key: p for p in fleet.state(route.domain).components}
    found = []
    for key, (_, loads) in _taken(fleet, route).items():
        reading = components[key].reading
        facts = fleet.manifest_index.facts(reading.kind, reading.model)
        if facts.method is None or not facts.files:
            continue
        scale, images = fleet.manifest_index.scale(reading.kind), [load for _, load in loads]
        for partition in fleet.partitions(key):
            space = space_of(fleet.manifest_index, components[key], facts.method, partition)
            found.append(SpaceUse(key, partition, tuple(loads), _planned(space, images, scale)))
    return tuple(found)


def _taken(fleet: Fleet, route: Route) -> dict[str, tuple[bool, Loads]]:
    """For each component whether it is the infrastructure's, and the images that it takes in turn."""
    found: dict[str, tuple[bool, Loads]] = {}
    for step in route.steps:
        for change in step.changes:
            for component in change.components:
                load = _load(fleet, change, component)
                for key in component.keys:
                    found.setdefault(key, (change.family == INFRASTRUCTURE, []))[1].append((step.number, load))
    return found


def _load(fleet: Fleet, change: StepChange, component: ComponentChange) -> SpaceLoad:
    images = (
        i for bundle in fleet.manifest_index.manifest.bundle if bundle.sha256 == change.sha256 for i in bundle.images
    )
    image = next((i for i in images if i.kind == component.kind and component.model in i.models), None)
    if image is None:
        return SpaceLoad(component.end, None, None, None)
    return SpaceLoad(image.version, image.size, image.unpacked, image.working)


def _asked(fleet: Fleet, component: PlacedComponent, loads: Loads, *, own: bool) -> Iterable[Told]:
    facts = fleet.manifest_index.facts(component.reading.kind, component.reading.model)
    method = facts.method
    partitions = fleet.partitions(component.key)
    first = loads[0][0]
    if method is None:
        yield _lack(
            first,
            f"how {component.reading.kind} is written (method)",
            f"set it in the manifest: [kind.{component.reading.kind}]",
        )
        return
    if not partitions:
        if own and facts.files:
            yield _lack(first, "its partitions", _LISTED)
        return
    scale = fleet.manifest_index.scale(component.reading.kind)
    images = [load for _, load in loads]
    plans = [(p, _planned(space_of(fleet.manifest_index, component, method, p), images, scale)) for p in partitions]
    fits = {plan.fit for _, plan in plans}
    if len(plans) > 1 and fits not in ({Fit.FITS}, {Fit.SHORT}):
        yield _lack(first, "which of its partitions takes images", "list the one that does, alone")
        return
    partition, plan = min(plans, key=lambda row: row[1].short_bytes)
    if plan.fit is Fit.UNKNOWN:
        yield _lack(first, f"on {partition.name}: {some(plan.lacks)}", _LISTED)
    elif plan.fit is not Fit.FITS:
        level, message, hint = words(partition, plan)
        yield next(_steps(plan, loads), first), "not-enough-space", level, message, hint
        if plan.lacks:
            yield _lack(first, f"whether more could go from {partition.name}: {some(plan.lacks)}", _LISTED)


def _planned(space: PartitionSpace, images: list[SpaceLoad], scale: VersionScale) -> SpacePlan:
    """The plan of one partition; what cannot fit for the images before the first unknown one cannot fit at all."""
    plan = plan_space(space, images, scale)
    if plan.fit is Fit.UNKNOWN:
        known = list(takewhile(lambda i: None not in (i.size_bytes, i.unpacked_bytes, i.working_bytes), images))
        begun = plan_space(space, known, scale)
        return begun if begun.fit is Fit.SHORT else plan
    return plan


def _lack(step: int, fact: str, hint: str) -> Told:
    return step, "not-checked", Level.WARNING, f"{_FITS} (not known: {fact})", hint


def _steps(plan: SpacePlan, loads: Loads) -> Iterator[int]:
    """The steps at which space is short, or at which something must be removed first."""
    if plan.fit is Fit.SHORT:
        versions = [s.version for s in plan.steps if s.short_bytes]
    else:
        versions = [before for before, _ in plan.remove]
    yield from (step for version in versions for step, load in loads if load.version == version)
