"""`bundlekeeper export csv TABLE` and `export xlsx TABLE`: one table; `where` and `inventory` are read again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from bundlekeeper.cli.commands.export.options import KeyOption, OutOption
from bundlekeeper.cli.commands.store.list_bundles import FamilyOption
from bundlekeeper.cli.commands.where import (
    BankOption,
    BundleOption,
    KnownOption,
    NameArgument,
    OnOption,
    ShaOption,
    VersionOption,
    WithdrawnOption,
    ZoneOption,
)
from bundlekeeper.cli.options import (
    ChassisOption,
    DomainOption,
    InventoryOption,
    KindOption,
    ManifestOption,
    ModelOption,
    PassphraseOption,
    SignatureOption,
    SiteOption,
    SlotOption,
    StoreOption,
    ToOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.exports import tables as screen
from bundlekeeper.cli.screen.exports.target import ExportTarget, target
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status
from bundlekeeper.jobs.exports.origin import exporting
from bundlekeeper.jobs.recording.selection import Places
from bundlekeeper.jobs.session import Session

Command = TypeVar("Command", bound=Callable[..., int])

csv_app = typer.Typer(help="One table as CSV, for a spreadsheet.", rich_markup_mode=None)
xlsx_app = typer.Typer(help="One table as a workbook (XLSX); needs --out FILE.", rich_markup_mode=None)


def _table(name: str) -> Callable[[Command], Command]:
    """Make a function the command of a table in both forms; they differ by the group that they are called in."""

    def register(function: Command) -> Command:
        csv_app.command(name)(function)
        xlsx_app.command(name)(function)
        return function

    return register


def _file(context: typer.Context, out: str, key: Path | None, passphrase_fd: int | None) -> ExportTarget:
    group = context.parent
    return target(out, key, passphrase_fd, workbook=group is not None and group.info_name == "xlsx")


@_table("where")
def where(
    context: typer.Context,
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
    on: OnOption = None,
    known: KnownOption = None,
    zone: ZoneOption = None,
    out: OutOption = "-",
    key: KeyOption = None,
    passphrase_fd: PassphraseOption = None,
    store: StoreOption = None,
) -> int:
    """Which version is where, as `where` answers: a row for each component; inventory load and observe read it."""
    from bundlekeeper.jobs.recording import where as job

    places = Places.of(name, site, domain, chassis, slot, kind, model)
    bundles, versions, digests, banks = (tuple(words or ()) for words in (bundle, version, sha256, bank))
    asked = job.WhereAsked(bundles, versions, digests, banks, withdrawn=withdrawn)
    file = _file(context, out, key, passphrase_fd)
    with Session(store_root(store), caller()) as session, exporting(session) as origin:
        times = job.WhereTimes(on, known, zone or session.config.zone or "UTC")
        found = job.where(session, places, asked, times)
    screen.write_where(found, screen.TablePlace(file, origin, "where"))
    return exit_status(found.doubts)


@_table("inventory")
def inventory(
    context: typer.Context,
    out: OutOption = "-",
    key: KeyOption = None,
    passphrase_fd: PassphraseOption = None,
    store: StoreOption = None,
) -> int:
    """What components exist and run, as the ledger has it now, in the columns that inventory load reads."""
    from bundlekeeper.jobs.recording.believed_inventory import believed_inventory

    file = _file(context, out, key, passphrase_fd)
    with Session(store_root(store), caller()) as session, exporting(session) as origin:
        found = believed_inventory(session)
    screen.write_inventory(found, screen.TablePlace(file, origin, "inventory"))
    return exit_status(found.doubts)


@_table("history")
def history(
    context: typer.Context,
    name: NameArgument = None,
    site: SiteOption = None,
    domain: DomainOption = None,
    chassis: ChassisOption = None,
    slot: SlotOption = None,
    kind: KindOption = None,
    model: ModelOption = None,
    out: OutOption = "-",
    key: KeyOption = None,
    passphrase_fd: PassphraseOption = None,
    store: StoreOption = None,
) -> int:
    """Everything that was ever recorded of components, entries that were taken back, too."""
    from bundlekeeper.jobs.recording import where as job

    places = Places.of(name, site, domain, chassis, slot, kind, model)
    file = _file(context, out, key, passphrase_fd)
    with Session(store_root(store), caller()) as session, exporting(session) as origin:
        found = job.where(session, places, job.WhereAsked(), job.WhereTimes(), history=True)
    screen.write_history(found, screen.TablePlace(file, origin, "history"))
    return 0


@_table("store")
def stored(
    context: typer.Context,
    family: FamilyOption = None,
    out: OutOption = "-",
    key: KeyOption = None,
    passphrase_fd: PassphraseOption = None,
    store: StoreOption = None,
) -> int:
    """What is in the store: each bundle, its digest, when and how it was verified."""
    from bundlekeeper.jobs.store.listing import store_list

    file = _file(context, out, key, passphrase_fd)
    with Session(store_root(store), caller()) as session, exporting(session) as origin:
        found = store_list(session, family or ())
    screen.write_stored(found, screen.TablePlace(file, origin, "store"))
    return exit_status(found.findings)


@_table("gaps")
def gaps(
    context: typer.Context,
    domain: Annotated[str | None, typer.Argument(metavar="[DOMAIN]", help="The domain; or --all.")] = None,
    to: ToOption = "",
    every: Annotated[bool, typer.Option("--all", help="Every domain of the inventory.")] = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    out: OutOption = "-",
    key: KeyOption = None,
    passphrase_fd: PassphraseOption = None,
    store: StoreOption = None,
) -> int:
    """Everything between a domain and a release: a row for each finding."""
    from bundlekeeper.jobs.planning.gaps import find_gaps
    from bundlekeeper.jobs.planning.inputs import InputFiles

    if not to or (domain is None) != every:
        raise InputError(
            "name a domain (or --all) and a release", hint="bundlekeeper export csv gaps DOMAIN --to RELEASE"
        )
    file = _file(context, out, key, passphrase_fd)
    with Session(store_root(store), caller()) as session, exporting(session) as origin:
        found = find_gaps(session, domain, to, InputFiles(manifest, inventory, signature))
        return screen.write_gaps(found, screen.TablePlace(file, origin, "gaps"))
