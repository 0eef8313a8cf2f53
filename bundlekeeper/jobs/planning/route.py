"""A plan with everything that is told of it: its route, its windows, its ways back, and the document that keeps it.

Rules: a plan is made anew from its inputs each time, also where a document is read: nothing that a file says of
minutes, rules or ways back is ever told; what a plan was made from goes into its document whole.
"""

from __future__ import annotations

import shlex
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Finding, is_ok

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.model.route.document import RouteDocument
    from bundlekeeper.model.route.hand_plan import Plan
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.check_plan import HeldPlan
    from bundlekeeper.planning.route.types import NoRoute, Route
    from bundlekeeper.planning.route.way_back import WayBack
    from bundlekeeper.planning.windows.types import Timeline

PLAN_LIMIT = 64 * 1024 * 1024  # bytes
CAUTION = "The hardware maker's release notes, local change control and the site's safety rules stand above this plan."


@dataclass(frozen=True, slots=True)
class Options:
    """How the windows are asked for: the longest in minutes (None: as long as each step needs), servers at a time."""

    window_minutes: int | None = None
    per_cluster: int = 1


@dataclass(frozen=True, slots=True)
class PlannedRoute:
    """A route with its windows and ways back, and all that was found."""

    route: Route
    timeline: Timeline
    back: tuple[WayBack, ...]
    findings: tuple[Finding, ...]


def options_of(window: str | None, per_cluster: int) -> Options:
    """The options as the user wrote them: a span, or plain minutes. Raises InputError."""
    from bundlekeeper.formats.durations import seconds
    from bundlekeeper.model.route.document import MAX_PER_CLUSTER, MAX_WINDOW

    if per_cluster > MAX_PER_CLUSTER:
        raise InputError(f"at most {MAX_PER_CLUSTER} servers of one cluster can go at a time", hint="--per-cluster 1")
    if window is None:
        return Options(None, per_cluster)
    plain = window.strip()
    minutes = int(plain) if plain.isascii() and plain.isdigit() and len(plain) < 7 else seconds(plain) // 60
    if minutes < 1:
        raise InputError("a window is at least a minute long", hint="--window 4h, 90m, or 240 (minutes)")
    if minutes > MAX_WINDOW:
        raise InputError(f"a window is at most {MAX_WINDOW} minutes long", hint="leave --window away for no limit")
    return Options(minutes, per_cluster)


def find(
    given: Inputs, fleet: Fleet, domain: str, release: str, options: Options, now: datetime
) -> PlannedRoute | NoRoute:
    """The cheapest allowed way with its windows, or why there is none. Raises InputError."""
    from bundlekeeper.planning.route.find import route
    from bundlekeeper.planning.route.types import NoRoute

    found = route(fleet, domain, release, given.holdings, now)
    return found if isinstance(found, NoRoute) else scheduled(given, fleet, found, options)


def scheduled(given: Inputs, fleet: Fleet, route: Route, options: Options) -> PlannedRoute:
    """A route's windows and ways back. Raises InputError for a window that is too short."""
    from bundlekeeper.planning.route.room import room
    from bundlekeeper.planning.route.way_back import lost, ways_back
    from bundlekeeper.planning.windows.make import schedule

    times = schedule(fleet, route, options.window_minutes, options.per_cluster)
    back = ways_back(fleet, route, given.holdings)
    return PlannedRoute(
        route, times, back, (*given.findings, *route.findings, *room(fleet, route), *times.findings, *lost(back))
    )


def document(
    given: Inputs, domain: str, release: str, found: PlannedRoute | NoRoute, options: Options, made_at: datetime
) -> dict[str, Any]:
    """The whole plan and what it was made from, as its file holds it."""
    import bundlekeeper
    from bundlekeeper.model.route.document import SCHEMA, inventory_facts, manifest_facts

    head = given.head
    inputs = {
        "manifest": manifest_facts(given.manifest, given.manifest_sha256),
        "inventory": {"from": given.origin, **inventory_facts(given.inventory, domain)},
        "ledger": {"book": head.book, "events": head.count, "head": head.digest} if head is not None else None,
    }
    planned = found if isinstance(found, PlannedRoute) else None
    return {
        "schema": SCHEMA,
        "ok": is_ok((*given.findings, *found.findings)),
        "findings": [f.as_json() for f in (found.findings if planned else (*given.findings, *found.findings))],
        "made_at": made_at.isoformat(timespec="seconds"),
        "made_by": f"bundlekeeper {bundlekeeper.__version__}",
        "domain": domain,
        "release": release,
        "options": asdict(options),
        **given.about(),
        "route": plain(planned.route) if planned else None,
        "no_route": None if planned else plain(found),
        "timeline": plain(planned.timeline) if planned else None,
        "ways_back": [plain(way) for way in planned.back] if planned else [],
        "caution": CAUTION,
        "inputs": inputs,
    }


def plain(value: Any) -> dict[str, Any]:  # noqa: ANN401  (any of planning's values)
    """One of planning's values as JSON has it, without its findings, which are told once."""
    rows = asdict(value)
    for told in ("findings", "told"):
        rows.pop(told, None)
    return rows


def read_plan_file(name: str) -> RouteDocument | Plan:
    """A route document, or a plan that a person wrote. Raises InputError, UnfinishedError."""
    from bundlekeeper.jobs.inputs import read_bounded
    from bundlekeeper.model.route.document import read_document
    from bundlekeeper.model.route.hand_plan import read_plan

    data = read_bounded(name, PLAN_LIMIT, "the plan")
    found = read_document(data, name)
    if found is not None:
        return found
    form = "json" if data.lstrip(b" \t\r\n").startswith(b"{") else "toml"
    return read_plan(data, name=name, form=form)


def insist_unchanged(given: Inputs, read: RouteDocument, name: str) -> None:
    """Refuse a document whose inputs are not what they were. Raises RefusedError with every difference."""
    from bundlekeeper.model.route.document import differences, inventory_facts, manifest_facts

    now = {
        "manifest": manifest_facts(given.manifest, given.manifest_sha256),
        "inventory": inventory_facts(given.inventory, read.plan.domain),
    }
    found = differences(read.inputs, now)
    if found:
        says = "the route was made from other inputs than there are now"
        over = f" --out {shlex.quote(name)} --force" if name != "-" else ""
        hint = f"bundlekeeper route {read.plan.domain} --to {read.plan.release}{over} makes it anew"
        raise RefusedError(says, hint=hint, where=name, problems=found)


def held(given: Inputs, fleet: Fleet, plan: Plan) -> HeldPlan:
    """Hold a plan against the rules. Raises InputError for a name that manifest or inventory do not have."""
    from bundlekeeper.planning.route.check_plan import hold

    return hold(fleet, plan, given.holdings)
