"""`bundlekeeper plan record`: a whole window in one batch.

Rules: on a terminal each exception is asked for; without one, --yes agrees to what no --except names; a password is
never on the command line.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.commands.plan.kept import PlanArgument
from bundlekeeper.cli.options import JsonOption, ReportedByOption, StoreOption, caller, store_root
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import InputError

WindowNumber = Annotated[int, typer.Option("--window", min=1, metavar="N", help="The window's number in the plan.")]


def record(
    plan: PlanArgument,
    window: WindowNumber,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="All that is not excepted was done as planned.")] = False,
    excepted: Annotated[
        list[str] | None,
        typer.Option("--except", metavar="SERIAL=WHAT", help="failed:REASON, skipped:REASON or no-answer; repeatable."),
    ] = None,
    read: Annotated[
        list[str] | None, typer.Option("--read", metavar="URL", help="Ask this management service now; repeatable.")
    ] = None,
    sheet: Annotated[
        str | None, typer.Option("--sheet", metavar="FILE", help="What was seen: the filled-in template.")
    ] = None,
    template: Annotated[
        str | None,
        typer.Option("--template", metavar="FILE", help="Write the sheet to fill in (.csv, .xlsx); record nothing."),
    ] = None,
    at: Annotated[str | None, typer.Option("--at", metavar="TIME", help="When it was done (default: now).")] = None,
    zone: Annotated[str, typer.Option("--zone", metavar="ZONE", help="The zone of --at, if it has none.")] = "",
    reported_by: ReportedByOption = None,
    done_by: Annotated[str, typer.Option("--done-by", metavar="NAME", help="Who did it.")] = "",
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="Anything else.")] = "",
    anyway: Annotated[str, typer.Option("--anyway", metavar="REASON", help="Record it against a refusal.")] = "",
    user: Annotated[str | None, typer.Option("--user", metavar="NAME", help="Log in for --read as.")] = None,
    netrc_file: Annotated[
        Path | None, typer.Option("--netrc", metavar="FILE", help="User and password by host.")
    ] = None,
    ca: Annotated[Path | None, typer.Option("--ca", metavar="FILE", help="CA certificates for --read, as PEM.")] = None,
    map_file: Annotated[str | None, typer.Option("--map", metavar="FILE", help="[[map]] entries for --read.")] = None,
    http_on_loopback: Annotated[
        bool, typer.Option("--http-on-loopback", help="Allow plain http to this very machine.")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show what would be recorded; record nothing.")] = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Record that a window of a plan was done: staging and activation of all its components, in one batch.

    Each exception is asked for, or named by --except. A read-back is recorded only from what was seen: --read asks the
    management services now, --sheet reads what somebody wrote down. Without either a component stays not-read-back.
    """
    from bundlekeeper.cli.screen.plans import recorded as screen
    from bundlekeeper.jobs.following import record_window as job
    from bundlekeeper.jobs.recording.statements import RecordDetails
    from bundlekeeper.jobs.session import Session

    if read and sheet is not None:
        raise InputError("--read and --sheet are two sources of what was seen", hint="give one, then the other")
    details = RecordDetails(at, zone, reported_by, done_by, note=note, anyway=anyway)
    services = job.ReadServices(tuple(read or ()), user, netrc_file, ca, map_file, http_on_loopback, _password)
    with Session(store_root(store), caller(), write=True) as session:
        found = job.open_window(session, plan, window, anyway)
        if template is not None:
            screen.write_template(found, template, form=form_of(json=json))
            return 0
        job.insist_on_turn(found, anyway)
        exceptions = job.exceptions_of(found, excepted or ())
        exceptions += screen.asked(found, json=json) if found.open and not yes and not dry_run else []
        seen, source = job.seen_of(session, found, services, sheet)
        done = job.record_window(session, found, exceptions, details, seen, source, dry_run=dry_run)
    screen.show(done, found, form=form_of(json=json))
    return 1 if done.differs else 0


def _password() -> str:
    from bundlekeeper.cli.commands.inventory_read import password

    return password()


def register(app: typer.Typer) -> None:
    """Add the command to the group."""
    app.command("record")(record)
