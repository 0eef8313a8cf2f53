"""Whether the images of a route fit, on each component and each half of a pair, at each of its steps one after the
other.

Rules: what a step brings is there when the next one comes, stops among them, so that a route is asked as a whole; a
component that takes its image into a file system must have a partition listed, any other is asked only where one is
(common practice: a bank is made for its images; `gaps` counts those); where several partitions differ in the answer,
which one takes images is not known; what is not known is reported, never counted as space.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import takewhile

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import some
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.types import Partition
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domain_state import PlacedComponent
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.version_scale import VersionScale
from bundlekeeper.planning.gaps.space import space_of, to_add, words
from bundlekeeper.planning.route.types import ComponentChange, ImageRemoval, Route, Step, StepChange
from bundlekeeper.planning.space.fit import Fit, PartitionSpace, SpaceLoad, SpacePlan, plan_space

_LISTED = "list it under [[partition]], with its free bytes"
_REMOVED = "is it still needed? the step removes it before it brings the image"

Told = tuple[int, str, Level, str, str]  # step, code, level, what it says with `{its}` for the owner, hint
Loads = list[tuple[int, SpaceLoad]]  # the images that one component takes, with their steps


def space_findings(fleet: Fleet, route: Route) -> tuple[Finding, ...]:
    """What to know of the space for a route's images, by step; like findings of several components as one.

    Raises InputError for a domain that the inventory lacks.
    """
    groups: dict[Told, list[str]] = {}
    for component, own, loads in _taken(fleet, route.domain, route.steps):
        for told in _asked(fleet, component, loads, own=own):
            groups.setdefault(told, []).append(f"{component.reading.kind} {component.key}")
    return tuple(
        finding(code, f"step {step}: {some(names)}", _owned(message, len(names)), hint, level=level)
        for (step, code, level, message, hint), names in sorted(groups.items(), key=lambda row: row[0][0])
    )


def _owned(message: str, number: int) -> str:
    return message.replace("{its}", "its" if number == 1 else "their")


def with_removals(fleet: Fleet, domain: str, steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """The steps, each with the image files that must go before it brings its own."""
    found: dict[int, list[ImageRemoval]] = {}
    for component, _, loads in _taken(fleet, domain, steps):
        for partition, plan in _plans(fleet, component, loads)[:1]:
            for step, part in _by_step(plan, loads) if plan.fit is Fit.AFTER_REMOVAL else ():
                found.setdefault(step, []).extend(
                    ImageRemoval(component.key, component.reading.kind, partition.name, file.name, file.size_bytes)
                    for _, file in part.remove
                )
    return tuple(replace(step, removals=tuple(found.get(step.number, ()))) for step in steps) if found else steps


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
    found = []
    for component, _, loads in _taken(fleet, route.domain, route.steps):
        reading = component.reading
        facts = fleet.manifest_index.facts(reading.kind, reading.model)
        if facts.method is None or not facts.files:
            continue
        scale, images = fleet.manifest_index.scale(reading.kind), [load for _, load in loads]
        for partition in fleet.partitions(component.key):
            space = space_of(fleet.manifest_index, component, facts.method, partition)
            found.append(SpaceUse(component.key, partition, tuple(loads), _planned(space, images, scale)))
    return tuple(found)


def _taken(fleet: Fleet, domain: str, steps: Iterable[Step]) -> Iterator[tuple[PlacedComponent, bool, Loads]]:
    """Each component, whether it is the infrastructure's, and the images that it takes in turn, with their steps."""
    found: dict[str, tuple[bool, Loads]] = {}
    for step in steps:
        for change in step.changes:
            for component in change.components:
                load = _load(fleet, change, component)
                for key in component.keys:
                    found.setdefault(key, (change.family == INFRASTRUCTURE, []))[1].append((step.number, load))
    components = {p.key: p for p in fleet.state(domain).components}
    yield from ((components[key], own, loads) for key, (own, loads) in found.items())


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
            yield _lack(first, "{its} partitions", _LISTED)
        return
    plans = _plans(fleet, component, loads)
    if not plans:
        yield _lack(first, "which of {its} partitions takes images", "list the one that does, alone")
        return
    partition, plan = plans[0]
    if plan.fit is Fit.UNKNOWN:
        yield _lack(first, f"on {partition.name}: {some(plan.lacks)}", to_add(plan.lacks))
    elif plan.fit is Fit.AFTER_REMOVAL:
        for step, part in _by_step(plan, loads):
            level, message, _ = words(partition, part)
            yield step, "not-enough-space", level, message, _REMOVED
    elif plan.fit is Fit.SHORT:
        level, message, hint = words(partition, plan)
        yield next(_short(plan, loads), first), "not-enough-space", level, message, hint
    if plan.lacks and plan.fit is not Fit.UNKNOWN:
        yield _lack(first, f"whether more could go from {partition.name}: {some(plan.lacks)}", to_add(plan.lacks))


def _plans(fleet: Fleet, component: PlacedComponent, loads: Loads) -> list[tuple[Partition, SpacePlan]]:
    """The partitions that may take the component's images, the best first; none where it is not known which does."""
    method = fleet.manifest_index.facts(component.reading.kind, component.reading.model).method
    if method is None:
        return []
    scale, index = fleet.manifest_index.scale(component.reading.kind), fleet.manifest_index
    images = [load for _, load in loads]
    plans = [
        (partition, _planned(space_of(index, component, method, partition), images, scale))
        for partition in fleet.partitions(component.key)
    ]
    if len(plans) > 1 and {plan.fit for _, plan in plans} not in ({Fit.FITS}, {Fit.SHORT}):
        return []
    return sorted(plans, key=lambda row: row[1].short_bytes)


def _planned(space: PartitionSpace, images: list[SpaceLoad], scale: VersionScale) -> SpacePlan:
    """The plan of one partition; what cannot fit for the images before the first unknown one cannot fit at all."""
    plan = plan_space(space, images, scale)
    if plan.fit is Fit.UNKNOWN:
        known = list(takewhile(lambda i: None not in (i.size_bytes, i.unpacked_bytes, i.working_bytes), images))
        begun = plan_space(space, known, scale)
        return begun if begun.fit is Fit.SHORT else plan
    return plan


def _lack(step: int, fact: str, hint: str) -> Told:
    return step, "not-checked", Level.WARNING, f"whether {{its}} images fit (not known: {fact})", hint


def _short(plan: SpacePlan, loads: Loads) -> Iterator[int]:
    """The steps at which space is short."""
    versions = [s.version for s in plan.steps if s.short_bytes]
    yield from (step for version in versions for step, load in loads if load.version == version)


def _by_step(plan: SpacePlan, loads: Loads) -> Iterator[tuple[int, SpacePlan]]:
    """For each step before which files must go, the plan with only those."""
    for step, load in loads:
        if gone := tuple(row for row in plan.remove if row[0] == load.version):
            yield step, replace(plan, remove=gone, steps=tuple(s for s in plan.steps if s.version == load.version))
