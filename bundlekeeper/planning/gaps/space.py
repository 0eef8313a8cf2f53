"""Gaps of space: does each image fit on each component, on each half of a pair, at each step of bringing it there.

Rules: each infrastructure component that takes its image into a file system (`boot-file`, `overwrite`) must have a
partition listed, any other component is asked only where one is; where a component has several, and they differ in the
answer, which one takes images is not known; a removal is reported with the images that may go and why the others may
not. That a bank is as large as the images made for it is common practice: where no partition is listed nothing was
checked, and it is reported.
"""

from __future__ import annotations

from collections.abc import Collection

from bundlekeeper.findings import Level
from bundlekeeper.formats.escape import counted, human_bytes, some
from bundlekeeper.model.inventory.types import Partition
from bundlekeeper.model.vocabulary import METHODS
from bundlekeeper.planning.fleet.domain_state import PlacedComponent
from bundlekeeper.planning.fleet.manifest_index import ImageOffer, ManifestIndex
from bundlekeeper.planning.gaps.question import Case, GapGroup, Like, component_name
from bundlekeeper.planning.space.fit import Fit, Lying, PartitionSpace, SpaceLoad, SpacePlan, plan_space


def check_room(case: Case) -> None:
    """Every gap of space."""
    unlisted: list[str] = []
    for group in case.groups:
        for like in group.likes:
            if not like.moves:
                continue
            facts = case.manifest_index.facts(like.reading.kind, like.reading.model)
            for component in like.components:
                partitions = case.fleet.partitions(component.key)
                if facts.method is None:
                    message, fact = "whether its image fits", f"how {like.reading.kind} is written (method)"
                    hint = f"set it in the manifest: [kind.{like.reading.kind}] method = …"
                    case.tally.lack("space", _name(group, component), message, fact, hint=hint, things=(component.key,))
                elif partitions:
                    _component(case, group, like, component, partitions)
                elif group.server_class is None and facts.files:
                    hint = "list it under [[partition]], with its free bytes"
                    message = "whether its image fits"
                    case.tally.lack(
                        "space", _name(group, component), message, "its partitions", hint=hint, things=(component.key,)
                    )
                else:
                    unlisted.append(component.key)
    if unlisted:
        number = counted(len(unlisted), "component")
        message = f"whether images fit the banks of {number} (common practice: banks are made for them)"
        things, times = unlisted, len(unlisted)
        subject = f"{case.domain}: banks"
        case.tally.lack("bank", subject, message, "the partitions", things=things, times=times, level=Level.NOTE)


def _name(group: GapGroup, component: PlacedComponent) -> str:
    return (
        component_name(component)
        if group.server_class is None
        else f"{component.component.domain}: {component.component.kind} {component.key}"
    )


def to_add(facts: Collection[str]) -> str:
    """What to add, and where, so that these facts of space are known."""
    images = [fact for fact in facts if " of image " in fact]
    keys = [fact for fact in facts if fact in ("boot_files", "active", "pending")]
    rows = ["list its free_bytes under [[partition]]"] if "free_bytes" in facts else []
    rows += [f"add to the manifest the {some(images)}"] if images else []
    rows += [f"list its {' and '.join(keys)} in the inventory, - where there is none"] if keys else []
    return "; ".join(rows)


def loads_of(case: Case, like: Like) -> tuple[SpaceLoad, ...]:
    """The images that like components take in turn: the base's, then each patch's, from the first that they do not
    run."""
    choice = case.target.choice(like.reading)
    loads: list[SpaceLoad] = []
    for bundle in choice.chain if choice else ():
        for image in bundle.images:
            if image.kind != like.reading.kind or like.reading.model not in image.models:
                continue
            if case.fleet.reader.is_at(like.reading, ImageOffer(bundle, image)):
                loads.clear()  # it runs this one: only what comes after is brought
            else:
                loads.append(SpaceLoad(image.version, image.size, image.unpacked, image.working))
    return tuple(loads)


def space_of(
    manifest_index: ManifestIndex, component: PlacedComponent, method: str, partition: Partition
) -> PartitionSpace:
    """A component's partition as it is, with what the manifest says of the sizes of the images on it."""
    one = component.component
    boot_files = (
        None
        if one.boot_files is None
        else tuple(Lying(v, _unpacked(manifest_index, component, v)) for v in one.boot_files)
    )
    bank = METHODS[method].over
    over: str | None = getattr(one, bank) if bank is not None else None
    return PartitionSpace(
        method,
        partition.free_bytes,
        boot_files,
        one.active,
        one.pending,
        _unpacked(manifest_index, component, over) if over else None,
    )


