"""`bundlekeeper report`: a run-book of a route, or a picture of a site, each one file that needs no network."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.commands.route import PerClusterOption, WindowOption
from bundlekeeper.cli.options import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Finding, Level, exit_status
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.manifest_signature import SignatureOption
from bundlekeeper.jobs.planning import route as plan_route
from bundlekeeper.jobs.planning.inputs import InventoryOption, ManifestOption, ToOption, read_inputs

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.jobs.planning.route import Options
    from bundlekeeper.jobs.planning.runbook import Material
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.types import NoRoute

RunbookOption = Annotated[bool, typer.Option("--runbook", help="What to do in the windows of a route, printable.")]
RouteFileOption = Annotated[
    str | None, typer.Option("--route", metavar="FILE", help="The run-book of this route, or of a plan made by hand.")
]
SiteOption = Annotated[str, typer.Option("--site", metavar="NAME", help="What stands at this site, as one page.")]
OnOption = Annotated[str | None, typer.Option("--on", metavar="TIME", help="With --site: as of the end of that day.")]
OutOption = Annotated[
    str, typer.Option("--out", "-o", "--output", metavar="FILE", help="The file: .html, or .txt (- is stdout, text).")
]
ForceOption = Annotated[bool, typer.Option("--force", "-f", help="Replace an old file.")]


def report(
    domains: Annotated[list[str] | None, typer.Argument(metavar="[DOMAIN]", help="With --runbook: the domain.")] = None,
    to: ToOption = "",
    runbook: RunbookOption = False,
    route: RouteFileOption = None,
    site: SiteOption = "",
    on: OnOption = None,
    out: OutOption = "",
    window: WindowOption = None,
    per_cluster: PerClusterOption = 1,
    force: ForceOption = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """A run-book (--runbook DOMAIN --to RELEASE, or --runbook --route FILE) or a site's picture (--site NAME).

    One file that needs no network: HTML to read and print, or plain text. It plans and records; it calls no step safe.
    """
    if runbook == bool(site):
        raise InputError("say what the report is about", hint="--runbook DOMAIN --to RELEASE, or --site NAME")
    if domains and len(domains) > 1:
        raise InputError("a run-book is about one domain", hint="one run-book for each: repeat the command")
    domain = domains[0] if domains else None
    if not out:
        raise InputError("name the file to be written", hint="--out FILE.html, or FILE.txt for plain text")
    if json and out == "-":
        raise InputError("--json and --out - would put two documents on stdout", hint="--out FILE writes to a file")
    if site:
        from bundlekeeper.jobs.planning.site_page import site_page

        planned = (route, to or None, domain, window, manifest, inventory, signature)
        if any(word is not None for word in planned) or per_cluster != 1:
            raise InputError("a site's picture is of what stands there, not of a route", hint="--site NAME [--on TIME]")
        page, data, doubts = site_page(store_root(store), site, on, plain=_is_text(out))
        return _tell(_written(out, page, force), doubts, data, json=json)
    if on is not None:
        raise InputError("--on is about a site's picture", hint="a run-book is made from what is known now")
    if route is None and (domain is None or not to):
        raise InputError("name a domain and a release, or a route", hint="--runbook DOMAIN --to RELEASE")
    from bundlekeeper.jobs.planning.runbook import Material

    given = read_inputs(store_root(store), manifest, inventory, signature)
    options = plan_route.options_of(window, per_cluster)
    found = (
        _of_route(given, domain or "", to, options)
        if route is None
        else _of_file(given, route, domain, to, window, per_cluster)
    )
    if not isinstance(found, Material):
        return _no_way(given, found, json=json)
    from bundlekeeper.jobs.planning.runbook import runbook as made
    from bundlekeeper.reports.runbook import html, text

    book = made(found)
    findings = [*found.planned.findings, *(gap.finding for gap in found.open_gaps)]
    data = {"domain": found.planned.route.domain, "release": found.planned.route.release, **given.about()}
    return _tell(_written(out, text(book) if _is_text(out) else html(book), force), findings, data, json=json)


def _is_text(out: str) -> bool:
    """True for plain text, by the file's name. Raises InputError for a name of neither form."""
    if out != "-" and not out.lower().endswith((".txt", ".text", ".html", ".htm")):
        raise InputError("the report's file ends with neither .html nor .txt", where=out, hint="--out FILE.html")
    return out.lower().endswith((".txt", ".text")) or out == "-"


def _written(out: str, page: str, force: bool) -> dict[str, str]:
    from bundlekeeper.cli.screen.user_files import PAGE, write_new

    write_new(out, page, force=force, kind=PAGE)
    return {"file": out, "sha256": hashlib.sha256(page.encode("utf-8", "surrogateescape")).hexdigest()}


