"""`bundlekeeper plan record`: a whole window in one batch.

Rules: on a terminal each exception is asked for; without one, --yes agrees to what no --except names; a password is
never on the command line.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.commands.inventory_read import BasicOption
from bundlekeeper.cli.commands.plan.kept import PlanArgument
from bundlekeeper.cli.commands.upload_options import (
    ActivateOption,
    ConfirmOption,
    ImageOption,
    ParallelServices,
    ServiceOption,
    TaskTimeOption,
    UploadOption,
    agreeing,
    insist_on_none,
    insist_on_upload,
    upload_options,
)
from bundlekeeper.cli.options import (
    JsonOption,
    PerClusterOption,
    QuietOption,
    ReportedByOption,
    StoreOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import EXIT_REFUSED, InputError, worst_exit
from bundlekeeper.findings import exit_status

if TYPE_CHECKING:
    from bundlekeeper.jobs.recording.statements import RecordDetails

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
    upload: UploadOption = False,
    service: ServiceOption = None,
    activate: ActivateOption = None,
    confirm: ConfirmOption = None,
    image_uri: ImageOption = None,
    parallel: ParallelServices = 1,
    per_cluster: PerClusterOption = 1,
    max_time: TaskTimeOption = "1h",
    basic: BasicOption = False,
    quiet: QuietOption = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show what would be recorded; record nothing.")] = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Record that a window of a plan was done: staging and activation of all its components, in one batch.

    Each exception is asked for, or named by --except. A read-back is recorded only from what was seen: --read asks the
    management services now, --sheet reads what somebody wrote down. Without either a component stays not-read-back.
    With --upload nothing is reported by a person: what the window asks for is brought over Redfish (help upload).
    """
    from bundlekeeper.cli.screen.plans import recorded as screen
    from bundlekeeper.jobs.following import record_window as job
    from bundlekeeper.jobs.recording.statements import RecordDetails
    from bundlekeeper.jobs.session import Session

    if template is not None:
        insist_on_none({"yes": yes, "except": excepted, "read": read, "sheet": sheet, "at": at, "dry-run": dry_run},
                       "it records nothing", "a template")  # fmt: skip
    if read and sheet is not None:
        raise InputError("--read and --sheet are two sources of what was seen", hint="give one, then the other")
    details = RecordDetails(at, zone, reported_by, done_by, note=note, anyway=anyway)
    sending: dict[str, Any] = {
        "service": service, "activate": activate, "confirm": confirm, "image_uri": image_uri, "parallel": parallel,
        "per_cluster": per_cluster, "max_time": max_time, "basic": basic, "quiet": quiet,
    }  # fmt: skip
    if upload:
        stated = {"yes": yes, "except": excepted, "read": read, "sheet": sheet, "template": template, "at": at,
                  "zone": zone, "anyway": anyway}  # fmt: skip
        insist_on_none(stated, "it happens now, and what it did is read back")
        sending |= {"user": user, "netrc": netrc_file, "map": map_file, "ca": ca, "http_on_loopback": http_on_loopback}
        return _upload(plan, window, sending, details, dry_run=dry_run, store=store, json=json)
    insist_on_upload(sending)
    services = job.ReadServices(tuple(read or ()), user, netrc_file, ca, map_file, http_on_loopback, _password)
    with Session(store_root(store), caller(), write=True) as session:
        found = job.open_window(session, plan, window, anyway)
        if template is not None:
            screen.write_template(found, template, form=form_of(json=json))
            return 0
        job.insist_on_turn(found, anyway)
        exceptions = job.exceptions_of(found, excepted or ())
        if found.open and not yes and not dry_run:
            exceptions = screen.asked(found, exceptions, json=json)
        seen, source = job.seen_of(session, found, services, sheet)
        done = job.record_window(session, found, exceptions, details, seen, source, dry_run=dry_run)
    screen.show(done, found, form=form_of(json=json))
    return 1 if done.differs else 0


def _upload(
    plan: str, window: int, sending: dict[str, Any], details: RecordDetails, *, dry_run: bool, store: Path | None,
    json: bool,
) -> int:  # fmt: skip
    from bundlekeeper.cli.screen.plans import uploaded as screen
    from bundlekeeper.cli.screen.signals import SIGNALS
    from bundlekeeper.jobs.following.record_window import open_window
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.upload.run import upload_window
    from bundlekeeper.model.stop import Stop

    stop, agree = Stop(), agreeing(sending["confirm"], screen.typed_name)
    options, quiet = upload_options(sending, dry_run=dry_run), sending["quiet"]
    with SIGNALS.guarded(stop), Session(store_root(store), caller(quiet=quiet), write=True) as session:
        found = open_window(session, plan, window)
        run = upload_window(session, found, options, details, agree, stop)
    screen.show(run, "plan-record", "", form=form_of(json=json))
    return worst_exit([exit_status(run.findings), EXIT_REFUSED if run.refused else 0])


def _password() -> str:
    from bundlekeeper.cli.commands.inventory_read import password

    return password()


def register(app: typer.Typer) -> None:
    """Add the command to the group."""
    app.command("record")(record)
