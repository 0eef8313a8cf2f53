"""Routes as maintenance windows: each step's real actions, in windows of a length that the user gives.

Rules: a step is never in a window with another; steps keep the route's order; what belongs together (a side of the
infrastructure, a server) is done in one window; domains of one `separate_windows` set are never in one round, nor are
domains whose servers share a cluster, or may, where either restarts servers of it or paths to them; a step that may not
be done so has no windows, nor has any step of its domain after it. What may go side by side is planned side by side, up
to the pieces of work that may go on at a site at a time. Staging has no effect yet: it stands before its window, and
takes none of its minutes, unless something must be removed first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import field, replace
from functools import partial

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import some
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.route.dated_windows import DatedWindow, called, spoken, windows_at
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import near
from bundlekeeper.planning.route.types import Route
from bundlekeeper.planning.windows.infrastructure_actions import Draft, Lead, infrastructure
from bundlekeeper.planning.windows.real import Laid, Track, lay, lengths_of
from bundlekeeper.planning.windows.rounds import WindowLoad, rounds
from bundlekeeper.planning.windows.schedule import (
    Limits,
    Placed,
    WorkPiece,
    hands_of,
    lower_bound,
    minutes_of,
    pack,
)
from bundlekeeper.planning.windows.server_actions import clusters_of, servers
from bundlekeeper.planning.windows.types import PATHS, VERBS, Action, Timeline, Window

__all__ = ["VERBS", "Action", "Timeline", "schedule", "schedule_all"]

_SPLIT = "split the policy first, or plan these domains one after the other"


@dataclass(slots=True)
class _Plan:
    """One domain's windows before they are in rounds."""

    domain: str
    apart: tuple[str, ...]
    sets: frozenset[int]
    clusters: frozenset[str | None]  # of its servers; None where one is not known
    windows: list[Laid] = field(default_factory=list)
    bound: int = 0
    limits: Limits = field(default_factory=Limits)


def schedule(
    fleet: Fleet,
    route: Route,
    length: int | None = None,
    per_cluster: int = 1,
    *,
    parallel: Mapping[str, int] | None = None,
    dated: Sequence[DatedWindow] = (),
) -> Timeline:
    """One domain's route in windows of at most `length` minutes (None: as long as each step needs), or in those of
    `dated` that are at its site, in their order; of a domain at several sites in the times that all of them have.

    Raises InputError as `schedule_all` does, and where the real windows are too few.
    """
    return schedule_all(fleet, (route,), length, per_cluster, parallel=parallel, dated=dated)


def schedule_all(
    fleet: Fleet,
    routes: Sequence[Route],
    length: int | None = None,
    per_cluster: int = 1,
    *,
    parallel: Mapping[str, int] | None = None,
    dated: Sequence[DatedWindow] = (),
) -> Timeline:
    """Routes of several domains in rounds of windows, at most `per_cluster` servers of one cluster at a time, and at
    each site as many pieces of work as `parallel` has for it (under the empty name for any other site). With `dated`
    they are laid into these real windows, which the domains of a site share; a round is those that begin together.

    Raises InputError, naming the shortest length that would do, where pieces of work are longer than `length` or every
    window of their site; where `per_cluster` is less than one; for two routes of one domain; and where the real windows
    of a site are none or too few.
    """
    if per_cluster < 1:
        raise InputError("at least one server of a cluster must be worked on at a time", hint="--per-cluster 1")
    if len({r.domain for r in routes}) < len(routes):
        raise InputError("two routes of one domain cannot be in one timeline", hint="one release for each domain")
    own_findings: dict[str, tuple[Finding, ...]] = {}
    unplanned: list[tuple[str, int]] = []
    drafts = []
    for route in routes:
        rows = drafts_of(fleet, route, per_cluster)
        own_findings[route.domain] = tuple(dict.fromkeys(f for draft in rows for f in draft.findings))
        good = next((n for n, draft in enumerate(rows) if draft.refused), len(rows))
        unplanned += [(route.domain, step.number) for step in route.steps[good:]]
        drafts.append((route, rows[:good]))
    plans, order = _laid(fleet, drafts, Limits(length, per_cluster), parallel or {}, dated)
    chains = [[_load(plan, pieces, rows) for _, pieces, rows, _ in plan.windows] for plan in plans]
    windows = tuple(_windows(plans, order if dated else rounds(chains)))
    for found, whose in _clashes(drafts):
        own_findings |= {domain: (*own_findings[domain], found) for domain in whose}
    findings = dict.fromkeys(f for rows in own_findings.values() for f in rows)
    findings |= dict.fromkeys(_between(fleet, plans, chains))
    longest: dict[int, int] = {}
    for window in windows:
        longest[window.round] = max(longest.get(window.round, 0), window.minutes)
    makespan = sum(longest.values())
    return Timeline(windows, makespan, _bound(plans), tuple(findings), tuple(unplanned), own_findings)


