"""`stage`, `activate`, `observe`, `ledger undo`: recording what was put where, by whom, on what evidence.

Rules: what can be seen to be wrong is refused whole, nothing half-recorded, unless a reason overrules it, which is
kept; a dry run shows exactly what would be recorded; an event is never changed, only undone by a later one.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.commands.inventory_read import (
    BasicOption,
    CaOption,
    HttpOption,
    MapOption,
    NetrcOption,
    UserOption,
)
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
    ChassisOption,
    DomainOption,
    JsonOption,
    KindOption,
    ModelOption,
    PerClusterOption,
    QuietOption,
    ReportedByOption,
    SiteOption,
    SlotOption,
    StoreOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import EXIT_REFUSED, worst_exit
from bundlekeeper.findings import exit_status
from bundlekeeper.jobs.recording.selection import Places
from bundlekeeper.jobs.recording.statements import Asked, RecordDetails, RecordStatement

if TYPE_CHECKING:
    from bundlekeeper.jobs.session import Session

NameArgument = Annotated[
    str | None, typer.Argument(metavar="[NAME]", help="Serial, name, tag, site, domain, or site/domain/chassis/slot.")
]
BundleOption = Annotated[str, typer.Option("--bundle", metavar="FAMILY/VERSION", help="The bundle (or its file name).")]
VersionOption = Annotated[str, typer.Option("--version", metavar="TEXT", help="The image's version.")]
AtOption = Annotated[str | None, typer.Option("--at", metavar="TIME", help="When it happened (default: now).")]
ZoneOption = Annotated[str, typer.Option("--zone", metavar="ZONE", help="The zone of --at, if it has none.")]
DoneByOption = Annotated[str, typer.Option("--done-by", metavar="NAME", help="Who did it.")]
ApprovedOption = Annotated[str, typer.Option("--approved-by", metavar="NAME", help="Who approved it.")]
ChangeOption = Annotated[str, typer.Option("--change", metavar="TICKET", help="The change ticket.")]
PlanOption = Annotated[
    str, typer.Option("--plan", metavar="PLAN", help="The approved plan: a kept name, a digest, a file.")
]
EvidenceOption = Annotated[
    str, typer.Option("--evidence", metavar="KIND", help="digest-read-back, inventory-reading, written-note or none.")
]
BeforeOption = Annotated[
    list[str] | None, typer.Option("--before", metavar="KEY=VALUE", help="A reading before the work; repeatable.")
]
AfterOption = Annotated[
    list[str] | None, typer.Option("--after", metavar="KEY=VALUE", help="A reading after the work; repeatable.")
]
DeviationsOption = Annotated[str, typer.Option("--deviations", metavar="TEXT", help="What differed from the plan.")]
NoteOption = Annotated[str, typer.Option("--note", metavar="TEXT", help="Anything else.")]
AnywayOption = Annotated[str, typer.Option("--anyway", metavar="REASON", help="Record it against a refusal; kept.")]
FileOption = Annotated[
    str | None, typer.Option("--file", metavar="CSV", help="Many at once: a row for each component.")
]
DryRunOption = Annotated[bool, typer.Option("--dry-run", help="Show what would be recorded, or sent; do nothing.")]


def stage(
    name: NameArgument = None,
    bundle: BundleOption = "",
    version: VersionOption = "",
    bank: Annotated[str, typer.Option("--bank", metavar="BANK", help="pending, spare or boot_files.")] = "",
    file: FileOption = None,
    site: SiteOption = None,
    domain: DomainOption = None,
    chassis: ChassisOption = None,
    slot: SlotOption = None,
    kind: KindOption = None,
    model: ModelOption = None,
    at: AtOption = None,
    zone: ZoneOption = "",
    reported_by: ReportedByOption = None,
    done_by: DoneByOption = "",
    approved_by: ApprovedOption = "",
    change: ChangeOption = "",
    plan: PlanOption = "",
    evidence: EvidenceOption = "none",
    before: BeforeOption = None,
    after: AfterOption = None,
    deviations: DeviationsOption = "",
    note: NoteOption = "",
    anyway: AnywayOption = "",
    upload: UploadOption = False,
    service: ServiceOption = None,
    activate: ActivateOption = None,
    confirm: ConfirmOption = None,
    image_uri: ImageOption = None,
    parallel: ParallelServices = 1,
    per_cluster: PerClusterOption = 1,
    max_time: TaskTimeOption = "1h",
    user: UserOption = None,
    netrc: NetrcOption = None,
    basic: BasicOption = False,
    map_file: MapOption = None,
    ca: CaOption = None,
    http_on_loopback: HttpOption = False,
    quiet: QuietOption = False,
    dry_run: DryRunOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Record that an image's bytes are on a component (or many), not yet running; with --upload, bring them there.

    An upload sends the bundle's file to the management service (DMTF Redfish), once, after everything that is against
    it was looked for, and records what was read back. It stages; it activates only with --activate, which is agreed to
    by the target's name. Nothing here calls it safe: bundlekeeper help upload.
    """
    details = RecordDetails(
        at, zone, reported_by, done_by, approved_by, change, plan, evidence, before, after, deviations, note, anyway
    )
    places = Places.of(name, site, domain, chassis, slot, kind, model)
    sending = {
        "service": service, "activate": activate, "confirm": confirm, "image_uri": image_uri, "parallel": parallel,
        "per_cluster": per_cluster, "max_time": max_time, "user": user, "netrc": netrc, "basic": basic, "map": map_file,
        "ca": ca, "http_on_loopback": http_on_loopback,
    }  # fmt: skip
    if upload:
        stated = {"file": file, "version": version, "bank": bank, "at": at, "zone": zone, "evidence": evidence,
                  "before": before, "after": after, "anyway": anyway}  # fmt: skip
        insist_on_none(stated, "it happens now, and what it did is read back")
        return _upload(places, bundle, sending, details, dry_run=dry_run, store=store, quiet=quiet, json=json)
    insist_on_upload({**sending, "quiet": quiet})
    asked = Asked("stage", bundle=bundle, version=version, bank=bank)
    return _record(RecordStatement(asked, places, details), file=file, dry_run=dry_run, store=store, json=json)


