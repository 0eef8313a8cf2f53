"""`bundlekeeper report`: a run-book of a route, or a picture of a site, each one file that needs no network."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    InventoryOption,
    JsonOption,
    ManifestOption,
    PerClusterOption,
    SignatureOption,
    StoreOption,
    ToOption,
    WindowOption,
    caller,
    store_root,
)
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status

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
    from bundlekeeper.cli.screen.answers import report as screen
    from bundlekeeper.jobs.planning import report as job
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    if runbook == bool(site):
        raise InputError("say what the report is about", hint="--runbook DOMAIN --to RELEASE, or --site NAME")
    if domains and len(domains) > 1:
        raise InputError("a run-book is about one domain", hint="one run-book for each: repeat the command")
    domain = domains[0] if domains else None
    if not out:
        raise InputError("name the file to be written", hint="--out FILE.html, or FILE.txt for plain text")
    if json and out == "-":
        raise InputError("--json and --out - would put two documents on stdout", hint="--out FILE writes to a file")
    files = InputFiles(manifest, inventory, signature)
    session = Session(store_root(store), caller())
    found: job.ReportPage | job.NoRunbook
    if site:
        from bundlekeeper.jobs.planning.site_page import site_page

        planned = (route, to or None, domain, window, manifest, inventory, signature)
        if any(word is not None for word in planned) or per_cluster != 1:
            raise InputError("a site's picture is of what stands there, not of a route", hint="--site NAME [--on TIME]")
        with session:
            found = site_page(session, site, on, plain=_is_text(out))
    elif on is not None:
        raise InputError("--on is about a site's picture", hint="a run-book is made from what is known now")
    elif route is not None:
        with session:
            found = job.runbook_of_file(
                session,
                route,
                files,
                domain=domain,
                release=to,
                window=window,
                per_cluster=per_cluster,
                plain=_is_text(out),
            )
    elif domain is None or not to:
        raise InputError("name a domain and a release, or a route", hint="--runbook DOMAIN --to RELEASE")
    else:
        with session:
            found = job.runbook_of_route(
                session, domain, to, files, window=window, per_cluster=per_cluster, plain=_is_text(out)
            )
    if isinstance(found, job.NoRunbook):
        screen.show_none(found, json=json)
    else:
        screen.show(found, out=out, force=force, json=json)
    return exit_status(found.findings)


def _is_text(out: str) -> bool:
    """True for plain text, by the file's name. Raises InputError for a name of neither form."""
    if out != "-" and not out.lower().endswith((".txt", ".text", ".html", ".htm")):
        raise InputError("the report's file ends with neither .html nor .txt", where=out, hint="--out FILE.html")
    return out.lower().endswith((".txt", ".text")) or out == "-"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("report")(report)