def _laid(
    fleet: Fleet,
    drafts: Sequence[tuple[Route, Sequence[Draft]]],
    limits: Limits,
    parallel: Mapping[str, int],
    dated: Sequence[DatedWindow],
) -> tuple[list[_Plan], list[list[int]]]:
    """The windows of each domain, and of real ones which domains are in each."""
    sites = [sites_of(fleet, route.domain) for route, _ in drafts]
    real = _insist_on_windows([of for of, (_, rows) in zip(sites, drafts, strict=True) if rows], dated) if dated else []
    lengths = lengths_of(real)
    plans, tracks = [], []
    for of, (route, rows) in zip(sites, drafts, strict=True):
        site = called(of)
        own = with_hands(replace(limits, lengths=lengths.get(site, ())), parallel)
        _fit([piece for draft in rows for piece in draft.pieces], own, site)
        plans.append(_plan(fleet, route, rows, own))
        steps = [(step.number, draft.pieces) for step, draft in zip(route.steps, rows, strict=False) if draft.pieces]
        tracks.append(Track(route.domain, site, own, steps, partial(_load, plans[-1])))
    order = lay(tracks, real) if dated else []
    for plan, track in zip(plans, tracks, strict=True):
        plan.windows = track.windows if dated else _packed(track)
    return plans, order


def _insist_on_windows(sites: Sequence[tuple[str, ...]], dated: Sequence[DatedWindow]) -> list[DatedWindow]:
    """The windows of each of these places, of one or more sites. Raises InputError where one has none."""
    rows = {of: windows_at(dated, of) for of in sites}
    given = {window.site for window in dated}
    if lacking := [site for site in dict.fromkeys(site for of in sites for site in of) if site not in given]:
        raise InputError(f"no window is at site {some(lacking)}", hint=f"it has {some(sorted(given))}")
    if apart := [called(of) for of, windows in rows.items() if not windows]:
        message = f"a domain is at the sites {apart[0]}, which have no window at the same time"
        raise InputError(message, hint="add windows of these sites that overlap: its work needs them all")
    return [window for windows in rows.values() for window in windows]


def with_hands(limits: Limits, parallel: Mapping[str, int]) -> Limits:
    """The limits with so many pieces of work at a time at each site, the empty name being any other one."""
    named = tuple(sorted((site, number) for site, number in parallel.items() if site))
    return replace(limits, parallel=parallel.get(""), at_sites=named)


def drafts_of(fleet: Fleet, route: Route, per_cluster: int) -> list[Draft]:
    """The pieces of work of each step of a route, in no window yet."""
    state = fleet.state(route.domain)
    at = {name: component.site for component in fleet.components(route.domain)
          for name in (component.key, component.parent) if name}  # fmt: skip
    everywhere = sites_of(fleet, route.domain)
    rows = []
    edited: set[str] = set()
    lead = Lead()
    for step in route.steps:
        draft = Draft(fleet.manifest_index, route.domain)
        if step.what == INFRASTRUCTURE:
            lead = infrastructure(fleet, state, step, draft, lead)
        else:
            edited |= servers(fleet, state, step, per_cluster, draft, edited)
        draft.pieces = [replace(_staged_before(piece), sites=_sites(piece, at) or everywhere) for piece in draft.pieces]
        rows.append(draft)
    return rows


