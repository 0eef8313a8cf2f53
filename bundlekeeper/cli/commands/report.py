"""`bundlekeeper report`: a run-book of a route, or a picture of a site, each one file that needs no network."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    ForceOption,
    InventoryOption,
    JsonOption,
    ManifestOption,
    ParallelOption,
    PerClusterOption,
    ReasonOption,
    SignatureOption,
    StoreOption,
    ToOption,
    WindowOption,
    WindowsOption,
    WithoutOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status

RunbookOption = Annotated[bool, typer.Option("--runbook", help="What to do in the windows of a route, printable.")]
PlanOption = Annotated[str | None, typer.Option("--plan", metavar="FILE", help="The run-book of this plan.")]
OverviewOption = Annotated[bool, typer.Option("--overview", help="All sites: what needs attention, what runs where.")]
SiteOption = Annotated[str, typer.Option("--site", metavar="NAME", help="The same of this site alone.")]
OnOption = Annotated[str | None, typer.Option("--on", metavar="TIME", help="As of the end of that day.")]
SinceOption = Annotated[str | None, typer.Option("--since", metavar="TIME", help="With the history since that day.")]
OutOption = Annotated[
    str, typer.Option("--out", "-o", "--output", metavar="FILE", help="The file: .html, or .txt (- is stdout, text).")
]


def report(
    domains: Annotated[list[str] | None, typer.Argument(metavar="[DOMAIN]", help="With --runbook: the domain.")] = None,
    to: ToOption = "",
    runbook: RunbookOption = False,
    plan: PlanOption = None,
    overview: OverviewOption = False,
    site: SiteOption = "",
    on: OnOption = None,
    since: SinceOption = None,
    out: OutOption = "",
    window: WindowOption = None,
    windows: WindowsOption = None,
    without: WithoutOption = None,
    reason: ReasonOption = None,
    per_cluster: PerClusterOption = 1,
    parallel: ParallelOption = None,
    force: ForceOption = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Write a run-book (--runbook DOMAIN --to RELEASE, or --plan FILE), or a page of all sites (--overview) or of one.

    One file that needs no network: HTML to read and print, or plain text. It plans and records; it calls no step safe.
    """
    from bundlekeeper.cli.screen.answers import report as screen
    from bundlekeeper.jobs.pages.overview import OverviewWanted, overview_page
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.planning.report import NoRunbook, RunbookWanted, runbook_page
    from bundlekeeper.jobs.planning.route import without_of
    from bundlekeeper.jobs.planning.site_page import site_page
    from bundlekeeper.jobs.session import Session

    if (asked := runbook + overview + bool(site)) != 1:
        message = "the report is about two things" if asked else "the report is about nothing"
        raise InputError(message, hint="--runbook DOMAIN --to RELEASE, or --overview, or --site NAME")
    if domains and len(domains) > 1:
        raise InputError("a run-book is about one domain", hint="one run-book for each: repeat the command")
    domain = domains[0] if domains else None
    if not out:
        raise InputError("name the file to be written", hint="--out FILE.html, or FILE.txt for plain text")
    if json and out == "-":
        raise InputError("--json and --out - would put two documents on stdout", hint="--out FILE writes to a file")
    if windows is not None and window is not None:
        raise InputError("the file of windows says how long they are", hint="leave out --window")
    left = without_of(without or (), reason or ())
    ask, files = (
        RunbookWanted(domain, to, plan, window, per_cluster, tuple(parallel or ()), windows, left),
        InputFiles(manifest, inventory, signature),
    )
    if not runbook and (ask, files) != (RunbookWanted(release=to), InputFiles()):
        message = "a page of sites is of what is there, not of a route"
        raise InputError(message, hint="--overview [--to RELEASE] [--on TIME] [--since TIME]")
    if runbook and (on is not None or since is not None):
        raise InputError("--on and --since are about a page of sites", hint="a run-book is made from what is known now")
    plain = _is_text(out)
    if plain and (overview or (site and (to or since))):
        message = "all sites, --to and --since are for HTML"
        raise InputError(
            message, where=out, hint="--out FILE.html; as text: bundlekeeper status, gaps, where --history"
        )
    wanted = OverviewWanted(site, to, on, since)
    with Session(store_root(store), caller()) as session:
        if runbook:
            found = runbook_page(session, ask, files, plain=plain)
        else:
            found = site_page(session, site, on) if plain else overview_page(session, wanted)
    if isinstance(found, NoRunbook):
        screen.show_none(found, form=form_of(json=json))
    else:
        screen.show(found, out=out, force=force, form=form_of(json=json))
    return exit_status(found.findings)


def _is_text(out: str) -> bool:
    """True for plain text, by the file's name. Raises InputError for a name of neither form."""
    if out != "-" and not out.lower().endswith((".txt", ".text", ".html", ".htm")):
        raise InputError("the report's file ends with neither .html nor .txt", where=out, hint="--out FILE.html")
    return out.lower().endswith((".txt", ".text")) or out == "-"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("report")(report)
