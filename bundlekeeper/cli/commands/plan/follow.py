"""`bundlekeeper plan check · progress · rehearse`: is a plan still true, how far is it, and what if something fails."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.commands.plan.kept import PlanArgument
from bundlekeeper.cli.options import (
    DetailsOption,
    InventoryOption,
    JsonOption,
    ManifestOption,
    SignatureOption,
    StoreOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.findings import exit_status


def check(
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="A kept plan, what route --out wrote, or one by hand.")],
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Check what is left of a plan against every rule, in every state between, and against what it was made from.

    What the plan itself changed is progress; anything else is refused, each difference named.
    """
    from bundlekeeper.cli.screen.answers import route as screen
    from bundlekeeper.jobs.planning import plan_file
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    files = InputFiles(manifest, inventory, signature)
    with Session(store_root(store), caller()) as session:
        checked = plan_file.check_plan(session, plan, files)
    screen.show_check(checked, form=form_of(json=json))
    return exit_status(checked.findings)


def progress(
    plan: PlanArgument,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    details: DetailsOption = False,
    json: JsonOption = False,
) -> int:
    """Show how far a plan is: done, failed, skipped, no answer, left; what comes next, and what the rules leave."""
    from bundlekeeper.cli.screen.plans import progress as screen
    from bundlekeeper.jobs.following.progress import followed_plan
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    files = InputFiles(manifest, inventory, signature)
    with Session(store_root(store), caller()) as session:
        found = followed_plan(session, plan, files)
    screen.show(found, form=form_of(json=json), whole=details)
    return exit_status(found.findings)


def rehearse(
    plan: PlanArgument,
    fail: Annotated[
        list[str] | None,
        typer.Option("--fail", metavar="SERIAL@WINDOW", help="This component, or server, fails then; repeatable."),
    ] = None,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Play what is left of a plan, with failures: the state after each window, and where one would be stuck.

    Nothing is recorded. What fails is not tried again.
    """
    from bundlekeeper.cli.screen.plans import rehearsed as screen
    from bundlekeeper.jobs.following.progress import rehearsed
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    files = InputFiles(manifest, inventory, signature)
    with Session(store_root(store), caller()) as session:
        found, played = rehearsed(session, plan, fail or (), files)
    screen.show(found, played, form=form_of(json=json))
    return 1 if played.stuck_at or played.not_reached else 0


def register(app: typer.Typer) -> None:
    """Add the commands to the group."""
    app.command("check")(check)
    app.command("progress")(progress)
    app.command("rehearse")(rehearse)
