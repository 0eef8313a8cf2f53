"""A plan with everything that is reported of it: its route, its windows, its ways back, and the document that keeps it.

Rules: a plan is made again from its inputs each time, also where a document is read: nothing that a file says of
minutes, rules or ways back is ever reported; what a plan was made from goes into its document whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, is_ok
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs, read_inputs
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.followed import Followed
    from bundlekeeper.model.route.dated_windows import DatedWindow
    from bundlekeeper.model.route.document import RouteDocument
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.types import NoRoute, Route
    from bundlekeeper.planning.route.way_back import WayBack
    from bundlekeeper.planning.windows.types import Timeline, Window
    from bundlekeeper.reports.pictures.gantt import GanttBar

Without = tuple[str, str]  # a server that is left out, as somebody names it, and the reason


@dataclass(frozen=True, slots=True)
class Options:
    """How the windows are asked for: the longest in minutes (None: as long as each step needs), servers at a time."""

    window_minutes: int | None = None
    per_cluster: int = 1
    parallel: tuple[tuple[str, int], ...] = ()  # pieces of work at a time, by site; the empty name is any other site
    windows: tuple[DatedWindow, ...] = ()  # the real windows that the plan is laid into


@dataclass(frozen=True, slots=True)
class PlannedRoute:
    """A route with its windows and ways back, and all that was found."""

    route: Route
    timeline: Timeline
    back: tuple[WayBack, ...]
    findings: tuple[Finding, ...]

    @property
    def errors(self) -> tuple[Finding, ...]:
        """What must be mended before the first window."""
        return tuple(row for row in self.findings if row.level is Level.ERROR)

    @property
    def is_ready(self) -> bool:
        """True where nothing that was found is an error; a route with one is not ready."""
        return not self.errors

    @property
    def unplanned(self) -> str:
        """The steps that have no windows, for people; empty where all have."""
        return ", ".join(str(step) for _, step in self.timeline.unplanned)

    @staticmethod
    def bars(window: Window) -> list[GanttBar]:
        """One bar for each thing that is worked on: its server's for components of servers."""
        from bundlekeeper.planning.windows.types import NOTHING
        from bundlekeeper.reports.pictures.gantt import GanttBar, Span

        found: dict[str, list[Span]] = {}
        for action in window.work:
            label = action.subject.split(": ")[0]
            span = Span(action.start, action.end, "" if action.down == NOTHING else action.down)
            found.setdefault(label, []).append(span)
        return [GanttBar(label, tuple(spans)) for label, spans in found.items()]


@dataclass(frozen=True)
class DomainRoute:
    """One domain's route, or why there is none, and what it was made from."""

    given: Inputs
    options: Options
    found: PlannedRoute | NoRoute
    made_at: datetime
    continues: str = ""  # the SHA-256 of the plan that this one goes on with

    @property
    def planned(self) -> PlannedRoute | None:
        """The route; None where there is none."""
        return self.found if isinstance(self.found, PlannedRoute) else None

    @property
    def none(self) -> NoRoute | None:
        """Why there is no route; None where there is one."""
        return None if isinstance(self.found, PlannedRoute) else self.found

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything that was found."""
        return self.found.findings if self.planned is not None else (*self.given.findings, *self.found.findings)

    @property
    def domain(self) -> str:
        """The domain's name."""
        return self.found.route.domain if isinstance(self.found, PlannedRoute) else self.found.domain

    @cached_property
    def document(self) -> dict[str, Any]:
        """The whole plan and what it was made from, as its file has it."""
        import bundlekeeper
        from bundlekeeper.model.route.document import CAUTION, SCHEMA, inventory_facts, manifest_facts
        from bundlekeeper.planning.fleet.manifest_index import ManifestIndex

        given, head, planned, none = self.given, self.given.head, self.planned, self.none
        of = self.found.route if isinstance(self.found, PlannedRoute) else self.found
        inputs = {
            "manifest": manifest_facts(given.manifest, given.manifest_sha256),
            "inventory": {
                "from": given.origin,
                **inventory_facts(given.inventory, of.domain, ManifestIndex(given.manifest).by_policy),
            },
            "ledger": {"id": head.ledger, "events": head.count, "head": head.digest} if head is not None else None,
        }
        return {
            "schema": SCHEMA,
            "ok": is_ok(self.findings),
            "ready": planned is not None and planned.is_ready,
            "findings": [finding.as_json() for finding in self.findings],
            "made_at": self.made_at.isoformat(timespec="seconds"),
            "made_by": f"bundlekeeper {bundlekeeper.__version__}",
            "domain": of.domain,
            "release": of.release,
            "options": asdict(self.options),
            **given.about(),
            "route": plain(planned.route) if planned else None,
            "no_route": plain(none) if none else None,
            "timeline": plain(planned.timeline) if planned else None,
            "ways_back": [plain(way) for way in planned.back] if planned else [],
            "caution": CAUTION,
            "inputs": inputs,
            **({"continues": self.continues} if self.continues else {}),
        }

    @property
    def text(self) -> str:
        """The document as the text of its file."""
        from bundlekeeper.model.route.document import to_text

        return to_text(self.document)


