"""Does an image fit on a component's partition, at each step of bringing it there, and what must go first.

Rules: an image needs its size while it is brought, its size, unpacked size and working space while it is unpacked, and
its unpacked size once it lies there. What is written over something known (`overwrite`: the running copy, `two-bank`:
the spare bank) is given that copy's unpacked size back; where that size is not known nothing is given back. Only whole
image files of a `boot-file` component may be removed, and never one that is running, pending, about to be used, or the
only way back. That is the newest file that is older than the running one (a pointer or an allowed jump down could go
back to it), or where all are newer, the newest; files that the order cannot place are all kept, as any of them may be
it. After an image of the sequence was activated, the way back is the one that ran before, and the older may go. No size
is ever taken as zero because it is not known: what is then not known is named in `lacks`. Units: bytes. Sizes are the
manifest's; that files lie there unpacked is common practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import METHODS, SPARE
from bundlekeeper.planning.fleet.version_scale import VersionScale
from bundlekeeper.planning.space.what_to_remove import File, smallest_removal


class Fit(StrEnum):
    """The answer for one partition, best first."""

    FITS = "fits"
    AFTER_REMOVAL = "after-removal"
    UNKNOWN = "unknown"
    SHORT = "short"


@dataclass(frozen=True, slots=True)
class SpaceLoad:
    """An image to be brought: its version, and bytes as transferred, as unpacked, and of temporary space."""

    version: str
    size_bytes: int | None
    unpacked_bytes: int | None
    working_bytes: int | None


@dataclass(frozen=True, slots=True)
class Lying:
    """An image file that lies on the component; `size_bytes` is what removing it would give back."""

    version: str
    size_bytes: int | None


@dataclass(frozen=True, slots=True)
class PartitionSpace:
    """A component and one of its partitions, before anything is brought. None is not known, the empty text known to
    be none.

    `replaced_bytes` is the unpacked size of what is written over first: the running copy or the spare bank's.
    """

    method: str
    free_bytes: int | None
    lying: tuple[Lying, ...] | None
    active: str | None
    pending: str | None
    replaced_bytes: int | None = None

    @property
    def keeps(self) -> bool:
        """True where a new image is a further file, and the others stay."""
        return METHODS[self.method].over is None


@dataclass(frozen=True, slots=True)
class SpaceStep:
    """One step of bringing one image. `needs_bytes` must be free when it begins, `free_bytes` are (after removals)."""

    version: str
    doing: str  # "bring", "unpack", "keep"
    needs_bytes: int
    free_bytes: int

    @property
    def short_bytes(self) -> int:
        """How many bytes are lacking; 0 where it fits."""
        return max(0, self.needs_bytes - self.free_bytes)


@dataclass(frozen=True, slots=True)
class SpacePlan:
    """What one partition needs for a sequence of images.

    `remove` are the image files that must go, with the image before which they go; `short_bytes` is what is lacking
    when everything that may go is gone; `kept` says why files may not go; `lacks` names facts that are not known.
    """

    fit: Fit
    steps: tuple[SpaceStep, ...] = ()
    remove: tuple[tuple[str, File], ...] = ()
    short_bytes: int = 0
    kept: tuple[tuple[str, str], ...] = ()
    lacks: tuple[str, ...] = ()
    fewest_bytes: bool = True


def plan_space(space: PartitionSpace, loads: Sequence[SpaceLoad], scale: VersionScale) -> SpacePlan:
    """Plan the partition for these images, each activated before the next is brought; `scale` is the kind's order."""
    lies = [space.keeps and _lies(space, load.version, scale) for load in loads]
    coming = [load for load, there in zip(loads, lies, strict=True) if not there]
    if not coming:
        return SpacePlan(Fit.FITS)
    facts = ["free_bytes"] if space.free_bytes is None else []
    facts += [f"{name} of image {load.version}" for load in coming for name, value in _sizes(load) if value is None]
    if facts or space.free_bytes is None:
        return SpacePlan(Fit.UNKNOWN, lacks=tuple(facts))
    needs = _needs(space, loads, lies)
    short: list[int] = []
    taken = 0
    for need in needs:
        short.append(taken + need.peak_bytes - space.free_bytes)
        taken += need.growth_bytes
    if max(short) <= 0:
        return SpacePlan(Fit.FITS, _steps(space.free_bytes, needs, {}))
    files, kept, lacks = _removable(space, loads, lies, scale)
    found = smallest_removal(files, short)
    remove: dict[int, list[File]] = {}
    for step, file in _when_needed(found.files, short):
        remove.setdefault(step, []).append(file)
    return SpacePlan(
        Fit.SHORT if found.short_bytes else Fit.AFTER_REMOVAL,
        _steps(space.free_bytes, needs, {k: sum(f.size_bytes for f in gone) for k, gone in remove.items()}),
        tuple((loads[step].version, file) for step, gone in sorted(remove.items()) for file in gone),
        found.short_bytes,
        tuple(kept),
        tuple(lacks),
        found.fewest_bytes,
    )


def _lies(space: PartitionSpace, version: str, scale: VersionScale) -> bool:
    return any(scale.same(version, lying.version) for lying in space.lying or ())


