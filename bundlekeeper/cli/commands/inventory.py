"""`bundlekeeper inventory`: what components exist and run, from files or read from a management service."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.commands.inventory_read import read
from bundlekeeper.cli.options import JsonOption, ReportedByOption, StoreOption, caller, store_root
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import InputError

app = typer.Typer(
    help="What components exist and run: load it from files, read it from a service.", rich_markup_mode=None
)

FormOption = Annotated[
    str | None, typer.Option("--form", metavar="FORM", help="toml, csv or json, if the name does not show it (-).")
]
ReadAtOption = Annotated[
    str | None, typer.Option("--read-at", metavar="TIME", help="When it was read, if no file states it.")
]
ZoneOption = Annotated[str | None, typer.Option("--zone", metavar="ZONE", help="Its zone, if no file states it.")]
CompleteOption = Annotated[
    bool, typer.Option("--complete", help="It lists everything in its domains: what it lacks is gone.")
]
PartialOption = Annotated[
    bool, typer.Option("--partial", help="It lists some components: nothing is gone because of it.")
]


@app.command()
def load(
    files: Annotated[list[str], typer.Argument(metavar="FILE...", help="TOML, CSV, JSON (XLSX with the extra).")],
    form: FormOption = None,
    read_at: ReadAtOption = None,
    zone: ZoneOption = None,
    complete: CompleteOption = False,
    partial: PartialOption = False,
    reported_by: ReportedByOption = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Report what would change; record nothing.")] = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Load an inventory, all of it or nothing, and report what changed since the last one."""
    from bundlekeeper.cli.screen.answers.inventory import show_loaded
    from bundlekeeper.jobs.recording import inventory_load as job
    from bundlekeeper.jobs.session import Session

    if complete and partial:
        raise InputError("--complete and --partial at once", hint="one of them, or neither")
    options = job.LoadOptions(form, read_at, zone, "all" if complete else "some" if partial else "", reported_by)
    with Session(store_root(store), caller(), write=not dry_run) as session:
        loaded = job.load(session, files, options, dry_run=dry_run)
    show_loaded(loaded, form=form_of(json=json))
    return 0


app.command("read")(read)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="inventory")
