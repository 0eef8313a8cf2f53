"""`bundlekeeper where`: which version is staged, pending, active, where; since when, reported by whom, on any day."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    ChassisOption,
    DetailsOption,
    DomainOption,
    JsonOption,
    KindOption,
    ModelOption,
    Several,
    SiteOption,
    SlotOption,
    StoreOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status

BundleOption = Annotated[
    Several,
    typer.Option("--bundle", metavar="FAMILY/VERSION", help="Where this bundle (or file of the store) is; repeatable."),
]
VersionOption = Annotated[
    Several, typer.Option("--version", metavar="TEXT", help="Where this image version is; repeatable.")
]
ShaOption = Annotated[
    Several, typer.Option("--sha256", metavar="HEX", help="Where the file with this digest is; repeatable.")
]
StagedOption = Annotated[bool, typer.Option("--staged", help="Where something is staged and not activated.")]
WithdrawnOption = Annotated[bool, typer.Option("--withdrawn", help="Where a withdrawn bundle is still.")]
BankOption = Annotated[
    Several,
    typer.Option(
        "--bank", metavar="BANK", help="Only in this bank: active, pending, spare, staged, boot_files; repeatable."
    ),
]
OnOption = Annotated[str | None, typer.Option("--on", metavar="TIME", help="As it was at the end of that day.")]
KnownOption = Annotated[str | None, typer.Option("--known", metavar="TIME", help="As this store knew it then.")]
CountOption = Annotated[
    Several, typer.Option("--count", metavar="KEY,KEY", help="Count by site, domain, kind, active, …; repeatable.")
]
ZoneOption = Annotated[
    str | None, typer.Option("--zone", metavar="ZONE", help="For sites without a zone in an inventory (default: UTC).")
]
PictureOption = Annotated[bool, typer.Option("--picture", help="The chassis, slot by slot.")]
HistoryOption = Annotated[bool, typer.Option("--history", help="Everything ever recorded of them.")]
GoneOption = Annotated[bool, typer.Option("--gone", help="Also what is no longer anywhere.")]


NameArgument = Annotated[
    str | None, typer.Argument(metavar="[NAME]", help="Serial, name, tag, place, site, domain, kind, model or family.")
]


def where(
    name: NameArgument = None,
    site: SiteOption = None,
    domain: DomainOption = None,
    chassis: ChassisOption = None,
    slot: SlotOption = None,
    kind: KindOption = None,
    model: ModelOption = None,
    bundle: BundleOption = None,
    version: VersionOption = None,
    sha256: ShaOption = None,
    withdrawn: WithdrawnOption = False,
    bank: BankOption = None,
    staged: StagedOption = False,
    on: OnOption = None,
    known: KnownOption = None,
    count: CountOption = None,
    zone: ZoneOption = None,
    gone: GoneOption = False,
    history: HistoryOption = False,
    picture: PictureOption = False,
    store: StoreOption = None,
    details: DetailsOption = False,
    json: JsonOption = False,
) -> int:
    """Show which version is staged, pending or active where; since when, reported by whom, on what evidence."""
    from bundlekeeper.cli.screen.answers import where as screen
    from bundlekeeper.jobs.recording import where as job
    from bundlekeeper.jobs.recording.selection import Places
    from bundlekeeper.jobs.session import Session

    form = form_of(json=json, picture=picture)
    if picture and count:
        raise InputError("--picture shows components, --count counts them", hint="one of them")
    if history and (on or known or count or picture):
        raise InputError("--history shows everything, as lines or as --json", hint="leave the other options out")
    places = Places.of(name, site, domain, chassis, slot, kind, model)
    bundles, versions, digests, banks = (tuple(words or ()) for words in (bundle, version, sha256, bank))
    asked = job.WhereAsked(bundles, versions, digests, banks, withdrawn=withdrawn, gone=gone, staged=staged)
    with Session(store_root(store), caller()) as session:
        times = job.WhereTimes(on, known, zone or session.config.zone or "UTC")
        found = job.where(session, places, asked, times, count=",".join(count or ()), history=history)
    screen.show(found, form, details=details)
    return exit_status(found.doubts)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("where")(where)
