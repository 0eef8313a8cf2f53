"""From a plan to the words of its run-book: every claim with the rule, the table or the practice that it rests on.

Rules: nothing is planned here; what the manifest says is reported apart from what is common practice and from what is
assumed; commands that are shown are quoted for a shell.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.formats.escape import counted
from bundlekeeper.reports import gantt
from bundlekeeper.reports.runbook import (
    ActionRow,
    BackRow,
    ComponentRow,
    OpenGap,
    Runbook,
    RunbookText,
    StepPage,
    WindowPage,
)

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.jobs.planning.route import Options, PlannedRoute
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.gaps.report import Gap, GapReport
    from bundlekeeper.planning.route.types import ComponentChange, Step, StepChange
    from bundlekeeper.planning.route.way_back import WayBack
    from bundlekeeper.planning.windows.types import Action, Window

PRACTICE = "common practice"
_BY = {"operator": "by an operator", "policy": "by policy"}
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
_VERIFY = {
    "check-backup": "the backup is there, and was read back",
    "check-pairs": "each pair reports it itself",
    "check-faults": "the manager lists none",
    "check-paths": "each path is up, seen from both ends",
    "note-paths": "written down; needed again at the end",
    "remove-settings": "the older version's list of settings has them all",
    "remove": "the component's own list of files no longer has it, and still has the running one",
    "stage": "the component itself reports the staged image; read its digest back where it can report it",
    "activate": "the component comes back; its version is verified below",
    "write": "the component comes back; its version is verified below",
    "level": "both halves report the same version",
    "swap-lead": "the other half reports that it leads",
    "wait-for-manager": "the manager answers",
    "wait-for-paths": "every path is redundant again; nothing else goes down before",
    "move-workload": "nothing runs on it, and it gets no new work",
    "edit-policy": "the policy names the version, and nothing applied by itself",
    "assign-policy": "the server names that policy, and nothing applied by itself",
    "confirm": "the pending change is the expected one",
    "start-window": "the window is open, and the servers restart",
    "check-window": "the window is open, and ends after the restart",
    "restart": "the server comes back",
    "apply": "the component reports no failed update; its version is verified below",
    "compare-paths": "path count before: ____  now: ____",
    "record": "bundlekeeper where shows it",
}
_REMOVAL = "none, but to bring that image there again"
_STAGING = "nothing runs it yet, so nothing goes back; what was in the spare bank before is overwritten"


@dataclass(frozen=True, slots=True)
class Material:
    """What a run-book is made from. `sha256` is the route document's, empty where none was written or given."""

    given: Inputs
    fleet: Fleet
    planned: PlannedRoute
    options: Options
    gaps: GapReport
    checked: tuple[str, ...]
    made_at: datetime
    sha256: str = ""

    @property
    def open_gaps(self) -> tuple[Gap, ...]:
        """The gaps that the plan does not close by itself: it does not go there in one step."""
        return tuple(gap for gap in self.gaps.gaps if gap.code != "jump-refused")


