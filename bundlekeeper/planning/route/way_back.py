"""The way back of each step of a route: how, until when, what would destroy it, and whether a rule allows it.

Rules: what is common practice for the method, or the manifest's `back`; where it needs a bundle or a file, that is
named with whether it is there; what is not known is reported, and never counts as a way back. A way back is a jump like
any other: the manifest's rules are asked from where the step leads, and going down without a rule that says so is
refused. Steps are undone last one first: only then is every state on the way back one that the route has shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import some
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.rules import JumpAnswer, RuleAnswer, SeenVersion, seen
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.route.blockers import BlockerJudge
from bundlekeeper.planning.route.types import ComponentChange, Route, Step, StepChange

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle
    from bundlekeeper.planning.fleet.domain_state import At, ComponentReading

_BEST_FIRST = list(RuleAnswer)


@dataclass(frozen=True, slots=True)
class WayBack:
    """How like components get back from `end` to `start`, what they ran before a step.

    `means` is the trade's word (`switch`, `pointer`, `reinstall`, `restore`, `none`), empty where it is not known;
    `exists` and `known` are about the means alone: `known` is False where a fact is lacking. `allowed` is what the
    manifest's rules say of the jump back, None where that is not known or no rule is asked; `rule` is that in words.
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
    """The way back of every component of every step, in the order of the route.

    Raises InputError for a domain that the inventory lacks.
    """
    past = _Past(fleet, route.domain)
    rows = []
    for step in route.steps:
        before = dict(past.runs)
        past.take(step)
        for change in step.changes:
            for component in change.components:
                way = _way(fleet, route, holdings, step, change, component)
                if way.means != "none":
                    allowed, rule = past.back(change, component, before)
                    way = replace(way, allowed=allowed, rule=rule)
                rows.append(way)
    return tuple(rows)


def lost(ways: Iterable[WayBack]) -> tuple[Finding, ...]:
    """What to know of steps whose way back is lacking, not known, or not allowed by any rule; like ones as one."""
    groups: dict[tuple[int, str, str], list[str]] = {}
    for way in ways:
        name = f"{way.kind} {way.model}".strip()
        if not way.exists or not way.known:
            code = "not-checked" if not way.known else "no-way-back"
            groups.setdefault((way.step, code, way.how), []).append(name)
        if way.means != "none" and way.allowed is not True and way.rule:
            code = "no-way-back" if way.allowed is False else "not-checked"
            groups.setdefault((way.step, code, way.rule), []).append(name)
    return tuple(
        finding(code, f"step {step}: {some(names)}", message if len(names) == 1 else _of_several(message),
                "decide about it before the step", level=Level.WARNING)
        for (step, code, message), names in ((key, list(dict.fromkeys(row))) for key, row in groups.items())
    )  # fmt: skip


def _of_several(message: str) -> str:
    """What is reported of one kind, as it is of several."""
    return message.replace("whether it may", "whether they may").replace("what it ran", "what they ran")


def _way(
    fleet: Fleet, route: Route, holdings: Holdings, step: Step, change: StepChange, component: ComponentChange
) -> WayBack:  # fmt: skip
    back = fleet.manifest_index.facts(component.kind, component.model or None).back
    way = WayBack(
        step.number, component.kind, component.model, component.keys, "", "", "", exists=False, known=False,
        start=component.start, end=component.end, means=back or "",
    )  # fmt: skip
    start = component.start or "the version of before, which is not known"
    later = next(_later(route, step.number, component), None)
    if back is None:
        how = f"how {component.kind} gets back is not known: set it in the manifest: [kind.{component.kind}] back = …"
        way = replace(way, how=how)
    elif back == "none":
        way = replace(way, how="none: once it is written there is no way back", known=True)
    elif back == "switch":
        way = _switch(way, start, later)
    elif back == "pointer":
        way = _pointer(fleet, route, way, start, later)
    else:
        way = _installed(fleet, holdings, way, change, start, later)
    return (
        way if way.exists else replace(way, until="there is none that is known" if not way.known else "there is none")
    )


def _later(route: Route, number: int, component: ComponentChange) -> Iterator[int]:
    """The later steps that write some of the same components."""
    for step in route.steps[number:]:
        if any(set(p.keys) & set(component.keys) for change in step.changes for p in change.components):
            yield step.number


def _switch(way: WayBack, start: str, later: int | None) -> WayBack:
    """two-bank: what ran before is in the spare bank until that is written again."""
    until = f"step {later} writes the spare bank again" if later else "the spare bank is written again"
    destroys = "staging any image: it overwrites the spare bank"
    return replace(
        way, how=f"switch the banks back to {start}", until=until, destroyed_by=destroys, exists=True,
        known=bool(way.start),
    )  # fmt: skip


def _pointer(fleet: Fleet, route: Route, way: WayBack, start: str, later: int | None) -> WayBack:
    """boot-file: the file that ran before must be on every one of the components."""
    scale = fleet.manifest_index.scale(way.kind)
    rows = [
        component
        for component in fleet.components(route.domain)
        if component.kind == way.kind and component.key in way.keys
    ]
    how, destroys = f"point back to the file of {start}", f"removing the file of {start}, also to make space"
    if any(component.boot_files is None for component in rows) or not way.start:
        return replace(way, how=f"{how}, if it is there: that is not known", destroyed_by=destroys)
    # A file that a step of this route brings lies there afterwards; today's list only tells of what runs today.
    lacking = [
        component.key
        for component in rows
        if scale.same(component.active or "", way.start)
        and not any(scale.same(way.start, v) for v in component.boot_files or ())
    ]
    if lacking:
        return replace(way, how=f"{how}: it is not on {', '.join(lacking)}", known=True)
    gone = (
        step.number
        for step in route.steps[way.step :]
        if any(r.key in way.keys and scale.same(r.version, way.start) for r in step.removals)
    )
    removed = next(gone, 0)
    until = f"step {removed} removes the file of {start}" if removed else f"the file of {start} is removed"
    until += f"; after step {later} it is a different jump" if later else ""
    return replace(way, how=how, until=until, destroyed_by=destroys, exists=True, known=True)


