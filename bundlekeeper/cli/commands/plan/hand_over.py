"""`bundlekeeper plan calendar · ticket`: what is left of a plan for calendars and change tickets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bundlekeeper.cli.commands.plan.kept import PlanArgument
from bundlekeeper.cli.options import (
    ForceOption,
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

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.hand_over import HandedOver
    from bundlekeeper.jobs.session import Session

OutOption = Annotated[str, typer.Option("--out", "-o", "--output", metavar="FILE", help="The file (- is stdout).")]


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
    from bundlekeeper.jobs.planning.hand_over import calendar_of
    from bundlekeeper.jobs.planning.inputs import InputFiles

    _insist_on_one(out, json=json)
    with _session(store) as session:
        handed = calendar_of(session, plan, InputFiles(manifest, inventory, signature))
    return _show(handed, "plan-calendar", out, force=force, json=json)


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
    from bundlekeeper.jobs.planning.hand_over import ticket_of
    from bundlekeeper.jobs.planning.inputs import InputFiles

    _insist_on_one(out, json=json)
    with _session(store) as session:
        handed = ticket_of(session, plan, InputFiles(manifest, inventory, signature))
    return _show(handed, "plan-ticket", out, force=force, json=json)


def _session(store: Path | None) -> Session:
    from bundlekeeper.jobs.session import Session

    return Session(store_root(store), caller())


def _show(handed: HandedOver, command: str, out: str, *, force: bool, json: bool) -> int:
    """Write the document; the exit status by what was found."""
    from bundlekeeper.cli.screen.answers import report as screen

    screen.show_handed(handed, command, out=out, force=force, form=form_of(json=json))
    return exit_status(handed.findings)


def _insist_on_one(out: str, *, json: bool) -> None:
    """Refuse two documents on stdout. Raises InputError."""
    if json and out == "-":
        raise InputError("--json and --out - would put two documents on stdout", hint="--out FILE writes to a file")


def register(app: typer.Typer) -> None:
    """Add the commands to the group."""
    app.command("calendar")(calendar)
    app.command("ticket")(ticket)
