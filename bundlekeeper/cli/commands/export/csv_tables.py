"""`bundlekeeper export csv TABLE`: one table as CSV, for spreadsheets; `where` and `inventory` are read again."""

from __future__ import annotations

from typing import Annotated

import typer

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
    SignatureOption,
    SiteOption,
    SlotOption,
    StoreOption,
    ToOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen import csv_tables as screen
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status
from bundlekeeper.jobs.recording.selection import Places
from bundlekeeper.jobs.session import Session

app = typer.Typer(help="One table as CSV, for a spreadsheet.", rich_markup_mode=None)

OutOption = Annotated[
    str, typer.Option("--out", "-o", "--output", metavar="FILE", help="A new file (default: - is stdout).")
]


@app.command("where")
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
    on: OnOption = None,
    known: KnownOption = None,
    zone: ZoneOption = None,
    out: OutOption = "-",
    store: StoreOption = None,
) -> int:
    """Which version is where, as `where` answers: a row for each component; inventory load and observe read it."""
    from bundlekeeper.jobs.recording import where as job

    places = Places.of(name, site, domain, chassis, slot, kind, model)
    bundles, versions, digests, banks = (tuple(words or ()) for words in (bundle, version, sha256, bank))
    asked = job.WhereAsked(bundles, versions, digests, banks, withdrawn=withdrawn)
    with Session(store_root(store), caller()) as session:
        times = job.WhereTimes(on, known, zone or session.config.zone or "UTC")
        found = job.where(session, places, asked, times)
    screen.write_where(found, out)
    return exit_status(found.doubts)


@app.command("inventory")
def inventory(out: OutOption = "-", store: StoreOption = None) -> int:
    """What components exist and run, as the ledger has it now, in the columns that inventory load reads."""
    from bundlekeeper.jobs.recording.believed_inventory import believed_inventory

    with Session(store_root(store), caller()) as session:
        found = believed_inventory(session)
    screen.write_inventory(found, out)
    return exit_status(found.doubts)


@app.command("history")
def history(
    name: NameArgument = None,
    site: SiteOption = None,
    domain: DomainOption = None,
    chassis: ChassisOption = None,
    slot: SlotOption = None,
    kind: KindOption = None,
    model: ModelOption = None,
    out: OutOption = "-",
    store: StoreOption = None,
) -> int:
    """Everything that was ever recorded of components, entries that were taken back, too."""
    from bundlekeeper.jobs.recording import where as job

    places = Places.of(name, site, domain, chassis, slot, kind, model)
    with Session(store_root(store), caller()) as session:
        found = job.where(session, places, job.WhereAsked(), job.WhereTimes(), history=True)
    screen.write_history(found, out)
    return 0


@app.command("store")
def stored(family: FamilyOption = None, out: OutOption = "-", store: StoreOption = None) -> int:
    """What is in the store: each bundle, its digest, when and how it was verified."""
    from bundlekeeper.jobs.store.listing import store_list

    with Session(store_root(store), caller()) as session:
        found = store_list(session, family or ())
    screen.write_stored(found, out)
    return exit_status(found.findings)


@app.command("gaps")
def gaps(
    domain: Annotated[str | None, typer.Argument(metavar="[DOMAIN]", help="The domain; or --all.")] = None,
    to: ToOption = "",
    every: Annotated[bool, typer.Option("--all", help="Every domain of the inventory.")] = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    out: OutOption = "-",
    store: StoreOption = None,
) -> int:
    """Everything between a domain and a release: a row for each finding."""
    from bundlekeeper.jobs.planning.gaps import find_gaps
    from bundlekeeper.jobs.planning.inputs import InputFiles

    if not to or (domain is None) != every:
        raise InputError(
            "name a domain (or --all) and a release", hint="bundlekeeper export csv gaps DOMAIN --to RELEASE"
        )
    with Session(store_root(store), caller()) as session:
        found = find_gaps(session, domain, to, InputFiles(manifest, inventory, signature))
        return screen.write_gaps(found, out)