def _installed(
    fleet: Fleet, holdings: Holdings, way: WayBack, change: StepChange, start: str, later: int | None
) -> WayBack:  # fmt: skip
    """overwrite: the older bundle must be in the store; where settings go with it, so must the backup from before."""
    bundles = (bundle for bundle in fleet.manifest_index.manifest.bundle if bundle.sha256 == change.sha256)
    variant = next((bundle.variant for bundle in bundles), None)  # of what the step takes, so of what ran before
    how, restores = f"install {start} again", way.means == "restore"
    if restores:
        how += ", then restore the backup that was taken and read back before this step"
    fitting = [
        offer.bundle
        for offer in fleet.manifest_index.offers(change.family, variant, way.kind, way.model)
        if way.start and fleet.manifest_index.scale(way.kind).same(offer.image.version, way.start)
    ]
    stored = [(b, f) for b in fitting if (f := holdings.stored(b.sha256)) is not None]
    if not stored:
        lacks = f"no bundle with {start} is in the store" if fitting else f"no bundle of the manifest brings {start}"
        return replace(way, how=f"{how}; {lacks}", known=bool(way.start))
    stored.sort(key=lambda row: (row[1].verified is not True, row[0].lifecycle == "withdrawn"))
    bundle, file = stored[0]
    name = f"{change.family} {bundle.version}"
    if file.verified is not True:
        how += f"; {name} is in the store and not verified"
    how += _withdrawn(bundle)
    until = f"{name} is removed from the store"
    destroys = f"removing {name} from the store"
    if restores:
        until += f", or the backup is lost: one from {way.end} does not restore on {start}"
        destroys += ", or losing the backup"
    if later:
        until += f"; after step {later} it is a different jump"
    return replace(way, how=how, until=until, destroyed_by=destroys, exists=True, known=file.verified is True)


def _withdrawn(bundle: Bundle) -> str:
    return f"; it was withdrawn: {bundle.reason or 'why is not known'}" if bundle.lifecycle == "withdrawn" else ""


class _Past:
    """What each component of a domain runs as the route goes on, and what the rules say of going back."""

    def __init__(self, fleet: Fleet, domain: str) -> None:
        self.fleet = fleet
        self.judge = BlockerJudge(fleet.rules)
        lifecycle = fleet.state(domain)
        self.components = {component.key: component for component in lifecycle.components}
        self.servers = {server.key: server for server in lifecycle.servers}
        self.runs = {key: p.component.active for key, p in self.components.items()}

    def take(self, step: Step) -> None:
        """Go on by a step."""
        for change in step.changes:
            for component in change.components:
                self.runs.update(dict.fromkeys(component.keys, component.end))

    def back(
        self, change: StepChange, component: ComponentChange, before: dict[str, str | None]
    ) -> tuple[bool | None, str]:
        """Whether the rules allow the component to go back from what it runs now, and in words."""
        if not component.start:
            return None, "whether it may go back is not known: what it ran before is not"
        old, old_at = self._at(change, component.keys[0], before)
        new, new_at = self._at(change, component.keys[0], self.runs)
        bundles = (
            [bundle for bundle in old.bundles if old_at is None or bundle in old_at.bundles]
            or list(old.bundles)
            or [""]
        )
        now = seen(new, new_at)
        return self._said(self._best(now, component.start, bundles), component.start)

    def _best(self, now: SeenVersion, start: str, bundles: Sequence[str]) -> JumpAnswer:
        """What runs belongs to each of the bundles, so the best answer counts."""
        answers = [self.fleet.rules.jump(now, start, bundle) for bundle in bundles]
        return min(answers, key=lambda a: _BEST_FIRST.index(a.answer))

    def _at(self, change: StepChange, key: str, runs: dict[str, str | None]) -> tuple[ComponentReading, At | None]:
        """What a component is read as, and the bundles that its server is at; None for the infrastructure."""
        component, reader = self.components[key].component, self.fleet.reader
        server = next(
            (s for s in map(self.servers.get, change.servers) if s and key in {p.key for p in s.components}), None
        )
        family = INFRASTRUCTURE if server is None else server.family
        variant = self.components[key].reading.variant
        own = reader.reading(family, variant, component.kind, component.model, runs[key])
        if server is None:
            return own, None
        rows = (
            reader.reading(family, variant, p.component.kind, p.component.model, runs[p.key]) for p in server.components
        )
        return own, reader.server_class(family, variant, rows).at

    def _said(self, answer: JumpAnswer, start: str) -> tuple[bool | None, str]:
        blockers = (self.judge.named(self.judge.jump_rule(rule))[0] for rule in answer.rules)
        quotes = "; ".join(f"{blocker.message} ({blocker.source})" for blocker in blockers)
        if answer.answer is RuleAnswer.ALLOWED:
            return True, f"going back to {start} is allowed: {quotes}"
        if answer.answer is RuleAnswer.UNSTATED:
            return None, f"no rule is about going back to {start}"
        if answer.answer is RuleAnswer.UNKNOWN:
            return None, f"whether it may go back to {start} is not known: {answer.fact}"
        if quotes:
            return False, f"going back to {start} is refused: {quotes}"
        return False, f"no rule says that going back to {start} is allowed"