def activate(
    name: NameArgument = None,
    bundle: BundleOption = "",
    version: VersionOption = "",
    failed: Annotated[
        str | None, typer.Option("--failed", metavar="REASON", help="It was tried and did not succeed: why.")
    ] = None,
    file: FileOption = None,
    site: SiteOption = None,
    domain: DomainOption = None,
    chassis: ChassisOption = None,
    slot: SlotOption = None,
    kind: KindOption = None,
    model: ModelOption = None,
    at: AtOption = None,
    zone: ZoneOption = "",
    reported_by: ReportedByOption = None,
    done_by: DoneByOption = "",
    approved_by: ApprovedOption = "",
    change: ChangeOption = "",
    plan: PlanOption = "",
    evidence: EvidenceOption = "none",
    before: BeforeOption = None,
    after: AfterOption = None,
    deviations: DeviationsOption = "",
    note: NoteOption = "",
    anyway: AnywayOption = "",
    dry_run: DryRunOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Record that a component now runs an image (named, or the staged one), or that activating it failed."""
    details = RecordDetails(
        at, zone, reported_by, done_by, approved_by, change, plan, evidence, before, after, deviations, note, anyway
    )
    places = Places.of(name, site, domain, chassis, slot, kind, model)
    asked = Asked("activate", bundle=bundle, version=version, failed=failed)
    return _record(RecordStatement(asked, places, details), file=file, dry_run=dry_run, store=store, json=json)


def observe(
    name: NameArgument = None,
    active: Annotated[
        str | None, typer.Option("--active", metavar="TEXT", help="The running version; - is none.")
    ] = None,
    pending: Annotated[
        str | None, typer.Option("--pending", metavar="TEXT", help="The pending one; - is none.")
    ] = None,
    spare: Annotated[str | None, typer.Option("--spare", metavar="TEXT", help="The spare one; - is none.")] = None,
    staged: Annotated[
        str | None, typer.Option("--staged", metavar="TEXT", help="What starts at the next activation; - is nothing.")
    ] = None,
    healthy: Annotated[
        str | None, typer.Option("--healthy", metavar="yes|no", help="Whether it reports that it is well.")
    ] = None,
    no_answer: Annotated[bool, typer.Option("--no-answer", help="It did not answer (why: --note).")] = False,
    removed: Annotated[bool, typer.Option("--removed", help="It was taken out, it is no longer there.")] = False,
    file: FileOption = None,
    site: SiteOption = None,
    domain: DomainOption = None,
    chassis: ChassisOption = None,
    slot: SlotOption = None,
    kind: KindOption = None,
    model: ModelOption = None,
    at: AtOption = None,
    zone: ZoneOption = "",
    reported_by: ReportedByOption = None,
    done_by: DoneByOption = "",
    evidence: EvidenceOption = "none",
    plan: PlanOption = "",
    note: NoteOption = "",
    dry_run: DryRunOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Record what was read from a component: what is active, staged or in a bank; or that it is gone, or silent."""
    details = RecordDetails(at, zone, reported_by, done_by, plan=plan, evidence=evidence, note=note)
    places = Places.of(name, site, domain, chassis, slot, kind, model)
    asked = Asked("observe", active=active, pending=pending, spare=spare, staged=staged, healthy=healthy,
                  no_answer="yes" if no_answer else "", removed="yes" if removed else "")  # fmt: skip
    return _record(RecordStatement(asked, places, details), file=file, dry_run=dry_run, store=store, json=json)


def _record(statement: RecordStatement, *, file: str | None, dry_run: bool, store: Path | None, json: bool) -> int:
    from bundlekeeper.cli.screen.answers.recording import show_recording
    from bundlekeeper.jobs.recording.record import record

    with _session(store) as session:
        done = record(session, statement, file=file, dry_run=dry_run)
    show_recording(done, statement.places.name, form=form_of(json=json))
    return exit_status(done.findings)


def _upload(
    places: Places,
    bundle: str,
    sending: dict[str, Any],
    details: RecordDetails,
    *,
    dry_run: bool,
    store: Path | None,
    quiet: bool,
    json: bool,
) -> int:
    from bundlekeeper.cli.screen.plans import uploaded as screen
    from bundlekeeper.cli.screen.signals import SIGNALS
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.upload.run import upload
    from bundlekeeper.model.stop import Stop

    stop, agree = Stop(), agreeing(sending["confirm"], screen.typed_name)
    options = upload_options(sending, dry_run=dry_run)
    with SIGNALS.guarded(stop), Session(store_root(store), caller(quiet=quiet), write=True) as session:
        run = upload(session, places, bundle, options, details, agree, stop)
    screen.show(run, "stage", places.name or "", form=form_of(json=json))
    return worst_exit([exit_status(run.findings), EXIT_REFUSED if run.refused else 0])


def _session(store: Path | None) -> Session:
    from bundlekeeper.jobs.session import Session

    return Session(store_root(store), caller(), write=True)


def register(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (stage, activate, observe):
        app.command()(command)
