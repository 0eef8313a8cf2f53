"""The run-book of a route that is found now, or of a plan in a file, as one page.

Rules: a plan whose inputs changed, or that breaks a rule, has no run-book; it lists what was checked, and what was not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.planning import plan_file
from bundlekeeper.jobs.planning.followed import follow, insist_unchanged
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs, read_inputs
from bundlekeeper.jobs.planning.route import (
    Options,
    PlannedRoute,
    Without,
    dated_windows,
    insist_on_sites,
    options_in,
    options_of,
    route_of,
    scheduled,
)
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.material import Material
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.types import NoRoute

_CHECKED = (
    "Checked for the open gaps below: space, verifications, signatures and the rest. The number of checks that could "
    "not be made is there.",
    "Not checked: whether the inventory is true; the release notes; hosts' drivers; power, cooling, spare parts.",
)


@dataclass(frozen=True, slots=True)
class RunbookWanted:
    """What a run-book is asked for: a domain's route to a release, or a file's plan; and the length of its windows."""

    domain: str | None = None
    release: str = ""
    file: str | None = None
    window: str | None = None
    per_cluster: int = 1
    parallel: tuple[str, ...] = ()
    windows: str | None = None
    without: tuple[Without, ...] = ()


@dataclass(frozen=True, slots=True)
class ReportPage:
    """A page, HTML or plain text; the findings that are in it; what the JSON envelope has about it; of a run-book how
    many errors and open gaps it lists, like ones as one."""

    page: str
    findings: tuple[Finding, ...]
    about: dict[str, Any]
    listed: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class NoRunbook:
    """Why there is no run-book: there is no route."""

    given: Inputs
    none: NoRoute

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything that was found."""
        return (*self.given.findings, *self.none.findings)


@dataclass(frozen=True, slots=True)
class _Plan:
    """A plan that a run-book may be made of; `checked` says how, `sha256` is its document's, empty for none."""

    given: Inputs
    fleet: Fleet
    planned: PlannedRoute
    options: Options
    checked: str
    sha256: str = ""
    windows: int = 0  # of the whole plan, where one is followed


def runbook_page(session: Session, ask: RunbookWanted, files: InputFiles, *, plain: bool) -> ReportPage | NoRunbook:
    """The run-book that is asked for, as plain text or as HTML, or why there is no route.

    Raises InputError; RefusedError for a file's plan whose inputs changed or that breaks a rule; as `read_inputs`.
    """
    from bundlekeeper.planning.fleet.domains import Fleet

    if ask.file is None and (ask.domain is None or not ask.release):
        raise InputError(
            "name a domain and a release, or a plan", hint="--runbook DOMAIN --to RELEASE, or --runbook --plan FILE"
        )
    if ask.file is not None:
        return _page(material_of_file(session, ask, files), plain=plain)
    given = read_inputs(session, files)
    fleet = Fleet(given.manifest, given.inventory)
    options = options_of(ask.window, ask.per_cluster, ask.parallel)
    insist_on_sites(given, options)
    if ask.windows is not None:
        options = replace(options, windows=dated_windows(session, given, ask.windows))
    found = route_of(given, fleet, ask.domain or "", ask.release, options, ask.without)
    if not isinstance(found, PlannedRoute):
        return NoRunbook(given, found)
    found = _with_open_work(session, given, found, files)
    checked = (
        "Checked for this route: every state between obeys every jump rule and every compatible rule of the manifest."
    )
    return _page(_material(session, _Plan(given, fleet, found, options, checked)), plain=plain)


