"""`bundlekeeper inventory`: what components exist and run, from files or read from a management service."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.commands.inventory_read import read
from bundlekeeper.cli.options import DetailsOption, JsonOption, ReportedByOption, StoreOption, caller, store_root
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status

app = typer.Typer(
    help="What components exist and run: load it from files, read it from a service.", rich_markup_mode=None
)

FormOption = Annotated[
    str | None, typer.Option("--form", metavar="FORM", help="toml, csv or json, if the name does not show it (-).")
]
OutOption = Annotated[str, typer.Option("--output", "-o", metavar="FILE", help="A new file (default: stdout).")]
ForceOption = Annotated[bool, typer.Option("--force", "-f", help="Replace an older one.")]
ReadAtOption = Annotated[
    str | None, typer.Option("--read-at", metavar="TIME", help="When it was read, if no file states it.")
]
ZoneOption = Annotated[str | None, typer.Option("--zone", metavar="ZONE", help="Its zone, if no file states it.")]
CompleteOption = Annotated[
    list[str] | None,
    typer.Option("--complete", metavar="PLACE", help="It lists all of domain:NAME or site:NAME. Repeatable."),
]


@app.command()
def load(
    files: Annotated[list[str], typer.Argument(metavar="FILE...", help="TOML, CSV, JSON (XLSX with the extra).")],
    form: FormOption = None,
    read_at: ReadAtOption = None,
    zone: ZoneOption = None,
    complete: CompleteOption = None,
    gone: Annotated[bool, typer.Option("--gone", help="What it lists whole and lacks is gone: do not ask.")] = False,
    columns: Annotated[
        str | None, typer.Option("--columns", metavar="FILE", help="What the columns of a sheet are: a column map.")
    ] = None,
    reported_by: ReportedByOption = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Report what would change; record nothing.")] = False,
    store: StoreOption = None,
    details: DetailsOption = False,
    json: JsonOption = False,
) -> int:
    """Load an inventory, all of it or nothing, and report what changed since the last one.

    What it does not list stays as it was, unless it covers a domain or site whole: then that is gone, once you agree.
    """
    from bundlekeeper.cli.screen.answers.inventory import ask_gone, show_loaded
    from bundlekeeper.jobs.recording import inventory_load as job
    from bundlekeeper.jobs.session import Session

    options = job.LoadOptions(form, read_at, zone, complete or (), columns, reported_by)
    agree = (lambda _: None) if gone else ask_gone
    with Session(store_root(store), caller(), write=not dry_run) as session:
        loaded = job.load(session, files, options, dry_run=dry_run, agree=agree)
    show_loaded(loaded, form=form_of(json=json), details=details)
    return exit_status(loaded.findings)


app.command("read")(read)


@app.command()
def columns(
    sheet: Annotated[str, typer.Argument(metavar="SHEET", help="CSV (XLSX with the extra).")],
    out: OutOption = "-",
    force: ForceOption = False,
    form: FormOption = None,
    store: StoreOption = None,
) -> int:
    """Draft a column map of a sheet's headings: which key each is, which kind's version, what is ignored.

    REVIEW is beside what is guessed; `inventory load SHEET --columns FILE` reads the sheet by it.
    """
    from bundlekeeper.cli.screen.user_files import COLUMN_MAP, write_new
    from bundlekeeper.jobs.recording.inventory_sheets import columns as draft
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller()) as session:
        text = draft(session, sheet, form)
    write_new(out, text, force=force, kind=COLUMN_MAP)
    return 0


@app.command()
def template(
    out: OutOption = "-",
    force: ForceOption = False,
    xlsx: Annotated[bool, typer.Option("--xlsx", help="A workbook; else CSV.")] = False,
) -> int:
    """Write an empty sheet to fill in, with every column explained."""
    from bundlekeeper.cli.screen.user_files import TEMPLATE, WORKBOOK, write_new
    from bundlekeeper.jobs.recording.inventory_sheets import template as make

    if xlsx and out == "-":
        raise InputError("a workbook is no text", hint="name its file: --output servers.xlsx")
    write_new(out, make(workbook=xlsx), force=force, kind=WORKBOOK if xlsx else TEMPLATE)
    return 0


@app.command()
def schema(out: OutOption = "-", force: ForceOption = False) -> int:
    """Print the JSON Schema of an inventory in TOML or JSON: an editor completes and checks by it as you type."""
    from json import dumps

    from bundlekeeper.cli.screen.user_files import SCHEMA, write_new
    from bundlekeeper.model.inventory.explained import json_schema

    write_new(out, dumps(json_schema(), indent=2) + "\n", force=force, kind=SCHEMA)
    return 0


@app.command("list")
def list_(store: StoreOption = None, json: JsonOption = False) -> int:
    """The inventories that were loaded, newest first: when each was read, by whom, from what, and what it covers."""
    from bundlekeeper.cli.screen.answers.inventory import show_readings
    from bundlekeeper.jobs.recording.inventory_sheets import readings
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller()) as session:
        show_readings(readings(session), form=form_of(json=json))
    return 0


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="inventory")
