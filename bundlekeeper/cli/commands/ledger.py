"""`bundlekeeper ledger`: verify the ledger's chain, carry it to another store, merge what comes back, undo a batch."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import JsonOption, ReportedByOption, StoreOption, caller, store_root
from bundlekeeper.cli.screen.answers import ledger as screen
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.findings import exit_status
from bundlekeeper.jobs.recording import ledger as jobs
from bundlekeeper.jobs.session import Session

app = typer.Typer(
    help="The ledger: verify its chain, undo a batch, export it, merge another store's.", rich_markup_mode=None
)

HeadOption = Annotated[
    str, typer.Option("--head", metavar="HEX", help="A head printed earlier, which the chain must contain.")
]


@app.command("verify")
def verify(head: HeadOption = "", store: StoreOption = None, json: JsonOption = False) -> int:
    """Read every event and compare it with the chain, and the chain with a head that was printed earlier."""
    with Session(store_root(store), caller()) as session:
        done = jobs.verify(session, head)
    screen.show_verified(done, form=form_of(json=json))
    return exit_status(done.findings)


@app.command("undo")
def undo(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="[BATCH|EVENT]...", help="Batches and entries (where --history shows their ids)."),
    ] = None,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="What is wrong with it.")] = "",
    last: Annotated[
        bool, typer.Option("--last", help="The last batch recorded in this store (shared: by you).")
    ] = False,
    with_later: Annotated[
        bool, typer.Option("--with-later", help="Take back the later entries that rest on it, too.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Agree to what --last takes back, unasked.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Report what would be undone; record nothing.")] = False,
    reported_by: ReportedByOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Take back what was recorded by later entries, with a reason. It changes the ledger, no component."""
    from bundlekeeper.cli.screen.answers.recording import ask_undone, show_undone
    from bundlekeeper.jobs.recording.undo import UndoRequest
    from bundlekeeper.jobs.recording.undo import undo as job

    request = UndoRequest(tuple(names or ()), reason, reported_by, last, with_later, dry_run)
    if not yes:
        request = replace(request, agree=ask_undone)
    with Session(store_root(store), caller(), write=not dry_run) as session:
        done = job(session, request)
    show_undone(done, form=form_of(json=json))
    return 0


@app.command()
def export(
    out: Annotated[str, typer.Option("--output", "-o", metavar="FILE", help="A new file (default: stdout).")] = "-",
    after: Annotated[int, typer.Option("--after", min=0, metavar="N", help="Only events after number N.")] = 0,
    store: StoreOption = None,
) -> int:
    """Write the ledger as lines that another store merges."""
    with Session(store_root(store), caller()) as session:
        if out == "-":
            screen.write_lines(jobs.export_lines(session, after))
            return 0
        events, head = jobs.export_file(session, out, after)
    screen.show_exported(out, events, head)
    return 0


@app.command()
def merge(
    files: Annotated[list[str], typer.Argument(metavar="FILE...", help="What other stores exported (- is stdin).")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Merge other stores' events: in any order, as often as you like, the result is the same."""
    with Session(store_root(store), caller(), write=True) as session:
        done = jobs.merge(session, files)
    screen.show_merged(done, form=form_of(json=json))
    return exit_status(done.findings)


@app.command()
def rebuild(store: StoreOption = None, json: JsonOption = False) -> int:
    """Build the tables of `where` again from the events, which do not change; report how many rows were wrong."""
    with Session(store_root(store), caller(), write=True) as session:
        done = jobs.rebuild(session)
    screen.show_rebuilt(done, form=form_of(json=json))
    return exit_status(done.findings)


@app.command()
def salvage(
    out: Annotated[Path, typer.Argument(metavar="FILE", help="The new ledger's file; it must not exist.")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Save every readable event of a damaged ledger into a new one, with a chain of its own."""
    with Session(store_root(store), caller()) as session:
        done = jobs.salvage(session, out)
    screen.show_salvaged(done, form=form_of(json=json))
    return exit_status(done.findings)


@app.command()
def setup() -> int:
    """Print the SQL that makes a shared ledger, for the administrator of a PostgreSQL database."""
    screen.write_lines([jobs.setup_script()])
    return 0


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="ledger")
