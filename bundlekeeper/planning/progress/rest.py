"""What is left of a plan, as a plan: so that it is judged, timed and printed as any other.

Rules: a part that runs, or was skipped, is not in it; a step of which nothing is left is not in it, and the others
keep their numbers wherever they are reported.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from bundlekeeper.findings import Finding
from bundlekeeper.model.route.hand_plan import Plan, PlanStep
from bundlekeeper.model.route.planned_work import PlannedWork, WorkItem
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.progress.types import OPEN, STUCK, ItemProgress, Outcome
from bundlekeeper.planning.route.check_plan import PlanVerdict, hold

_STEP = re.compile(r"step (\d+)")


@dataclass(frozen=True, slots=True)
class PlanRest:
    """The steps of a plan that are left, and the number that each has in the plan."""

    plan: Plan
    numbers: Sequence[int]


def rest_of(plan: Plan, work: PlannedWork, rows: Collection[ItemProgress], *, stuck: bool = True) -> PlanRest:
    """What is left of a plan: with what failed or did not answer, or, where `stuck` is False, without it. A server of
    which something was skipped is left out, with the reason."""
    wanted = OPEN | STUCK if stuck else OPEN
    skipped = {row.item.server: row.reason for row in rows if row.outcome is Outcome.SKIPPED and row.item.server}
    left = {(row.item.key, row.item.step) for row in rows if row.outcome in wanted and row.item.server not in skipped}
    rest = only(plan, work, left)
    named = {name for name, _ in plan.without}
    more = tuple((server, f"skipped: {reason}") for server, reason in skipped.items() if server not in named)
    return replace(rest, plan=replace(rest.plan, without=(*plan.without, *more)))


def only(plan: Plan, work: PlannedWork, parts: Collection[tuple[str, int]]) -> PlanRest:
    """The steps of a plan with only these parts, each a component's key and a step's number."""
    steps, numbers = [], []
    for step, name in zip(plan.steps, work.steps, strict=True):
        mine = [item for item in work.items if item.step == name]
        left = [item for item in mine if (item.key, item.step) in parts]
        if left:
            steps.append(step if len(left) == len(mine) else _part(step, left))
            numbers.append(name)
    return PlanRest(replace(plan, steps=tuple(steps)), numbers)


def _part(step: PlanStep, left: Sequence[WorkItem]) -> PlanStep:
    servers = tuple(dict.fromkeys(item.server for item in left if item.server))
    families = {item.family for item in left}
    return replace(
        step,
        servers=tuple(server for server in step.servers if server in servers) if servers else step.servers,
        components=tuple(item.key for item in left),
        digests=tuple(row for row in step.digests if row[0] in families),
    )


def judged(fleet: Fleet, rest: PlanRest, holdings: Holdings) -> PlanVerdict:
    """What the rules say of the rest, with the numbers of the plan. Raises InputError."""
    verdict = hold(fleet, rest.plan, holdings)
    numbers: Mapping[int, int] = dict(enumerate(rest.numbers, 1))
    named = _renaming(numbers)
    findings = tuple(named(finding) for finding in verdict.findings)
    about = tuple(named(finding) for finding in verdict.about_left_out)
    steps = tuple(replace(step, number=numbers[step.number]) for step in verdict.route.steps)
    return replace(
        verdict, findings=findings, about_left_out=about, route=replace(verdict.route, steps=steps, findings=findings)
    )


def _renaming(numbers: Mapping[int, int]) -> Callable[[Finding], Finding]:
    def put(text: str) -> str:
        return _STEP.sub(lambda match: f"step {numbers.get(int(match[1]), match[1])}", text)

    def named(found: Finding) -> Finding:
        return replace(found, subject=put(found.subject))

    return named
