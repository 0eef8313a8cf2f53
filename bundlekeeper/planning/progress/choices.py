"""What the rules leave after a failure: try again, go on without it, go back, each judged as a plan is.

Rules: going on without a component leaves its whole server out, since rules hold for servers; going back is judged by
the ways back of the step, as from the state before it; how long it takes is assumed, as long as going there took; what
the rules forbid is listed with the rule, never left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.model.inventory.types import Inventory
from bundlekeeper.model.route.hand_plan import Plan
from bundlekeeper.model.route.planned_work import PlannedWork
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.progress.played import running
from bundlekeeper.planning.progress.rest import PlanRest, judged, only
from bundlekeeper.planning.progress.types import OPEN, STUCK, Choice, ItemProgress, Outcome
from bundlekeeper.planning.route.check_plan import PlanVerdict
from bundlekeeper.planning.route.way_back import WayBack, ways_back
from bundlekeeper.planning.windows.left import schedule_left

_MOVED = frozenset({Outcome.DONE, Outcome.NOT_READ_BACK})


@dataclass(frozen=True, slots=True)
class Ground:
    """What a plan is judged on: the fleet as it is, the plan, its work, and what is in the store."""

    fleet: Fleet
    inventory: Inventory
    plan: Plan
    work: PlannedWork
    holdings: Holdings


def to_decide(ground: Ground, rows: Sequence[ItemProgress]) -> tuple[ItemProgress, ...]:
    """The parts that somebody must decide about: those that failed or did not answer, and those that were left out
    where the rules forbid what is left without them."""
    stuck = tuple(row for row in rows if row.outcome in STUCK)
    skipped = tuple(row for row in rows if row.outcome is Outcome.SKIPPED)
    left = [row for row in rows if row.outcome in OPEN]
    if skipped and left and forbids(judged(ground.fleet, only(ground.plan, ground.work, _parts([*stuck, *left])),
                                           ground.holdings)):  # fmt: skip
        return (*stuck, *skipped)
    return stuck


def choices(ground: Ground, rows: Sequence[ItemProgress], stuck: Sequence[ItemProgress]) -> tuple[Choice, ...]:
    """The ways to go on with the parts `stuck`; none where there is none of them."""
    if not stuck:
        return ()
    left = [row for row in rows if row.outcome in OPEN]
    return (_again(ground, stuck, left), _without(ground, stuck, left), *_back(ground, stuck, rows))


def forbids(verdict: PlanVerdict) -> tuple[Finding, ...]:
    """What forbids the steps of a plan: rules, and facts of its steps that are not known."""
    return tuple(
        found
        for found in verdict.findings
        if found.subject.startswith("step ")
        and found not in verdict.about_left_out
        and (found.code == "not-checked" or (found.level is Level.ERROR and found.code != "not-in-store"))
    )


def _parts(rows: Sequence[ItemProgress]) -> set[tuple[str, int]]:
    return {(row.item.key, row.item.step) for row in rows}


def _again(ground: Ground, stuck: Sequence[ItemProgress], left: Sequence[ItemProgress]) -> Choice:
    rest = only(ground.plan, ground.work, _parts([*stuck, *left]))
    names = some(list(dict.fromkeys(row.item.key for row in stuck)), 3)
    minutes = _minutes(ground, stuck)
    number = min((row.item.window for row in left if row.item.window), default=0)
    until = f"before window {number}" if number else ""
    return Choice(
        "again", f"try again on {names}", minutes, until, forbids(judged(ground.fleet, rest, ground.holdings))
    )


def _minutes(ground: Ground, rows: Sequence[ItemProgress]) -> int:
    """How long the parts take in windows of their own, with all that belongs to them."""
    route = judged(ground.fleet, only(ground.plan, ground.work, _parts(rows)), ground.holdings).route
    return schedule_left(ground.fleet, route, ground.work, {}).makespan


def without(ground: Ground, keys: set[str], left: Sequence[ItemProgress]) -> PlanRest:
    """The rest of a plan without some components, and without the servers that they are in."""
    servers = {item.server for key in keys for item in ground.work.of[key] if item.server}
    rows = [row for row in left if row.item.key not in keys and row.item.server not in servers]
    rest = only(ground.plan, ground.work, _parts(rows))
    named = {name for name, _ in rest.plan.without}
    known = {server.key for server in ground.fleet.state(ground.plan.domain).servers}
    more = tuple((server, "its activation failed") for server in sorted(servers & known - named))
    return replace(rest, plan=replace(rest.plan, without=(*rest.plan.without, *more)))


def _without(ground: Ground, stuck: Sequence[ItemProgress], left: Sequence[ItemProgress]) -> Choice:
    keys = {row.item.key for row in stuck}
    against = forbids(judged(ground.fleet, without(ground, keys, left), ground.holdings))
    servers = {row.item.server for row in stuck if row.item.server}
    what = counted(len(servers), "server") if servers else counted(len(keys), "component")
    text = f"go on without {what}: the release is not reached there"
    return Choice("without", text, None, "", tuple(_in_windows(ground, against)))


def _in_windows(ground: Ground, found: Sequence[Finding]) -> Iterator[Finding]:
    """The findings with the first window of the step that they are about."""
    for row in found:
        number = row.subject.removeprefix("step ")
        window = next((w.number for w in ground.work.windows if str(w.step) == number), 0)
        yield replace(row, message=f"window {window}: {row.message}") if window else row


def _back(ground: Ground, stuck: Sequence[ItemProgress], rows: Sequence[ItemProgress]) -> Iterator[Choice]:
    """Going back by the step of the first part that failed, for all that it moved."""
    step = min(row.item.step for row in stuck)
    mine = [row for row in rows if row.item.step == step]
    same = ground.fleet.manifest_index.scale
    moved = [
        row for row in mine
        if row.outcome in _MOVED or (row.runs and not same(row.item.kind).same(row.runs, row.item.start))
    ]  # fmt: skip
    if not moved:
        return
    later = [row for row in rows if row.item.step > step and row.outcome in _MOVED]
    ways = _ways(ground, step)
    keys = {row.item.key for row in moved}
    ways = [way for way in ways if keys & set(way.keys)]
    starts = list(dict.fromkeys(row.item.start or "?" for row in moved))
    text = f"go back to {some(starts, 3)} on {counted(len(keys), 'component')}"
    minutes = ground.work.window(stuck[0].item.window).minutes if stuck[0].item.window else None
    until = next((f"until {way.until}" for way in ways if way.exists and way.until), "")
    yield Choice("back", text, minutes, until, tuple(_against_back(ways, later)))


def _ways(ground: Ground, step: int) -> list[WayBack]:
    """The ways back of a step, from the state before it; its later steps count for how long they last."""
    before: dict[str, str] = {}
    for item in ground.work.items:
        if item.step >= step and item.start:
            before.setdefault(item.key, item.start)
    inventory = running(ground.inventory, ground.plan.domain, before)
    fleet = Fleet(ground.fleet.manifest_index.manifest, inventory)
    parts = {(item.key, item.step) for item in ground.work.items if item.step >= step}
    rest = only(ground.plan, ground.work, parts)
    route = judged(fleet, rest, ground.holdings).route
    return [way for way in ways_back(fleet, route, ground.holdings) if way.step == step]


def _against_back(ways: Sequence[WayBack], later: Sequence[ItemProgress]) -> Iterator[Finding]:
    if later:
        message = f"window {later[0].item.window} has begun: go back from there first"
        yield finding("no-way-back", f"step {later[0].item.step}", message)
    for way in ways:
        subject = f"{way.kind} {way.model}".strip()
        if not way.exists or not way.known:
            yield finding("no-way-back", subject, f"{subject}: {way.how}", level=Level.ERROR)
        elif way.means != "none" and way.allowed is not True:
            yield finding("no-way-back", subject, f"{subject}: {way.rule}", level=Level.ERROR)