def _sites(piece: WorkPiece, at: Mapping[str, str]) -> tuple[str, ...]:
    """The sites of the components and servers that a piece works on."""
    return tuple(sorted({at[action.key] for action in piece.actions if action.key in at}))


def _staged_before(piece: WorkPiece) -> WorkPiece:
    """The piece with its staging before the window, and what follows it in the piece so much earlier.

    What needs something removed first stays where it is.
    """
    removed = {action.key for action in piece.actions if action.verb == "remove"}
    moved = [action for action in piece.actions if action.verb == "stage" and action.key not in removed]
    if not moved:
        return piece
    of_servers = bool(piece.clusters) or piece.alone  # their hosts go side by side, each one's actions in turn

    def thread(action: Action) -> str:
        return action.subject.split(": ")[0] if of_servers else ""

    rows = []
    for action in piece.actions:
        if action in moved:
            rows.append(replace(action, start=-action.minutes))
        else:
            ahead = [m for m in moved if thread(m) == thread(action) and m.end <= action.start]
            rows.append(replace(action, start=action.start - sum(m.minutes for m in ahead)))
    return replace(piece, actions=tuple(rows))


def sites_of(fleet: Fleet, domain: str) -> tuple[str, ...]:
    """Where the components of a domain are, mostly one site."""
    return tuple(sorted({component.site for component in fleet.components(domain)}))


def _fit(pieces: Iterable[WorkPiece], limits: Limits, site: str) -> None:
    """Refuse a length that some piece does not fit; all of them are named."""
    length = limits.longest
    if length is None or not (long := [piece for piece in pieces if piece.minutes > length]):
        return
    least = max(piece.minutes for piece in long)
    worst = next(piece for piece in long if piece.minutes == least)
    message = f"a window of {length} minutes is too short for {worst.subject}: it takes {least}"
    problems = (
        Finding("bad-value", Level.ERROR, piece.subject, f"takes {piece.minutes} minutes, which no window has")
        for piece in long
    )
    hint = f"--window {least}m or longer"
    if limits.lengths:
        hint = f"that is the longest at {spoken(site)}: one of {least} minutes or more is needed"
    raise InputError(message, hint=hint, problems=list(dict.fromkeys(problems)))


def _plan(fleet: Fleet, route: Route, drafts: Sequence[Draft], limits: Limits) -> _Plan:
    sets, apart = apart_of(fleet, route.domain)
    of_server = fleet.manifest_index.is_of_server
    clusters = {component.cluster for component in fleet.components(route.domain) if of_server(component.kind)}
    return _Plan(
        route.domain,
        apart,
        sets,
        frozenset(clusters - {""}),
        bound=sum(lower_bound(draft.pieces, limits) for draft in drafts),
        limits=limits,
    )


def apart_of(fleet: Fleet, domain: str) -> tuple[frozenset[int], tuple[str, ...]]:
    """The sets of `separate_windows` that a domain is in, by number, and the other domains that they name."""
    sets = frozenset(n for n, row in enumerate(fleet.inventory.separate_windows) if domain in row.domains)
    named = {other for n in sets for other in fleet.inventory.separate_windows[n].domains} - {domain}
    return sets, tuple(sorted(named))


def _packed(track: Track) -> list[Laid]:
    """The windows of a domain where none has a date."""
    return [(step, pieces, rows, None) for step, pieces in track.steps for rows in pack(pieces, track.limits)]


def _windows(plans: Sequence[_Plan], order: Sequence[Sequence[int]]) -> Iterable[Window]:
    """The windows, `order` being which plans open their next one in each round."""
    at = [0] * len(plans)
    number = 0
    for round_, open_ in enumerate(order, 1):
        for i in sorted(open_):
            plan = plans[i]
            step, pieces, rows, dated = plan.windows[at[i]]
            at[i] += 1
            number += 1
            actions = [
                replace(action, start=start + action.start if action.start >= 0 else action.start, window=number)
                for n, start in rows
                for action in pieces[n].actions
            ]
            actions.sort(key=lambda a: a.start)
            minutes = minutes_of(pieces, rows)
            yield Window(number, step, tuple(actions), minutes, plan.apart, plan.domain, round_, dated)