def options_of(window: str | None, per_cluster: int, parallel: Sequence[str] = ()) -> Options:
    """The options as the user wrote them: a span, or plain minutes; `N` or `SITE=N`. Raises InputError."""
    from bundlekeeper.formats.durations import seconds
    from bundlekeeper.model.route.document import MAX_PER_CLUSTER, MAX_WINDOW

    if per_cluster > MAX_PER_CLUSTER:
        raise InputError(f"at most {MAX_PER_CLUSTER} servers of one cluster can go at a time", hint="--per-cluster 1")
    hands = _parallel(parallel)
    if window is None:
        return Options(None, per_cluster, hands)
    plain = window.strip()
    minutes = int(plain) if plain.isascii() and plain.isdigit() and len(plain) < 7 else seconds(plain) // 60
    if minutes < 1:
        raise InputError("a window is at least a minute long", hint="--window 4h, 90m, or 240 (minutes)")
    if minutes > MAX_WINDOW:
        raise InputError(f"a window is at most {MAX_WINDOW} minutes long", hint="leave out --window for no limit")
    return Options(minutes, per_cluster, hands)


def without_of(servers: Sequence[str], reasons: Sequence[str]) -> tuple[Without, ...]:
    """Each server that is left out with its reason: one for each, or one for all. Raises InputError."""
    if not servers and not reasons:
        return ()
    if not servers:
        raise InputError("a reason, and no server that is left out", hint="--without SERVER --reason TEXT")
    if len(reasons) not in (1, len(servers)) or not all(reason.strip() for reason in reasons):
        message = f"{counted(len(servers), 'server')} left out, and {counted(len(reasons), 'reason')}"
        raise InputError(message, hint="--without SERVER --reason TEXT; one reason for each, or one for all")
    return tuple(zip(servers, reasons if len(reasons) > 1 else [*reasons] * len(servers), strict=True))


def options_in(document: RouteDocument) -> Options:
    """The options of a plan's file."""
    return Options(document.window_minutes, document.per_cluster, document.parallel, document.windows)


