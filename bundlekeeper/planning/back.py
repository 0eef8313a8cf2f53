"""The way back of each step of a route: how, until when, and what would destroy it.

Rules: what trade.md gives for the method, or the manifest's `back`; a way back ends at the later step that writes the
same part again; where it needs a bundle or a file, that is named with whether it is there; what is not known is said,
and never counts as a way back. A way back is a change like any other: rules for going down hold for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bundlekeeper.planning.fleet import Fleet
from bundlekeeper.planning.route_types import Change, PartChange, Route, Step
from bundlekeeper.planning.supply import Holdings


@dataclass(frozen=True, slots=True)
class WayBack:
    """How like parts get back from `end` to `start`, what they ran before a step.

    `means` is trade.md's word (`switch`, `pointer`, `reinstall`, `restore`, `none`), empty where it is not known;
    `exists` and `known` speak about the means alone: `known` is False where a fact is lacking. `allowed` is what the
    manifest's rules say of the jump back, None where that is not known or no rule is asked; `rule` says it in words.
    """

    step: int
    kind: str
    model: str
    keys: tuple[str, ...]
    how: str
    until: str
    destroyed_by: str
    exists: bool
    known: bool
    start: str = ""
    end: str = ""
    means: str = ""
    allowed: bool | None = None
    rule: str = ""


def ways_back(fleet: Fleet, route: Route, holdings: Holdings) -> tuple[WayBack, ...]:
    """The way back of every part of every step, in the order of the route."""
    rows = []
    for step in route.steps:
        for change in step.changes:
            rows += [_way(fleet, route, holdings, step, change, part) for part in change.parts]
    return tuple(rows)


def _way(
    fleet: Fleet, route: Route, holdings: Holdings, step: Step, change: Change, part: PartChange
) -> WayBack:  # fmt: skip
    back = fleet.book.facts(part.kind, part.model or None).back
    later = next(_later(route, step.number, part), None)
    until = f"step {later} writes it again" if later else "it is written again"
    how, destroys, exists, known = _how(fleet, holdings, change, part, back)
    if not exists:
        until = "there is none"
    return WayBack(step.number, part.kind, part.model, part.keys, how, until, destroys, exists, known)


def _later(route: Route, number: int, part: PartChange) -> Iterator[int]:
    """The later steps that write some of the same parts."""
    for step in route.steps[number:]:
        if any(set(p.keys) & set(part.keys) for c in step.changes for p in c.parts):
            yield step.number


def _how(
    fleet: Fleet, holdings: Holdings, change: Change, part: PartChange, back: str | None
) -> tuple[str, str, bool, bool]:
    """How, what destroys it, whether it exists, and whether that is known."""
    start = part.start or "the version of before, which is not known"
    if back is None:
        return f"how {part.kind} gets back is not known: say it in [kind.{part.kind}] back = …", "", False, False
    if back == "none":
        return "none: once it is written there is no way back", "", False, True
    if back == "switch":
        how = f"switch the banks back to {start}"
        return how, "staging any image: it overwrites the spare bank", True, bool(part.start)
    if back == "pointer":
        return _pointer(fleet, part, start)
    fitting = {
        o.bundle.sha256: o.bundle.version
        for o in fleet.book.offers(change.family, part.kind, part.model)
        if part.start and fleet.book.scale(part.kind).same(o.image.version, part.start)
    }
    held = [version for sha256, version in fitting.items() if holdings.held(sha256)]
    how = f"install {start} again"
    if back == "restore":
        how += ", then restore the backup that was taken and read back before this step"
    if not held:
        what = f"no bundle with {start} is held" if fitting else f"no bundle of the manifest brings {start}"
        return f"{how}; {what}", "", False, bool(part.start)
    destroys = f"dropping {change.family} {held[0]} from the store"
    return how, f"{destroys}, or losing the backup" if back == "restore" else destroys, True, True


def _pointer(fleet: Fleet, part: PartChange, start: str) -> tuple[str, str, bool, bool]:
    """boot-file: the file that ran before must lie on every one of the parts."""
    scale = fleet.book.scale(part.kind)
    rows = [c for c in fleet.inventory.components if c.key in part.keys]
    how = f"point back to the file of {start}"
    if any(c.held is None for c in rows) or not part.start:
        return f"{how}, if it lies there: that is not known", f"removing the file of {start}", False, False
    # A file that a step of this route brings lies there afterwards; today's list only tells of what runs today.
    lacking = [
        c.key
        for c in rows
        if scale.same(c.active or "", part.start) and not any(scale.same(part.start, v) for v in c.held or ())
    ]
    if lacking:
        return f"{how}: it does not lie on {', '.join(lacking)}", "", False, True
    return how, f"removing the file of {start}", True, True
