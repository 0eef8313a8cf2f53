"""Several domains on their way to one release: a route for each, and one timeline of rounds for all of them.

Rules: what blocks one domain stops no other; a name that is wrong stops the command before anything is
planned; a domain's own findings carry its name; components that are in no domain are reported, never silently left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs, read_inputs
from bundlekeeper.jobs.planning.route import Options, Without, dated_windows, insist_on_sites, plain
from bundlekeeper.jobs.session import Session
from bundlekeeper.planning.route.types import NoRoute, Route

if TYPE_CHECKING:
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.way_back import WayBack
    from bundlekeeper.planning.windows.types import Timeline, Window

AT_RELEASE, READY, WITH_ERRORS, WITHOUT = VERDICTS = ("at the release", "ready", "with errors", "without a route")


@dataclass(frozen=True, slots=True)
class PlannedDomain:
    """One domain's route with its ways back and its own findings."""

    name: str
    found: Route | NoRoute
    back: tuple[WayBack, ...]
    findings: tuple[Finding, ...]

    @property
    def way(self) -> Route | None:
        """The route; None where there is none."""
        return self.found if isinstance(self.found, Route) else None

    @property
    def about_left_out(self) -> tuple[Finding, ...]:
        """What is reported of the servers that its route leaves out."""
        from bundlekeeper.planning.route.types import left_out_findings

        rows = () if self.way is None else left_out_findings(self.way.left_out)
        return tuple(_of(self.name, row) for row in rows)

    @property
    def nearest(self) -> str:
        """Where there is no way, the nearest release that can be reached; empty for none."""
        return self.found.nearest if isinstance(self.found, NoRoute) else ""