def _load(plan: _Plan, pieces: Sequence[WorkPiece], rows: Sequence[Placed]) -> WindowLoad:
    mine = [pieces[n] for n, _ in rows]
    of_paths = any(action.down in PATHS for piece in mine for action in piece.actions)
    present = frozenset(cluster for cluster in plan.clusters if cluster is not None)
    lone = any(piece.alone for piece in mine) or (of_paths and None in plan.clusters)
    clusters = clusters_of(mine) | (present if of_paths else frozenset())
    limits, hands = plan.limits, []
    if limits.at_sites or limits.parallel is not None:
        for site in dict.fromkeys(site for piece in mine for site in piece.sites):
            most = dict(limits.at_sites).get(site, limits.parallel)
            hands += [(site, hands_of(pieces, rows, site), most)] if most is not None else []
    minutes, busy = minutes_of(pieces, rows), lone or bool(clusters)
    return WindowLoad(minutes, plan.sets, clusters, busy, lone, present, tuple(hands))


def _bound(plans: Sequence[_Plan]) -> int:
    """No schedule is shorter than one domain's work, nor than that of all domains of one `separate_windows` set."""
    sets: dict[int, int] = {}
    for plan in plans:
        for n in plan.sets:
            sets[n] = sets.get(n, 0) + plan.bound
    return max([0, *(p.bound for p in plans), *sets.values()])


def _between(fleet: Fleet, plans: Sequence[_Plan], chains: Sequence[Sequence[WindowLoad]]) -> Iterator[Finding]:
    """What is to be reported of several domains in one timeline.

    A `separate_windows` set that names a domain which the inventory lacks keeps nobody apart from it. That servers
    whose cluster is not known keep domains apart is reported once for all.
    """
    if len(plans) < 2:
        return
    yield from _misnamed(fleet, {plan.domain for plan in plans})
    lone = [plan.domain for plan, loads in zip(plans, chains, strict=True) if any(load.lone for load in loads)]
    if lone:
        message = "servers whose cluster is not known: while they or their paths restart, no other domain's do"
        hint = (
            "list the cluster of each component in the inventory, - where there is none: without, there are many rounds"
        )
        yield finding("not-checked", some(lone), message, hint, level=Level.WARNING)


def _clashes(drafts: Sequence[tuple[Route, Sequence[Draft]]]) -> Iterator[tuple[Finding, tuple[str, ...]]]:
    """A policy that domains want at different versions, with those domains.

    It names one version at a time, for all servers that it touches: the domain that edits it later moves the others'
    servers too.
    """
    wanted: dict[tuple[str, object], dict[str, dict[str, None]]] = {}
    for route, rows in drafts:
        for use in (use for draft in rows for use in draft.uses):
            wanted.setdefault((use.name, use.scopes), {}).setdefault(use.wanted, {})[route.domain] = None
    for (name, _), asked in wanted.items():
        whose = tuple(dict.fromkeys(domain for domains in asked.values() for domain in domains))
        if len(asked) > 1 and len(whose) > 1:
            words = "; ".join(f"{version} for {some(list(domains))}" for version, domains in asked.items())
            message = f"names one version at a time, and should name {words}: the last one reaches all of them"
            yield finding("policy-shared", f"policy {name}", message, _SPLIT, level=Level.ERROR), whose


def _misnamed(fleet: Fleet, planned: set[str]) -> Iterator[Finding]:
    known = set(fleet.domains)
    for apart in fleet.inventory.separate_windows:
        if lacking := [domain for domain in apart.domains if domain not in known]:
            if planned.isdisjoint(apart.domains):
                continue
            message = f"the inventory has no domain {some(lacking)}: no domain is kept out of its windows"
            subject = f"separate_windows {some(list(apart.domains))}"
            yield finding("not-checked", subject, message, near(lacking[0], fleet.domains), level=Level.WARNING)
