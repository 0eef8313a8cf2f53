"""Gaps of room: does each image fit on each part, on each half of a pair, at each step of bringing it there.

Rules: each infrastructure part that takes its image into a file system (`boot-file`, `overwrite`) must have a partition
listed, any other part is asked only where one is; where a part has several, and they differ in the answer, which one
takes images is not known; a removal is told with the images that may go and why the others may not. That a bank is as
large as the images made for it is common practice: where no partition is listed nothing was checked, and it is told.
"""

from __future__ import annotations

from bundlekeeper.findings import Level
from bundlekeeper.formats.escape import human_bytes, some
from bundlekeeper.model.inventory.types import Partition
from bundlekeeper.model.vocabulary import METHODS
from bundlekeeper.planning.fleet.domain_state import PartAt
from bundlekeeper.planning.fleet.manifest_index import ImageOffer, ManifestIndex
from bundlekeeper.planning.gaps.question import Case, GapGroup, Like, part_name
from bundlekeeper.planning.space.fit import Fit, Lying, Room, SpaceLoad, SpacePlan, plan_space


def check_room(case: Case) -> None:
    """Every gap of room."""
    unlisted: list[str] = []
    for group in case.groups:
        for like in group.likes:
            if not like.moves:
                continue
            facts = case.book.facts(like.reading.kind, like.reading.model)
            for part in like.parts:
                partitions = case.fleet.partitions(part.key)
                if facts.method is None:
                    says, fact = "whether its image fits", f"how {like.reading.kind} is written (method)"
                    case.tally.lack("space", _name(group, part), says, fact, things=(part.key,))
                elif partitions:
                    _part(case, group, like, part, partitions)
                elif group.kin is None and facts.files:
                    hint = "list it under [[partition]], with its free bytes"
                    says = "whether its image fits"
                    case.tally.lack("space", _name(group, part), says, "its partitions", hint=hint, things=(part.key,))
                else:
                    unlisted.append(part.key)
    if unlisted:
        says = f"whether the images of {len(unlisted)} parts fit their banks (common practice: a bank is made for them)"
        things, times = unlisted, len(unlisted)
        subject = f"{case.domain}: banks"
        case.tally.lack("bank", subject, says, "their partitions", things=things, times=times, level=Level.NOTE)


def _name(group: GapGroup, part: PartAt) -> str:
    return part_name(part) if group.kin is None else f"{part.part.domain}: {part.part.kind} {part.key}"


def loads_of(case: Case, like: Like) -> tuple[SpaceLoad, ...]:
    """The images that like parts take in turn: the base's, then each patch's, from the first that they do not run."""
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


def room_of(book: ManifestIndex, part: PartAt, method: str, partition: Partition) -> Room:
    """A part's partition as it lies, with what the manifest says of the sizes of what lies there."""
    one = part.part
    held = None if one.held is None else tuple(Lying(v, _unpacked(book, part, v)) for v in one.held)
    bank = METHODS[method].over
    over: str | None = getattr(one, bank) if bank is not None else None
    return Room(
        method, partition.free_bytes, held, one.active, one.pending, _unpacked(book, part, over) if over else None
    )


def _unpacked(book: ManifestIndex, part: PartAt, version: str) -> int | None:
    """What an image of that version takes where it lies; where bundles disagree, the least; None is not known."""
    reading, scale = part.reading, book.scale(part.reading.kind)
    offers = book.offers(reading.family or "", reading.variant, reading.kind, reading.model or "")
    sizes = [offer.image.unpacked for offer in offers if scale.same(offer.image.version, version)]
    known = [size for size in sizes if size is not None]
    return min(known) if known and len(known) == len(sizes) else None


def _part(case: Case, group: GapGroup, like: Like, part: PartAt, partitions: tuple[Partition, ...]) -> None:
    scale = case.book.scale(like.reading.kind)
    method = case.book.facts(like.reading.kind, like.reading.model).method or ""
    loads = loads_of(case, like)
    choice = case.target.choice(like.reading)
    if choice is not None and (blind := choice.blind(like.reading.kind)):
        fact = f"the images of {blind.file}"
        case.tally.lack("space", _name(group, part), "whether its image fits", fact, things=(part.key,))
        return
    plans = [(p, plan_space(room_of(case.book, part, method, p), loads, scale)) for p in partitions]
    subject = _name(group, part)
    fits = {plan.fit for _, plan in plans}
    if len(plans) > 1 and fits not in ({Fit.FITS}, {Fit.SHORT}):
        says = f"whether its image fits: {some([f'{p.name}: {plan.fit.value}' for p, plan in plans])}"
        case.tally.lack("space", subject, says, "which of its partitions takes images", things=(part.key,))
        return
    partition, plan = min(plans, key=lambda row: row[1].short_bytes)
    if plan.fit is Fit.UNKNOWN:
        says = f"whether its image fits on {partition.name}"
        case.tally.lack("space", subject, says, some(plan.lacks), things=(part.key,))
        return
    case.tally.made("space", max(1, len(plan.steps)))
    if plan.fit is not Fit.FITS:
        _tell(case, subject, part, partition, plan)


def words(partition: Partition, plan: SpacePlan) -> tuple[Level, str, str]:
    """What is told of a partition where images do not fit as it lies: how bad that is, what it says, and a hint."""
    several = len({step.version for step in plan.steps}) > 1
    gone = [
        f"{file.name} ({human_bytes(file.size_bytes)}{f', before {before}' if several else ''})"
        for before, file in plan.remove
    ]
    if plan.fit is Fit.AFTER_REMOVAL:
        smallest = "the smallest set" if plan.fewest_bytes else "the fewest images, not proven to be the fewest bytes"
        says = f"{partition.name}: fits after removing {', '.join(gone)}, {smallest} that makes room"
        return Level.WARNING, says, "remove them first, and read the list of files again"
    after = f" even when {', '.join(gone)} {'is' if len(gone) == 1 else 'are'} removed" if gone else ""
    says = f"{partition.name}: cannot fit, short by {plan.short_bytes} bytes{after}"
    kept = [f"{version}: {why}" for version, why in plan.kept]
    hint = f"make room by other means; not to be removed: {'; '.join(kept)}" if kept else "make room by other means"
    return Level.ERROR, says, hint


def _tell(case: Case, subject: str, part: PartAt, partition: Partition, plan: SpacePlan) -> None:
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
    level, says, hint = words(partition, plan)
    case.tally.add("space-short", subject, says, hint, level=level, things=(part.key,), evidence=evidence)
    if plan.lacks:
        says = f"whether more could go from {partition.name}"
        case.tally.lack("removal", subject, says, some(plan.lacks), things=(part.key,))