def continued_options(
    session: Session, before: RouteDocument, options: Options, without: tuple[Without, ...], *, is_dated: bool
) -> tuple[Options, tuple[Without, ...]]:
    """The options, and what is left out, of a plan that goes on with another one: what is not given is as it was there,
    and reported; of its real windows those that are still to come."""
    own, words = options_in(before), []
    if is_dated or options.window_minutes is not None:
        own = replace(own, window_minutes=options.window_minutes, windows=())
    else:
        own = replace(own, windows=tuple(window for window in own.windows if window.time() > session.now()))
        words += [f"windows of {own.window_minutes} minutes"] if own.window_minutes is not None else []
        if before.windows:
            words.append(f"{len(own.windows) or 'none'} of its {counted(len(before.windows), 'window')}, to come yet")
    for name, default in (("per_cluster", 1), ("parallel", ())):
        value = getattr(options, name)
        if value != default:
            own = replace(own, **{name: value})
        elif getattr(own, name) != default:
            words.append(f"--{name.replace('_', '-')}")
    left = without or before.plan.without
    words += [f"without {', '.join(name for name, _ in left)}"] if left and not without else []
    if words:
        session.tell(f"note: as in the plan that it continues: {'; '.join(words)}")
    return own, left


def _parallel(words: Sequence[str]) -> tuple[tuple[str, int], ...]:
    """How many pieces of work may go on at a time, by site."""
    from bundlekeeper.model.route.document import MAX_PARALLEL

    found: dict[str, int] = {}
    for word in words:
        site, _, number = word.rpartition("=")
        site, number = site.strip(), number.strip()
        if not (number.isascii() and number.isdigit() and 1 <= int(number[:7]) <= MAX_PARALLEL):
            message = f"--parallel {word!r} is no number of pieces of work from 1 to {MAX_PARALLEL}"
            raise InputError(message, hint="--parallel 2, or --parallel SITE=2 for one site")
        if site in found:
            raise InputError(f"--parallel is given twice for {site or 'all sites'}", hint="give it once for each site")
        found[site] = int(number)
    return tuple(found.items())


def find_route(
    session: Session,
    domain: str,
    release: str,
    options: Options,
    files: InputFiles,
    without: Sequence[Without] = (),
    windows: str | None = None,
    continues: str = "",
) -> DomainRoute:
    """The cheapest allowed route of one domain, or why there is none; in the real windows of the file
    `windows`; `continues` is the SHA-256 of the plan that it goes on with.

    Raises InputError; as `read_inputs`.
    """
    from bundlekeeper.planning.fleet.domains import Fleet

    given = read_inputs(session, files)
    insist_on_sites(given, options)
    options = replace(options, windows=dated_windows(session, given, windows)) if windows is not None else options
    found = route_of(given, Fleet(given.manifest, given.inventory), domain, release, options, without)
    return DomainRoute(given, options, found, session.now(), continues)


def insist_on_sites(given: Inputs, options: Options) -> None:
    """Every site of --parallel is one of the inventory. Raises InputError."""
    from bundlekeeper.planning.fleet.manifest_index import near

    sites = dict.fromkeys(component.site for component in given.inventory.components)
    for site, _ in options.parallel:
        if site and site not in sites:
            raise InputError(f"--parallel: the inventory has no site {site!r}", hint=near(site, sites))


def dated_windows(session: Session, given: Inputs, name: str) -> tuple[DatedWindow, ...]:
    """The real windows of a file, TOML or iCalendar by its name, that have not begun; how many have is a note, and so
    is what was cancelled or is at no site of the inventory.

    One that has begun is left out, too: what is staged before it can no longer be. Raises InputError, also where none
    is left; UnfinishedError.
    """
    windows, now = _windows_of(session, given, name), session.now()
    sites = {component.site for component in given.inventory.components}
    strange = [window.site for window in windows if window.site not in sites]
    if strange:
        where = f"{counted(len(strange), 'window')} of {name} at {some(list(dict.fromkeys(strange)))}"
        session.tell(f"note: {where}: the inventory has no such site, so nothing is planned there")
    left = tuple(window for window in windows if window.time() > now)
    if not left:
        last = windows[-1]
        message = f"no window of the file is still to come: the last one began {last.time():%Y-%m-%d %H:%M} {last.zone}"
        hint = "add a [[window]] that begins later than now; one that has begun is not used"
        raise InputError(message, where=name, hint=hint)
    over = sum(window.time(window.minutes) <= now for window in windows)
    begun = len(windows) - len(left) - over
    words = [f"{counted(over, 'window')} of {name} {'is' if over == 1 else 'are'} over"] if over else []
    words += [f"{counted(begun, 'window')} of {name} {'has' if begun == 1 else 'have'} begun"] if begun else []
    if words:
        session.tell(f"note: {'; '.join(words)}: nothing is planned into {'it' if over + begun == 1 else 'them'}")
    return left