def _unpacked(manifest_index: ManifestIndex, component: PlacedComponent, version: str) -> int | None:
    """What an image of that version takes where it lies; where bundles disagree, the least; None is not known."""
    reading, scale = component.reading, manifest_index.scale(component.reading.kind)
    offers = manifest_index.offers(reading.family or "", reading.variant, reading.kind, reading.model or "")
    sizes = [offer.image.unpacked for offer in offers if scale.same(offer.image.version, version)]
    known = [size for size in sizes if size is not None]
    return min(known) if known and len(known) == len(sizes) else None


def _component(
    case: Case, group: GapGroup, like: Like, component: PlacedComponent, partitions: tuple[Partition, ...]
) -> None:
    scale = case.manifest_index.scale(like.reading.kind)
    method = case.manifest_index.facts(like.reading.kind, like.reading.model).method or ""
    loads = loads_of(case, like)
    choice = case.target.choice(like.reading)
    if choice is not None and (blind := choice.blind(like.reading.kind)):
        fact = f"the images of {blind.file}"
        case.tally.lack("space", _name(group, component), "whether its image fits", fact, things=(component.key,))
        return
    plans = [(p, plan_space(space_of(case.manifest_index, component, method, p), loads, scale)) for p in partitions]
    subject = _name(group, component)
    fits = {plan.fit for _, plan in plans}
    if len(plans) > 1 and fits not in ({Fit.FITS}, {Fit.SHORT}):
        message = f"whether its image fits: {some([f'{p.name}: {plan.fit.value}' for p, plan in plans])}"
        fact, hint = "which of its partitions takes images", "list the one that does, alone"
        case.tally.lack("space", subject, message, fact, hint=hint, things=(component.key,))
        return
    partition, plan = min(plans, key=lambda row: row[1].short_bytes)
    if plan.fit is Fit.UNKNOWN:
        message = f"whether its image fits on {partition.name}"
        case.tally.lack("space", subject, message, some(plan.lacks), hint=to_add(plan.lacks), things=(component.key,))
        return
    case.tally.made("space", max(1, len(plan.steps)))
    if plan.fit is not Fit.FITS:
        _tell(case, subject, component, partition, plan)


def words(partition: Partition, plan: SpacePlan) -> tuple[Level, str, str]:
    """What is reported of a partition where images do not fit as it is: how bad that is, the message, and a hint."""
    several = len({step.version for step in plan.steps}) > 1
    gone = [
        f"{file.name} ({human_bytes(file.size_bytes)}{f', before {before}' if several else ''})"
        for before, file in plan.remove
    ]
    if plan.fit is Fit.AFTER_REMOVAL:
        smallest = "the smallest set" if plan.fewest_bytes else "the fewest images, not verified to be the fewest bytes"
        message = f"{partition.name}: fits after removing {', '.join(gone)}, {smallest} that makes enough space"
        return Level.WARNING, message, "remove them first, and read the list of files again"
    after = f" even when {', '.join(gone)} {'is' if len(gone) == 1 else 'are'} removed" if gone else ""
    message = f"{partition.name}: cannot fit, short by {plan.short_bytes} bytes{after}"
    kept = [f"{version}: {reason}" for version, reason in plan.kept]
    hint = f"make space by other means; not to be removed: {'; '.join(kept)}" if kept else "make space by other means"
    return Level.ERROR, message, hint


def _tell(case: Case, subject: str, component: PlacedComponent, partition: Partition, plan: SpacePlan) -> None:
    evidence = {
        "partition": partition.name,
        "free_bytes": partition.free_bytes,
        "size_bytes": partition.size_bytes,
        "steps": [[step.version, step.doing, step.needs_bytes, step.free_bytes] for step in plan.steps],
        "remove": [[before, file.name, file.size_bytes] for before, file in plan.remove],
        "short_bytes": plan.short_bytes,
        "kept": dict(plan.kept),
        "fewest_bytes": plan.fewest_bytes,
    }
    level, message, hint = words(partition, plan)
    case.tally.add("not-enough-space", subject, message, hint, level=level, things=(component.key,), evidence=evidence)
    if plan.lacks:
        message = f"whether more could go from {partition.name}"
        hint = to_add(plan.lacks)
        case.tally.lack("removal", subject, message, some(plan.lacks), hint=hint, things=(component.key,))