def runbook(of: Material) -> Runbook:
    """The run-book of a plan."""
    route, times = of.planned.route, of.planned.timeline
    shown = [gap for gap in of.open_gaps if gap.finding.level.value != "note"]
    closed = len(of.gaps.gaps) - len(of.open_gaps)
    longest = max((window.minutes for window in times.windows), default=0)
    totals = (
        ("domain", route.domain),
        ("release", route.release),
        ("steps", str(len(route.steps))),
        ("windows", f"{len(times.windows)}, the longest {_span(longest)}"),
        ("minutes in all", f"{times.makespan}; cannot take less than {times.lower_bound}"),
        *([("steps without windows, so not in those minutes", of.planned.unplanned)] if times.unplanned else []),
        ("server restarts", str(route.cost[1])),
        ("open gaps", f"{len(shown)}: see below"),
        (
            "never in a window together with",
            ", ".join(sorted({d for window in times.windows for d in window.apart_from})) or "-",
        ),
    )
    import bundlekeeper

    return Runbook(
        f"Run-book: {route.domain} to {route.release}",
        f"made {of.made_at:%Y-%m-%d %H:%M}Z by bundlekeeper {bundlekeeper.__version__} from manifest "
        f"{of.given.manifest.platform} {of.given.manifest.sequence} and {of.given.origin}",
        totals,
        of.checked,
        of.planned.findings,
        tuple(RunbookText(text, source) for text, source in (*_FIRST[:1], *_pairs(of), *_FIRST[1:])),
        tuple(
            OpenGap(
                gap.finding.level.value,
                gap.code,
                gap.finding.subject,
                gap.finding.message,
                gap.finding.hint,
                "; ".join(gap.sources),
            )
            for gap in shown
        ),
        f"{counted(of.gaps.checks_made, 'check')} made, {of.gaps.checks_not_made} could not be made for lack of a fact"
        + (f"; {closed} more about going there in one step: this plan does not do that" if closed else ""),
        tuple(_step(of, step) for step in route.steps),
        tuple(_facts(of)),
        f"PLAN={of.sha256}" if of.sha256 else "",
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


def _span(minutes: int) -> str:
    return f"{minutes // 60} h {minutes % 60:02} min" if minutes >= 60 else f"{minutes} min"


def _step(of: Material, step: Step) -> StepPage:
    windows = [w for w in of.planned.timeline.windows if w.step == step.number]
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
        tuple(_window(of, step, window) for window in windows),
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
    method = f"{facts.method or 'method not known'}, {_BY.get(facts.applied_by or '', 'by whom is not known')}"
    what = f"{len(component.keys)} {component.kind} {component.model} ({change.name})"
    return ComponentRow(
        what, component.start or "not known", component.end, f"{method}; {minutes}; {facts.effect}", source
    )


def _back(way: WayBack) -> BackRow:
    what = f"{len(way.keys)} {way.kind} {way.model}"
    return BackRow(what, way.how, way.until, way.destroyed_by, way.rule, not (way.exists and way.known))


def _window(of: Material, step: Step, window: Window) -> WindowPage:
    separate_windows = (
        f" Never at the same time as a window of {', '.join(window.apart_from)}." if window.apart_from else ""
    )
    limit = of.options.window_minutes
    within = f" of the {_span(limit)} that were asked for" if limit is not None else ""
    first, minutes = of.planned.timeline.again(window)
    again = f" Before it make the checks of window {first} again, and note who and when: {_span(minutes)} more."
    drawn = [*gantt.lines(of.planned.bars(window), window.minutes), f"    {gantt.KEY}"]
    return WindowPage(
        f"Window {window.number}: {_span(window.minutes)}",
        f"It takes {_span(window.minutes)}{within}; minutes count from its start.{separate_windows} "
        "Between two things that are down, wait for what the action before asks for, however long that takes."
        f"{again if first else ''}",
        "\n".join(drawn),
        tuple(_action(of, step, window, number, action) for number, action in enumerate(window.actions, 1)),
    )


def _action(of: Material, step: Step, window: Window, number: int, action: Action) -> ActionRow:
    from bundlekeeper.planning.windows.types import VERBS

    change = next((c for c in step.changes for p in c.components if action.key in p.keys), None)
    way = next((back for back in of.planned.back if back.step == step.number and action.key in back.keys), None)
    method = ", ".join(word for word in (action.method, _BY.get(action.applied_by, "")) if word)
    words = (method, f"policy {action.policy}" if action.policy else "", action.note)
    return ActionRow(
        f"{window.number}.{number}",
        f"{action.start // 60}:{action.start % 60:02}",
        f"{'~' if action.assumed else ''}{action.minutes} min",
        VERBS.get(action.verb, action.verb),
        f"{action.subject}{f' {action.version}' if action.version else ''}",
        "; ".join(word for word in words if word),
        action.down,
        f"it reports {action.version}"
        if action.verb == "verify" and action.version
        else _VERIFY.get(action.verb, "done"),
        _command(of, action, change or _of_server(step, action)),
        _way(action, way),
    )


def _of_server(step: Step, action: Action) -> StepChange | None:
    """The change of the server that is recorded as a whole."""
    return next((change for change in step.changes if action.verb == "record" and action.key in change.servers), None)


def _way(action: Action, way: WayBack | None) -> str:
    if action.verb == "stage":
        return _STAGING
    if action.verb == "remove":
        return _REMOVAL
    if action.verb not in ("activate", "write", "apply", "restart") or way is None:
        return ""
    return f"{way.how}; until when: see the ways back from this step"


def _command(of: Material, action: Action, change: StepChange | None) -> str:
    if change is None or not action.key:
        return ""
    named = [
        b for b in of.fleet.manifest_index.manifest.bundle if (b.family, b.version) == (change.family, change.version)
    ]
    bundle = change.file if len(named) > 1 else f"{change.family}/{change.version}"
    words: dict[str, tuple[str, ...]] = {
        "stage": ("stage", action.key, "--bundle", bundle),
        "verify": ("observe", action.key, "--active", action.version),
        "record": ("activate", action.key, "--bundle", bundle),
    }
    if action.verb not in words:
        return ""
    route = ' --plan "$PLAN"' if of.sha256 and action.verb != "verify" else ""
    return shlex.join(("bundlekeeper", *words[action.verb])) + route
