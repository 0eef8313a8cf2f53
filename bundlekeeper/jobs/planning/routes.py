"""Several domains on their way to one release: a route for each, and one timeline of rounds for all of them.

Rules: what stands in one domain's way stops no other; a name that is wrong stops the command before anything is
planned; a domain's own findings carry its name; parts that no domain holds are told, never silently left out.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.answers.route import put
from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.jobs.planning import route as plan_route
from bundlekeeper.planning.route.types import NoRoute, Route

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.jobs.planning.route import Options
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.way_back import WayBack
    from bundlekeeper.planning.windows.types import Timeline, Window


@dataclass(frozen=True, slots=True)
class PlannedDomain:
    """One domain's way with its ways back and its own findings."""

    name: str
    found: Route | NoRoute
    back: tuple[WayBack, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Many:
    """All domains; `shared` are the findings that belong to none of them alone."""

    release: str
    domains: tuple[PlannedDomain, ...]
    timeline: Timeline
    shared: tuple[Finding, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything that was found, once."""
        rows = (*self.shared, *(f for domain in self.domains for f in domain.findings))
        return tuple(dict.fromkeys(rows))


def named(fleet: Fleet, names: Sequence[str], site: str) -> tuple[str, ...]:
    """The domains to plan: the named ones, else all, or all at the site. Raises InputError with every wrong name."""
    from bundlekeeper.planning.fleet.manifest_index import near

    problems = []
    for name in dict.fromkeys(names):
        if name not in fleet.domains:
            hint = near(name, fleet.domains)
            problems.append(
                finding("not-checked", name, "the inventory has no domain of that name", hint, level=Level.ERROR)
            )
        elif names.count(name) > 1:
            problems.append(
                finding("not-checked", name, "named more than once", "name each domain once", level=Level.ERROR)
            )
    if problems:
        raise InputError("not every domain that is named can be planned", problems=problems)
    if names:
        return tuple(names)
    if not fleet.domains:
        raise InputError("the inventory lists no domain", hint="bundlekeeper inventory load FILE, or --inventory")
    sites: dict[str, dict[str, None]] = {}
    for part in fleet.inventory.components:
        if part.domain:
            sites.setdefault(part.site, {})[part.domain] = None
    if site and site not in sites:
        raise InputError(f"the inventory has no site {site!r} with a domain", hint=near(site, sites))
    return tuple(sites[site]) if site else fleet.domains


def find(given: Inputs, fleet: Fleet, names: Iterable[str], release: str, options: Options, now: datetime) -> Many:
    """The cheapest allowed way of each domain, in one timeline.

    Raises InputError for an unknown release, and for a window that is too short.
    """
    from bundlekeeper.planning.route.find import route
    from bundlekeeper.planning.route.room import room
    from bundlekeeper.planning.route.way_back import lost, ways_back
    from bundlekeeper.planning.windows.make import schedule_all

    ways = [route(fleet, name, release, given.holdings, now) for name in names]
    routes = [way for way in ways if isinstance(way, Route)]
    times = schedule_all(fleet, routes, options.window_minutes, options.per_cluster)
    domains = []
    for way in ways:
        back = ways_back(fleet, way, given.holdings) if isinstance(way, Route) else ()
        full = room(fleet, way) if isinstance(way, Route) else ()
        rows = (*way.findings, *full, *times.told.get(way.domain, ()), *lost(back))
        domains.append(PlannedDomain(way.domain, way, back, tuple(dict.fromkeys(_of(way.domain, row) for row in rows))))
    own = {row for rows in times.told.values() for row in rows}
    joint = tuple(row for row in times.findings if row not in own)
    return Many(release, tuple(domains), times, (*given.findings, *joint))


def left_out(fleet: Fleet) -> tuple[Finding, ...]:
    """What is to be told of parts that stand in no domain, where all domains are planned."""
    number = sum(not part.domain for part in fleet.inventory.components)
    if not number:
        return ()
    says = "in no domain, so in no route"
    return (finding("not-checked", counted(number, "part"), says, "bundlekeeper where names them", level=Level.NOTE),)


def _of(domain: str, row: Finding) -> Finding:
    """A finding that says whose it is."""
    is_told = row.subject in ("manifest", domain) or row.subject.startswith(f"{domain}: ")
    return row if is_told else replace(row, subject=f"{domain}: {row.subject}")


def write_json(given: Inputs, found: Many, options: Options, made_at: datetime) -> None:
    """Print all as JSON, domain by domain: the windows of a fleet are never held twice."""
    import bundlekeeper

    times = found.timeline
    findings = found.findings
    data = {
        "made_at": made_at.isoformat(timespec="seconds"),
        "made_by": f"bundlekeeper {bundlekeeper.__version__}",
        "release": found.release,
        "options": asdict(options),
        **given.about(),
        "timeline": {"makespan": times.makespan, "lower_bound": times.lower_bound, "unplanned": times.unplanned},
        "rounds": [
            {
                "round": number,
                "minutes": max(w.minutes for w in rows),
                "windows": [{"number": w.number, "domain": w.domain, "step": w.step} for w in rows],
            }
            for number, rows in _rounds(times).items()
        ],
        "caution": plan_route.CAUTION,
    }
    at = {row: place for place, row in enumerate(findings)}
    windows: dict[str, list[Window]] = {}
    for window in times.windows:
        windows.setdefault(window.domain, []).append(window)
    rows = (_row(domain, windows.get(domain.name, ()), times, at) for domain in found.domains)
    output.write_json_rows(output.enveloped("route", findings, data), "routes", rows)


def _row(domain: PlannedDomain, windows: Iterable[Window], times: Timeline, at: dict[Finding, int]) -> dict[str, Any]:
    is_way = isinstance(domain.found, Route)
    return {
        "domain": domain.name,
        "findings": [at[row] for row in domain.findings],
        "route": plan_route.plain(domain.found) if is_way else None,
        "no_route": None if is_way else plan_route.plain(domain.found),
        "windows": [asdict(window) for window in windows],
        "unplanned": [step for name, step in times.unplanned if name == domain.name],
        "ways_back": [asdict(way) for way in domain.back],
    }


def _rounds(times: Timeline) -> dict[int, list[Window]]:
    rows: dict[int, list[Window]] = {}
    for window in times.windows:
        rows.setdefault(window.round, []).append(window)
    return rows


def tell(found: Many, options: Options) -> None:
    """Print the rounds, each domain in short, what is wrong once for all that have it, and where the detail is."""
    times = found.timeline
    ways = [d for d in found.domains if isinstance(d.found, Route)]
    put(
        f"{counted(len(found.domains), 'domain')} to {found.release}: "
        f"{len(ways)} have a way, {len(found.domains) - len(ways)} not"
    )
    for number, windows in _rounds(times).items():
        here = ", ".join(f"{w.domain} (step {w.step})" for w in windows)
        put(f"round {number}: {max(w.minutes for w in windows)} minutes: {here}")
    rounds: dict[str, list[int]] = {}
    for window in times.windows:
        rounds.setdefault(window.domain, []).append(window.round)
    unplanned: dict[str, list[int]] = {}
    for name, step in times.unplanned:
        unplanned.setdefault(name, []).append(step)
    for domain in found.domains:
        _tell(domain, rounds.get(domain.name, ()), unplanned.get(domain.name, ()))
    output.findings_text((*_grouped(found.domains), *found.shared))
    put(
        f"{times.rounds} rounds, {len(times.windows)} windows, {times.makespan} minutes in all; no order of this work "
        f"takes less than {times.lower_bound}"
    )
    words = ["bundlekeeper", "route", found.domains[0].name, "--to", found.release]
    words += ["--window", str(options.window_minutes)] if options.window_minutes is not None else []
    words += ["--per-cluster", str(options.per_cluster)] if options.per_cluster != 1 else []
    put(f"each domain in full, and its file, one at a time: {shlex.join(words)}")
    put(plan_route.CAUTION)


def _tell(domain: PlannedDomain, rounds: Sequence[int], unplanned: Sequence[int]) -> None:
    found = domain.found
    if isinstance(found, NoRoute):
        put(f"{domain.name}: no allowed way was found; nearest that can be reached: {found.nearest or 'none'}")
        return
    counts = [(sum(f.level is level for f in domain.findings), level.value) for level in Level]
    told = ", ".join(f"{number} {word}{'s' * (number > 1)}" for number, word in counts if number)
    steps = (
        f"{counted(len(found.steps), 'step')}, {counted(found.cost[1], 'server restart')}"
        if found.steps
        else "runs that release already"
    )
    when = f"; rounds {_ranges(rounds)}" if rounds else ""
    put(f"{domain.name}: {steps}{when}{f'; {told}' if told else ''}")
    for step in unplanned:
        put(f"step {step}: no windows: what forbids them, in it or an earlier one, is told below", 2)


def _grouped(domains: Iterable[PlannedDomain]) -> Iterator[Finding]:
    """Errors, and all that is found of a domain without a way; what domains have in common is told once, for all."""
    found: dict[Finding, list[str]] = {}
    for domain in domains:
        for row in domain.findings:
            if row.level is Level.ERROR or isinstance(domain.found, NoRoute):
                own = f"{domain.name}: "
                subject = "" if row.subject == domain.name else row.subject.removeprefix(own)
                found.setdefault(replace(row, subject=subject), []).append(domain.name)
    for row, names in found.items():
        whose = some(names)
        is_all = row.subject == "manifest"
        yield row if is_all else replace(row, subject=f"{whose}: {row.subject}" if row.subject else whose)


def _ranges(numbers: Sequence[int]) -> str:
    """Rising numbers for people: `1, 3-6`."""
    rows: list[list[int]] = []
    for number in numbers:
        if rows and rows[-1][1] == number - 1:
            rows[-1][1] = number
        else:
            rows.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in rows)
