"""From a plan to the words of its run-book: every claim with the rule, the table or the practice that it rests on.

Rules: nothing is planned here; what the manifest says is reported apart from what is common practice and from what is
assumed; what forbids the work comes first, and nothing that is open is there twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.findings import Level
from bundlekeeper.formats.durations import hours
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.planning.overview import down_at_most
from bundlekeeper.jobs.planning.window_sheet import BY, timer, what, when, window_sheet
from bundlekeeper.reports.runbook import (
    BackRow,
    ComponentRow,
    OpenGap,
    Runbook,
    RunbookText,
    StepPage,
    WindowLine,
)

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.material import Material
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.gaps.report import Gap
    from bundlekeeper.planning.route.types import ComponentChange, Step, StepChange
    from bundlekeeper.planning.route.way_back import WayBack

PRACTICE = "common practice"
_BUILT_IN = f"{PRACTICE}: the built-in table of kinds"

#: What is checked before anything else.
_FIRST = (
    ("a configuration backup was taken and read back", PRACTICE),
    ("no critical fault is open; every path is redundant", PRACTICE),
    ("each host's own path count and driver level are written down; they are compared after the work", PRACTICE),
    ("other servers can take over the work of each server that restarts", PRACTICE),
    ("the maker's release notes of every bundle below were read, and nothing in them forbids this", PRACTICE),
    ("the windows are agreed: local change control, those responsible for safety", PRACTICE),
)
_PAIRS = ("every redundant pair is healthy, and which half leads is known", PRACTICE)


_FITS, _HEALTH = "whether its image fits", "healthy"


def runbook(of: Material) -> Runbook:
    """The run-book of a plan. Raises InputError for a time zone that this machine does not know."""
    import bundlekeeper

    route, times = of.planned.route, of.planned.timeline
    errors, warnings = told(of)
    steps = {step.number: step for step in route.steps}
    closed = len(of.gaps.gaps) - len(of.open_gaps)
    return Runbook(
        f"Run-book: {route.domain} to {route.release}",
        f"made {of.made_at:%Y-%m-%d %H:%M}Z by bundlekeeper {bundlekeeper.__version__} from manifest "
        f"{of.given.manifest.platform} {of.given.manifest.sequence} and {of.given.origin}",
        f"{route.domain} to {route.release}",
        of.sha256,
        _verdict(errors, warnings),
        bool(errors),
        errors,
        tuple(_glance(of)),
        tuple(_overview(of)),
        tuple(RunbookText(text, source) for text, source in (*_FIRST[:1], *_pairs(of), *_FIRST[1:])),
        warnings,
        f"{counted(of.gaps.checks_made, 'check')} made, {of.gaps.checks_not_made} could not be made for lack of a fact"
        + (f"; {closed} more about going there in one step: this plan does not do that" if closed else ""),
        of.checked,
        tuple(window_sheet(of, steps[window.step], window) for window in times.windows),
        tuple(_step(of, step) for step in route.steps),
        tuple(_facts(of)),
        f"PLAN={of.sha256}" if of.sha256 else "",
    )


def told(of: Material) -> tuple[tuple[OpenGap, ...], tuple[OpenGap, ...]]:
    """The errors, then the warnings, of planning and of the gaps: each once, like ones of several subjects as one."""
    domain = of.planned.route.domain
    said = _said(of)
    sources = {gap.finding: "; ".join(gap.sources) for gap in of.open_gaps if not said(gap)}
    groups: dict[tuple[Level, str, str, str], list[str]] = {}
    quotes: dict[tuple[Level, str, str, str], dict[str, None]] = {}
    for finding in dict.fromkeys((*sources, *of.planned.findings)):
        if finding.level is Level.NOTE:
            continue
        key = (finding.level, finding.code, finding.message, finding.hint)
        subject = finding.subject.removeprefix(f"{domain}: ")
        if subject not in groups.setdefault(key, []):
            groups[key].append(subject)
        if sources.get(finding):
            quotes.setdefault(key, {})[sources[finding]] = None
    rows = [
        OpenGap(level.value, code, "; ".join(subjects), message, hint, "; ".join(quotes.get(key, ())))
        for key, subjects in groups.items()
        for level, code, message, hint in (key,)
    ]
    return tuple(r for r in rows if r.level == "error"), tuple(r for r in rows if r.level != "error")


def _said(of: Material) -> Callable[[Gap], bool]:
    """Whether planning says the same of a gap: it asks for space and for the health of pairs, too, step by step."""
    moved = {key for step in of.planned.route.steps for c in step.changes for p in c.components for key in p.keys}
    pairs = {
        found.subject for found in of.planned.findings if found.code == "pair-unhealthy" or _HEALTH in found.message
    }

    def said(gap: Gap) -> bool:
        if gap.code == "not-enough-space" or (gap.code == "not-checked" and gap.finding.message.startswith(_FITS)):
            return bool(gap.things) and moved.issuperset(gap.things)
        about_health = gap.code == "pair-unhealthy" or _HEALTH in gap.finding.message
        return about_health and gap.finding.subject in pairs

    return said


def _verdict(errors: Sequence[OpenGap], warnings: Sequence[OpenGap]) -> str:
    if errors:
        return f"STOP: do not begin. {counted(len(errors), 'error')}, each with what to do:"
    if warnings:
        return f"No error was found. {counted(len(warnings), 'open gap')}: close each, or write down who accepts it."
    return "No problems were found. Not everything can be checked from here: see what was not."


def _glance(of: Material) -> Iterator[tuple[str, str]]:
    route, times = of.planned.route, of.planned.timeline
    least = (
        "this is the minimum for these steps"
        if times.is_shortest
        else f"cannot take less than {hours(times.lower_bound)}"
    )
    yield "work in all", f"{hours(times.makespan)} ({least}), {counted(route.cost[1], 'server restart')}"
    hands = dict(of.options.parallel)
    if hands:
        words = (f"{number} at {site}" if site else str(number) for site, number in hands.items())
        yield "pieces of work at a time", ", ".join(words)
    apart = sorted({domain for window in times.windows for domain in window.apart_from})
    if apart:
        yield "never in a window together with", ", ".join(apart)


def _overview(of: Material) -> Iterator[WindowLine]:
    """A line for each window, and for each step that has none."""
    for step in of.planned.route.steps:
        windows = [window for window in of.planned.timeline.windows if window.step == step.number]
        for window in windows:
            time = timer(window)
            down = down_at_most([window])
            about = (what(step, window), when(of, window), hours(window.minutes), down, time(window.turn_back))
            yield WindowLine(str(window.number), *about, missing=False)
        if not windows:
            unplanned = "it could not be planned: the errors and gaps say why"
            yield WindowLine(
                "-", f"step {step.number}: {step.what} to {step.name}", unplanned, "-", "-", "-", missing=True
            )


def _facts(of: Material) -> Iterator[tuple[str, str]]:
    from bundlekeeper.model.route.document import inventory_facts

    given, head = of.given, of.given.head
    manifest = given.manifest
    facts = inventory_facts(given.inventory, of.planned.route.domain, of.fleet.manifest_index.by_policy)
    yield "manifest", f"{manifest.platform}, sequence {manifest.sequence}, issued {manifest.issued}"
    yield "manifest, expires", str(manifest.expires or "not stated")
    yield "manifest, SHA-256", given.manifest_sha256
    yield "manifest, signature", given.signature.message or given.signature.word
    yield "inventory, from", given.origin
    yield "inventory, SHA-256 of the domain", facts["sha256"]
    yield (
        "ledger's head",
        f"{head.digest} ({counted(head.count, 'event')}, ledger {head.ledger})" if head is not None else "none",
    )
    yield "plan's file, SHA-256", of.sha256 or "no file: bundlekeeper route DOMAIN --to RELEASE --out FILE writes one"
    limit = of.options.window_minutes
    yield "longest window asked for", "none" if limit is None else f"{limit} minutes"
    yield "servers of one cluster at a time", str(of.options.per_cluster)


def _step(of: Material, step: Step) -> StepPage:
    where = f"step {step.number}: {step.what} to {step.name}"
    rules = [RunbookText(q.message, q.source or "no rule is about it: ask the publisher") for q in step.quotes]
    rules.append(RunbookText(_order(of, step), f"{PRACTICE}: order"))
    back = [way for way in of.planned.back if way.step == step.number]
    return StepPage(
        where[0].upper() + where[1:],
        tuple(_component(of.fleet, change, component) for change in step.changes for component in change.components),
        tuple(f"{c.family} {c.version}  {c.file}  SHA-256 {c.sha256}" for c in _distinct(step)),
        tuple(rules),
        tuple(_back(way) for way in back),
    )


def _pairs(of: Material) -> list[tuple[str, str]]:
    return [_PAIRS] if of.fleet.state(of.planned.route.domain).pairs else []


def _order(of: Material, step: Step) -> str:
    """The order of a step in words, of the kinds that it moves."""
    if step.what == "servers":
        return "infrastructure before servers going up, after them going down"
    kinds = dict.fromkeys(component.kind for change in step.changes for component in change.components)
    turns: dict[int, list[str]] = {}
    for kind in kinds:
        turns.setdefault(of.fleet.manifest_index.facts(kind, None).turn, []).append(kind)
    words = ", then ".join(" and ".join(turns[turn]) for turn in sorted(turns, reverse=step.is_down))
    keys = {key for change in step.changes for component in change.components for key in component.keys}
    halves = any(half.key in keys for p in of.fleet.state(of.planned.route.domain).pairs for half in p.halves)
    return words + ("; the following half before the leading one" if halves else "")


def _distinct(step: Step) -> list[StepChange]:
    return list({change.sha256: change for change in step.changes}.values())


def _component(fleet: Fleet, change: StepChange, component: ComponentChange) -> ComponentRow:
    facts = fleet.manifest_index.facts(component.kind, component.model or None)
    rule = fleet.manifest_index.manifest.kind.get(component.kind)
    own = rule.models.get(component.model) if rule is not None and rule.models else None
    said = any(getattr(r, "method", None) or getattr(r, "applied_by", None) for r in (rule, own) if r is not None)
    source = f"manifest, [kind.{component.kind}]" if said else _BUILT_IN
    minutes = f"{component.minutes} minutes each, {'assumed' if component.assumed_minutes else 'by the manifest'}"
    method = f"{facts.method or 'method not known'}, {BY.get(facts.applied_by or '', 'by whom is not known')}"
    what = f"{len(component.keys)} {component.kind} {component.model} ({change.name})"
    return ComponentRow(
        what, component.start or "not known", component.end, f"{method}; {minutes}; {facts.effect}", source
    )


def _back(way: WayBack) -> BackRow:
    what = f"{len(way.keys)} {way.kind} {way.model}"
    return BackRow(what, way.how, way.until, way.destroyed_by, way.rule, not (way.exists and way.known))