@dataclass(frozen=True, slots=True)
class DomainsTogether:
    """All domains, and what they were made from; `shared` are the findings that belong to none of them alone."""

    given: Inputs
    options: Options
    release: str
    domains: tuple[PlannedDomain, ...]
    timeline: Timeline
    shared: tuple[Finding, ...]
    made_at: datetime

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything that was found, once."""
        rows = (*self.shared, *(f for domain in self.domains for f in domain.findings))
        return tuple(dict.fromkeys(rows))

    @property
    def counts(self) -> dict[str, int]:
        """How many domains there are of each verdict, none of it left out: each domain is in one."""
        verdicts = [self.verdict(domain) for domain in self.domains]
        return {verdict: number for verdict in VERDICTS if (number := verdicts.count(verdict))}

    def verdict(self, domain: PlannedDomain) -> str:
        """One of `VERDICTS`; an error of what all domains are made from is one of each domain."""
        if domain.way is None:
            return WITHOUT
        if any(row.level is Level.ERROR for row in (*domain.findings, *self.shared)):
            return WITH_ERRORS
        return READY if domain.way.steps or domain.way.not_reached else AT_RELEASE

    @property
    def rounds(self) -> dict[int, list[Window]]:
        """The windows of each round."""
        rows: dict[int, list[Window]] = {}
        for window in self.timeline.windows:
            rows.setdefault(window.round, []).append(window)
        return rows

    def about(self) -> dict[str, Any]:
        """All but the domains themselves, as JSON has it."""
        import bundlekeeper
        from bundlekeeper.model.route.document import CAUTION

        times = self.timeline
        return {
            "made_at": self.made_at.isoformat(timespec="seconds"),
            "made_by": f"bundlekeeper {bundlekeeper.__version__}",
            "release": self.release,
            "counts": self.counts,
            "options": asdict(self.options),
            **self.given.about(),
            "timeline": {"makespan": times.makespan, "lower_bound": times.lower_bound, "unplanned": times.unplanned},
            "rounds": [
                {
                    "round": number,
                    "minutes": max(window.minutes for window in rows),
                    "windows": [
                        {"number": window.number, "domain": window.domain, "step": window.step} for window in rows
                    ],
                }
                for number, rows in self.rounds.items()
            ],
            "caution": CAUTION,
        }

    def rows(self) -> Iterator[dict[str, Any]]:
        """Domain by domain as JSON has it: the windows of a fleet are never in memory twice."""
        at = {row: place for place, row in enumerate(self.findings)}
        windows: dict[str, list[Window]] = {}
        for window in self.timeline.windows:
            windows.setdefault(window.domain, []).append(window)
        return (self._row(domain, windows.get(domain.name, ()), at) for domain in self.domains)

    def _row(self, domain: PlannedDomain, windows: Iterable[Window], at: Mapping[Finding, int]) -> dict[str, Any]:
        return {
            "domain": domain.name,
            "ready": self.verdict(domain) in (READY, AT_RELEASE),
            "findings": [at[row] for row in domain.findings],
            "route": plain(domain.way) if domain.way else None,
            "no_route": None if domain.way else plain(domain.found),
            "windows": [asdict(window) for window in windows],
            "unplanned": [step for name, step in self.timeline.unplanned if name == domain.name],
            "ways_back": [asdict(way) for way in domain.back],
        }


def find_routes(
    session: Session,
    names: Sequence[str],
    site: str,
    release: str,
    options: Options,
    files: InputFiles,
    without: Sequence[Without] = (),
    windows: str | None = None,
) -> DomainsTogether:
    """The cheapest allowed route of each domain that is named, or at the site, or of every one, in one timeline, in the
    real windows of the file `windows`, which the domains of a site share.

    Raises InputError for unknown domains, site or release, and for windows that are too short or too few; as
    `read_inputs`.
    """
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.find import route
    from bundlekeeper.planning.route.left_out import named
    from bundlekeeper.planning.windows.make import schedule_all
    from bundlekeeper.planning.windows.turn_back import with_turn_back

    given = read_inputs(session, files)
    fleet = Fleet(given.manifest, given.inventory)
    fleet.manifest_index.release(release)
    insist_on_sites(given, options)
    options = replace(options, windows=dated_windows(session, given, windows)) if windows is not None else options
    chosen = _named(fleet, names, site)
    left = named((fleet.state(name) for name in chosen), without) if without else {}
    ways = [route(fleet, name, release, given.holdings, given.judged_at, left.get(name, ())) for name in chosen]
    routes = [way for way in ways if isinstance(way, Route)]
    parallel = dict(options.parallel)
    times = schedule_all(
        fleet, routes, options.window_minutes, options.per_cluster, parallel=parallel, dated=options.windows
    )
    domains = tuple(_domain(given, fleet, way, times.own_findings.get(way.domain, ())) for way in ways)
    back = {domain.name: domain.back for domain in domains}
    turned = (with_turn_back(window, back[window.domain], options.window_minutes) for window in times.windows)
    times = replace(times, windows=tuple(turned))
    own = {row for rows in times.own_findings.values() for row in rows}
    shared = (*given.findings, *(row for row in times.findings if row not in own))
    if not names and not site:
        shared = (*shared, *_left_out(fleet))
    return DomainsTogether(given, options, release, domains, times, shared, session.now())


def _domain(given: Inputs, fleet: Fleet, way: Route | NoRoute, own: Iterable[Finding]) -> PlannedDomain:
    from bundlekeeper.planning.gaps.lowered import policy_findings
    from bundlekeeper.planning.route.space import space_findings
    from bundlekeeper.planning.route.way_back import lost, ways_back

    back = ways_back(fleet, way, given.holdings) if isinstance(way, Route) else ()
    full = space_findings(fleet, way) if isinstance(way, Route) else ()
    low = policy_findings(fleet, way.domain, way.lowered if isinstance(way, Route) else ())
    rows = (*way.findings, *low, *full, *own, *lost(back))
    judged = given.judged(dict.fromkeys(_of(way.domain, row) for row in rows), way.domain)
    return PlannedDomain(way.domain, way, back, judged)


def _named(fleet: Fleet, names: Sequence[str], site: str) -> tuple[str, ...]:
    """The domains to plan: the named ones, else all, or all at the site. Raises InputError with every wrong name."""
    from bundlekeeper.planning.fleet.manifest_index import near

    problems = []
    for name in dict.fromkeys(names):
        if name not in fleet.domains:
            hint = near(name, fleet.domains)
            problems.append(Finding("bad-value", Level.ERROR, name, "the inventory has no domain of that name", hint))
        elif names.count(name) > 1:
            problems.append(Finding("bad-value", Level.ERROR, name, "named more than once", "name each domain once"))
    if problems:
        raise InputError("some domains cannot be planned", problems=problems)
    if names:
        return tuple(names)
    if not fleet.domains:
        raise InputError("the inventory lists no domain", hint="bundlekeeper inventory load FILE, or --inventory")
    sites: dict[str, dict[str, None]] = {}
    for component in fleet.inventory.components:
        if component.domain:
            sites.setdefault(component.site, {})[component.domain] = None
    if site and site not in sites:
        raise InputError(f"the inventory has no site {site!r} with a domain", hint=near(site, sites))
    return tuple(sites[site]) if site else fleet.domains


def _left_out(fleet: Fleet) -> tuple[Finding, ...]:
    """What is to be reported of components in no domain, where all domains are planned."""
    number = sum(not component.domain for component in fleet.inventory.components)
    if not number:
        return ()
    message = "in no domain, so in no route"
    return (
        finding(
            "not-checked", counted(number, "component"), message, "bundlekeeper where names them", level=Level.NOTE
        ),
    )


def _of(domain: str, row: Finding) -> Finding:
    """The finding with its domain in the subject."""
    is_named = row.subject in ("manifest", domain) or row.subject.startswith(f"{domain}: ")
    return row if is_named else replace(row, subject=f"{domain}: {row.subject}")
