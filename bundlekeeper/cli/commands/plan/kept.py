"""`bundlekeeper plan keep · list · show · close`: plans in the store."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    InventoryOption,
    JsonOption,
    ManifestOption,
    ReportedByOption,
    SignatureOption,
    StoreOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.findings import exit_status

PlanArgument = Annotated[
    str, typer.Argument(metavar="PLAN", help="A kept plan's name or digest, or a file that route --out wrote.")
]


def keep(
    file: Annotated[str, typer.Argument(metavar="FILE", help="What route --out wrote.")],
    name: Annotated[
        str, typer.Option("--name", metavar="NAME", help="What to call it (default: DOMAIN-RELEASE).")
    ] = "",
    change: Annotated[str, typer.Option("--change", metavar="TICKET", help="The change ticket.")] = "",
    approved_by: Annotated[str, typer.Option("--approved-by", metavar="NAME", help="Who approved it.")] = "",
    reported_by: ReportedByOption = None,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Keep a plan in the store, under its digest. The file never changes; what becomes of it is in the ledger."""
    from bundlekeeper.cli.screen.plans import kept as screen
    from bundlekeeper.jobs.following.keep import Keeping, keep_plan
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller(), write=True) as session:
        done = keep_plan(
            session, file, Keeping(name, change, approved_by, reported_by), InputFiles(manifest, inventory, signature)
        )
    screen.show_kept(done, form=form_of(json=json))
    return exit_status(done.findings)


def list_(
    every: Annotated[bool, typer.Option("--all", help="Closed ones, too.")] = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """List the kept plans, and how far each is."""
    from bundlekeeper.cli.screen.plans import kept as screen
    from bundlekeeper.jobs.following.keep import listed_plans
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller()) as session:
        rows = listed_plans(session, InputFiles(manifest, inventory, signature), closed=every)
    screen.show_list(rows, form=form_of(json=json))
    return 0


def show(plan: PlanArgument, store: StoreOption = None, json: JsonOption = False) -> int:
    """Show a plan: its steps and windows as they were planned, and what was said of it."""
    from bundlekeeper.cli.screen.plans import kept as screen
    from bundlekeeper.jobs.following.keep import shown_plan
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller()) as session:
        found = shown_plan(session, plan)
    screen.show_plan(found, form=form_of(json=json))
    return 0


def close(
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="A kept plan's name or digest.")],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Done, or why it is given up.")] = "",
    reported_by: ReportedByOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Close a kept plan, with a reason: it stays, and nothing of it is expected any more."""
    from bundlekeeper.cli.screen.plans import kept as screen
    from bundlekeeper.jobs.following.keep import close_plan
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller(), write=True) as session:
        closed = close_plan(session, plan, reason, reported_by)
    screen.show_closed(closed, form=form_of(json=json))
    return 0


def register(app: typer.Typer) -> None:
    """Add the commands to the group."""
    for name, command in (("keep", keep), ("list", list_), ("show", show), ("close", close)):
        app.command(name)(command)