def _sizes(load: SpaceLoad) -> tuple[tuple[str, int | None], ...]:
    return (("size", load.size_bytes), ("unpacked", load.unpacked_bytes), ("working", load.working_bytes))


@dataclass(frozen=True, slots=True)
class _Need:
    """What one image needs, in bytes: at each of its steps, at most, and for good."""

    version: str
    steps: tuple[tuple[str, int], ...]
    growth_bytes: int

    @property
    def peak_bytes(self) -> int:
        return max((need for _, need in self.steps), default=0)


def _needs(space: PartitionSpace, loads: Sequence[SpaceLoad], lies: Sequence[bool]) -> list[_Need]:
    """What each image in turn needs; nothing where its file lies there."""
    over = [] if space.keeps else [space.replaced_bytes or 0]
    if METHODS[space.method].over == SPARE:
        over.append(0)  # the bank that runs now: its size is not asked, so nothing is given back
    rows: list[_Need] = []
    for place, (load, there) in enumerate(zip(loads, lies, strict=True)):
        if there:
            rows.append(_Need(load.version, (), 0))
            continue
        size, unpacked, working = (value or 0 for _, value in _sizes(load))  # none is None here: see plan_space
        growth = unpacked - (over[place] if place < len(over) else 0)
        more = max(0, growth)
        steps = (("bring", size), ("unpack", size + working + more), ("keep", more))
        rows.append(_Need(load.version, steps, growth))
        if not space.keeps:
            over.append(unpacked)
    return rows


def _steps(free: int, needs: Sequence[_Need], freed: dict[int, int]) -> tuple[SpaceStep, ...]:
    """Each step with what it needs and what is free when its image's turn comes."""
    rows: list[SpaceStep] = []
    for place, need in enumerate(needs):
        free += freed.get(place, 0)
        rows += [SpaceStep(need.version, doing, needed, free) for doing, needed in need.steps]
        free -= need.growth_bytes
    return tuple(rows)


def _when_needed(files: Sequence[File], short: Sequence[int]) -> list[tuple[int, File]]:
    """Each file with the last step at which it is early enough, so that nothing goes before its time."""
    rows: list[tuple[int, File]] = []
    have = 0
    left = sorted(files, key=lambda f: (f.from_step, -f.size_bytes, f.name))
    for step, need in enumerate(short):
        while left and have < need and left[0].from_step <= step:
            rows.append((step, left.pop(0)))
            have += rows[-1][1].size_bytes
    return rows + [(file.from_step, file) for file in left]


def _removable(
    space: PartitionSpace, loads: Sequence[SpaceLoad], lies: Sequence[bool], scale: VersionScale
) -> tuple[list[File], list[tuple[str, str]], list[str]]:
    """The files that may go and from which step on, those that may not and why, and the facts that are not known."""
    if not space.keeps:
        return [], [], []
    facts = (("boot_files", space.lying), ("active", space.active), ("pending", space.pending))
    lacks = [name for name, value in facts if value is None]
    if lacks:
        return [], [(f.version, "it is not known what may go") for f in space.lying or ()], lacks
    files: list[File] = []
    kept: list[tuple[str, str]] = []
    for lying in space.lying or ():
        reason, step = _protected(space, lying.version, loads, scale)
        if step < len(loads) and lying.size_bytes is not None:
            files.append(File(lying.version, lying.size_bytes, step))
        elif step < len(loads):
            lacks.append(f"unpacked size of image {lying.version}")
        if step > 0:
            kept.append((lying.version, reason))
    for place, (load, there) in enumerate(zip(loads, lies, strict=True)):
        if not there and place + 3 < len(loads):
            files.append(File(load.version, load.unpacked_bytes or 0, place + 3))
    return files, kept, lacks


def _protected(space: PartitionSpace, version: str, loads: Sequence[SpaceLoad], scale: VersionScale) -> tuple[str, int]:
    """Why a file may not go now, and the step from which on it may: 0 for now.

    An image of the sequence is about to be used until its own step, runs at the next and is the way back at the one
    after that; so is the running one, as if it were the image of step -1.
    """
    reasons = [("", 0)]
    if scale.same(version, space.active or ""):
        reasons.append(("it is running", 2))
    if space.pending and scale.same(version, space.pending):
        reasons.append(("it is pending", 1))
    if version in _ways_back(space, scale):
        there = _lies(space, space.active or "", scale)
        reasons.append(("it is the only way back", 1 if there else 2))
    reasons += [
        ("it is about to run", place + 3) for place, load in enumerate(loads) if scale.same(version, load.version)
    ]
    return max(reasons, key=lambda r: r[1])


def _ways_back(space: PartitionSpace, scale: VersionScale) -> frozenset[str]:
    """The files that must be kept so that the running image has a way back."""
    running = space.active or ""
    others = [lying.version for lying in space.lying or () if not scale.same(lying.version, running)]
    others = [other for other in others if not (space.pending and scale.same(other, space.pending))]
    placed = [other for other in others if scale.key(other) is not None]
    if scale.key(running) is None or not placed:
        return frozenset(others)
    older = [v for v in placed if scale.compare(v, running) == -1] or placed
    newest = max(scale.key(v) or () for v in older)
    unplaced = [other for other in others if scale.key(other) is None]
    return frozenset([*unplaced, *(v for v in older if scale.key(v) == newest)])