def _tell(written: dict[str, str], findings: Any, data: dict[str, Any], *, json: bool) -> int:  # noqa: ANN401
    if json:
        output.envelope("report", findings, {**data, "written": written})
    elif written["file"] != "-":
        counts = [sum(f.level is level for f in findings) for level in Level]
        output.line(f"written: {written['file']}")
        output.line(f"sha256: {written['sha256']}")
        if findings:
            output.line(
                f"{counted(counts[0], 'error')}, {counted(counts[1], 'warning')}, "
                f"{counted(counts[2], 'note')} stand in it"
            )
    return exit_status(findings)


def _no_way(given: Inputs, found: NoRoute, *, json: bool) -> int:
    """Say why there is nothing to be written."""
    findings = (*given.findings, *found.findings)
    if json:
        data = {"domain": found.domain, "release": found.release, **given.about()}
        output.envelope("report", findings, {**data, "nearest": found.nearest, "written": None})
    else:
        output.findings_aside(findings)
        output.aside(f"error: {found.domain} to {found.release}: no allowed way was found, so there is no run-book")
        output.aside(f"hint: the nearest release that can be reached: {found.nearest or 'none'}")
    return exit_status(findings)


def _of_route(given: Inputs, domain: str, release: str, options: Options) -> Material | NoRoute:
    """The plan that is found now, or why there is no way."""
    from bundlekeeper.jobs.planning.route import PlannedRoute
    from bundlekeeper.planning.fleet.domains import Fleet

    fleet = Fleet(given.manifest, given.inventory)
    found = plan_route.find(given, fleet, domain, release, options, now())
    if not isinstance(found, PlannedRoute):
        return found
    checked = (
        "Every state between obeys every jump and beside rule of the manifest: that was looked at for this route.",
        *_CHECKED,
    )
    return _material(given, fleet, found, options, checked, "")


_CHECKED = (
    "Space, proofs, signatures, pairs, policies: see the open gaps below, and how many checks could not be made.",
    "Not checked: whether the inventory is true; the release notes; hosts' drivers; power, cooling, spare parts.",
)


def _material(
    given: Inputs,
    fleet: Fleet,
    planned: plan_route.PlannedRoute,
    options: Options,
    checked: tuple[str, ...],
    sha256: str,
) -> Material:
    from bundlekeeper.jobs.planning.runbook import Material
    from bundlekeeper.planning.gaps.find import gaps_of

    moment = now()
    gaps = gaps_of(fleet, planned.route.domain, planned.route.release, given.holdings, moment)
    return Material(given, fleet, planned, options, gaps, checked, moment, sha256)


def _of_file(
    given: Inputs, file: str, domain: str | None, to: str, window: str | None, per_cluster: int
) -> Material:  # fmt: skip
    """The plan of a file, once its inputs are as they were and it obeys the rules. Raises RefusedError, InputError."""
    from bundlekeeper.cli.commands.route import insist_on
    from bundlekeeper.jobs.planning.route import Options
    from bundlekeeper.model.route.document import RouteDocument
    from bundlekeeper.planning.fleet.domains import Fleet

    read = plan_route.read_plan_file(file)
    options, sha256 = Options(), ""
    if isinstance(read, RouteDocument):
        if window is not None:
            raise InputError("the route's file says how long its windows are", hint="leave --window away")
        if per_cluster not in (1, read.per_cluster):
            raise InputError("the route's file says how many go at a time", hint="leave --per-cluster away")
        plan_route.insist_unchanged(given, read, file)
        options, sha256, plan = Options(read.window_minutes, read.per_cluster), read.sha256, read.plan
    else:
        options, plan = plan_route.options_of(window, per_cluster), read
    insist_on(plan, domain, to, file)
    fleet = Fleet(given.manifest, given.inventory)
    held = plan_route.held(given, fleet, plan)
    against = [f for f in held.findings if _forbids(f, plan.domain)]
    if against:
        hint = "bundlekeeper route --check FILE tells everything about it"
        says = "the plan breaks rules, so there is no run-book of it"
        raise RefusedError(says, hint=hint, where=file, problems=against)
    checked = (
        f"Each step of {file} was held against every rule of the manifest: "
        f"{counted(held.states, 'state')}, {counted(held.rules, 'rule')}.",
        *_CHECKED,
    )
    return _material(given, fleet, plan_route.scheduled(given, fleet, held.route, options), options, checked, sha256)


def _forbids(found: Finding, domain: str) -> bool:
    """Whether a finding forbids the plan: a fact of one of its steps that is not known does, as in a route."""
    unknown = found.code == "not-checked" and found.subject != domain  # what the domain does not list is only told
    return unknown or (found.level is Level.ERROR and found.code != "not-held")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("report")(report)
