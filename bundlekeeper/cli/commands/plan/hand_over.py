"""`bundlekeeper plan calendar · ticket`: what is left of a plan for calendars and change tickets."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.commands.plan.kept import PlanArgument
from bundlekeeper.cli.options import (
    InventoryOption,
    JsonOption,
    ManifestOption,
    SignatureOption,
    StoreOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status

OutOption = Annotated[str, typer.Option("--out", "-o", "--output", metavar="FILE", help="The file (- is stdout).")]
ForceOption = Annotated[bool, typer.Option("--force", "-f", help="Replace an old file.")]


def calendar(
    plan: PlanArgument,
    out: OutOption = "-",
    force: ForceOption = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Write the windows of a plan that has dates as iCalendar (.ics, RFC 5545), each with its time to turn back."""
    from bundlekeeper.cli.screen.answers import report as screen
    from bundlekeeper.jobs.planning.hand_over import calendar_of
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    _insist_on_one(out, json=json)
    with Session(store_root(store), caller()) as session:
        handed = calendar_of(session, plan, InputFiles(manifest, inventory, signature))
    screen.show_handed(handed, "plan-calendar", out=out, force=force, form=form_of(json=json))
    return exit_status(handed.findings)


def ticket(
    plan: PlanArgument,
    out: OutOption = "-",
    force: ForceOption = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Write the text of a change ticket about a plan (Markdown), from the same data as its run-book."""
    from bundlekeeper.cli.screen.answers import report as screen
    from bundlekeeper.jobs.planning.hand_over import ticket_of
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    _insist_on_one(out, json=json)
    with Session(store_root(store), caller()) as session:
        handed = ticket_of(session, plan, InputFiles(manifest, inventory, signature))
    screen.show_handed(handed, "plan-ticket", out=out, force=force, form=form_of(json=json))
    return exit_status(handed.findings)


def _insist_on_one(out: str, *, json: bool) -> None:
    """Refuse two documents on stdout. Raises InputError."""
    if json and out == "-":
        raise InputError("--json and --out - would put two documents on stdout", hint="--out FILE writes to a file")


def register(app: typer.Typer) -> None:
    """Add the commands to the group."""
    app.command("calendar")(calendar)
    app.command("ticket")(ticket)