def _of_file(session: Session, given: Inputs, fleet: Fleet, ask: RunbookWanted, files: InputFiles) -> _Plan:
    """What is left of a plan, once nothing else changed and it obeys the rules. Raises RefusedError, InputError."""
    from bundlekeeper.planning.progress.rest import judged
    from bundlekeeper.planning.route.check_plan import hold

    file = ask.file or "-"
    if ask.without:
        raise InputError("the plan's file says what it leaves out", hint="leave out --without")
    plan, document = plan_file.read_plan_file(session, file)
    verdict = followed = None
    if document is None:
        options, sha256 = options_of(ask.window, ask.per_cluster, ask.parallel), ""
        insist_on_sites(given, options)
        if ask.windows is not None:
            options = replace(options, windows=dated_windows(session, given, ask.windows))
    else:
        if ask.window is not None or ask.windows is not None:
            raise InputError("the plan's file says how long its windows are", hint="leave out --window and --windows")
        if ask.parallel:
            raise InputError("the plan's file says how much goes on at a time", hint="leave out --parallel")
        if ask.per_cluster not in (1, document.per_cluster):
            raise InputError("the plan's file says how many servers go at a time", hint="leave out --per-cluster")
        followed = follow(session, given, document, from_ledger=files.inventory is None)
        insist_unchanged(followed, file)
        verdict = judged(fleet, followed.rest, given.holdings)
        options, sha256 = options_in(document), document.sha256
    plan_file.insist_on(plan, ask.domain, ask.release, file)
    verdict = verdict or hold(fleet, plan, given.holdings)
    rows = (finding for finding in verdict.findings if finding not in verdict.about_left_out)
    against = [finding for finding in rows if _forbids(finding, plan.domain)]
    if against:
        hint = "see everything about it: bundlekeeper plan check FILE"
        message = "the plan breaks rules, so it has no run-book"
        raise RefusedError(message, hint=hint, where=file, problems=against)
    checked = (
        f"Each step of {file} was checked against every rule of the manifest: "
        f"{counted(verdict.states, 'state')}, {counted(verdict.rules, 'rule')}."
    )
    planned = scheduled(given, fleet, verdict.route, options, followed)
    if followed is not None:
        planned = _with_open_work(session, given, planned, files)
    number = len(followed.work.windows) if followed is not None else 0
    return _Plan(given, fleet, planned, options, checked, sha256, number)


def material_of_file(session: Session, ask: RunbookWanted, files: InputFiles) -> Material:
    """What a run-book of a plan's file is made from.

    Raises InputError; RefusedError for a plan whose inputs changed or that breaks a rule; as `read_inputs`.
    """
    from bundlekeeper.planning.fleet.domains import Fleet

    given = read_inputs(session, files)
    return _material(session, _of_file(session, given, Fleet(given.manifest, given.inventory), ask, files))


def findings_of(material: Material) -> tuple[Finding, ...]:
    """What a plan's run-book has of errors and warnings, so that every document of it counts the same."""
    from bundlekeeper.jobs.planning.runbook import told

    return tuple(
        Finding(gap.code, Level(gap.level), gap.subject, gap.message, gap.hint)
        for rows in told(material)
        for gap in rows
    )


def findings_of_plan(
    session: Session, given: Inputs, fleet: Fleet, planned: PlannedRoute, options: Options, files: InputFiles
) -> tuple[Finding, ...]:  # fmt: skip
    """What the run-book of a plan would have of errors and warnings."""
    planned = _with_open_work(session, given, planned, files)
    return findings_of(_material(session, _Plan(given, fleet, planned, options, "")))


def _with_open_work(session: Session, given: Inputs, planned: PlannedRoute, files: InputFiles) -> PlannedRoute:
    """The plan with what the last work on its domain left open; what failed is no reason to stop: it is tried again."""
    from bundlekeeper.jobs.planning.gaps import unfinished

    if files.inventory is not None or not session.is_there:
        return planned
    domain = planned.route.domain
    rows = [replace(row, level=Level.WARNING) for row in unfinished(session, domain)]
    return replace(planned, findings=(*planned.findings, *given.judged(rows, domain)))


def _material(session: Session, plan: _Plan) -> Material:
    from bundlekeeper.jobs.planning.material import Material
    from bundlekeeper.planning.gaps.find import gaps_of
    from bundlekeeper.planning.route.space import space_uses

    given, route = plan.given, plan.planned.route
    gaps = gaps_of(plan.fleet, route.domain, route.release, given.holdings, given.judged_at)
    about = (given, plan.fleet, plan.planned, plan.options, gaps, (plan.checked, *_CHECKED))
    return Material(*about, session.now(), plan.sha256, space_uses(plan.fleet, route), plan.windows)


def _page(material: Material, *, plain: bool) -> ReportPage:
    from bundlekeeper.jobs.planning.runbook import runbook
    from bundlekeeper.reports.paper import html
    from bundlekeeper.reports.plain_runbook import text

    made, route = runbook(material), material.planned.route
    about = {"domain": route.domain, "release": route.release, **material.given.about()}
    listed = (len(made.errors), len(made.gaps))
    return ReportPage(text(made) if plain else html(made), findings_of(material), about, listed)


def _forbids(found: Finding, domain: str) -> bool:
    """Whether a finding forbids the plan: a fact of one of its steps that is not known does, as in a route."""
    unknown = found.code == "not-checked" and found.subject != domain  # what the domain does not list is only reported
    return unknown or (found.level is Level.ERROR and found.code != "not-in-store")