def _windows_of(session: Session, given: Inputs, name: str) -> tuple[DatedWindow, ...]:
    from bundlekeeper.formats import limits
    from bundlekeeper.jobs.inputs import read_bounded
    from bundlekeeper.links.calendar import read_calendar
    from bundlekeeper.model.route.dated_windows import read_windows

    zone = given.inventory.zone
    if name.lower().endswith((".ics", ".ical", ".ifb", ".icalendar")):
        sites = tuple(dict.fromkeys(component.site for component in given.inventory.components))
        data = read_bounded(name, limits.CALENDAR_BYTES, "the calendar")
        cancelled: list[str] = []
        windows = read_calendar(data, name=name, zone=zone, sites=sites, cancelled=cancelled)
        if cancelled:
            verb = "is" if len(cancelled) == 1 else "are"
            session.tell(f"note: {some(cancelled)} of {name} {verb} cancelled: nothing is planned there")
        return windows
    return read_windows(read_bounded(name, limits.HAND_PLAN_BYTES, "the file of windows"), name=name, zone=zone)


def route_of(
    given: Inputs, fleet: Fleet, domain: str, release: str, options: Options, without: Sequence[Without] = ()
) -> PlannedRoute | NoRoute:
    """The cheapest allowed route with its windows, or why there is none; `without` are servers that are left out.

    Raises InputError.
    """
    from bundlekeeper.planning.route.find import route
    from bundlekeeper.planning.route.left_out import named
    from bundlekeeper.planning.route.types import NoRoute

    left = named([fleet.state(domain)], without).get(domain, ()) if without else ()
    found = route(fleet, domain, release, given.holdings, given.judged_at, left)
    return found if isinstance(found, NoRoute) else scheduled(given, fleet, found, options)


def scheduled(
    given: Inputs, fleet: Fleet, route: Route, options: Options, followed: Followed | None = None
) -> PlannedRoute:
    """A route's windows and ways back; what is left of a plan that was begun is in the plan's own windows.

    Raises InputError for a window that is too short.
    """
    from bundlekeeper.planning.gaps.lowered import policy_findings
    from bundlekeeper.planning.route.space import space_findings
    from bundlekeeper.planning.route.way_back import lost, ways_back
    from bundlekeeper.planning.windows.left import schedule_left
    from bundlekeeper.planning.windows.make import schedule
    from bundlekeeper.planning.windows.turn_back import with_turn_back

    hands = dict(options.parallel)
    if followed is not None and followed.is_begun:
        times = schedule_left(fleet, route, followed.work, followed.dated, options.per_cluster, parallel=hands)
    else:
        times = schedule(
            fleet, route, options.window_minutes, options.per_cluster, parallel=hands, dated=options.windows
        )
    back = ways_back(fleet, route, given.holdings)
    windows = tuple(with_turn_back(window, back, options.window_minutes) for window in times.windows)
    times = replace(times, windows=windows)
    found = (
        *route.findings,
        *policy_findings(fleet, route.domain, route.lowered),
        *space_findings(fleet, route),
        *times.findings,
        *lost(back),
    )
    return PlannedRoute(route, times, back, (*given.findings, *given.judged(found, route.domain)))


def plain(value: Any) -> dict[str, Any]:  # noqa: ANN401  (any of planning's values)
    """One of planning's values as JSON has it, without its findings, which are reported once."""
    rows = asdict(value)
    for name in ("findings", "own_findings"):
        rows.pop(name, None)
    return rows
