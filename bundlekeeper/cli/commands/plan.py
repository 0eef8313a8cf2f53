"""`bundlekeeper plan`: a plan's file against the rules and today's inputs."""

from __future__ import annotations

from typing import Annotated

import typer

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
from bundlekeeper.findings import exit_status

app = typer.Typer(help="Plans: a route that was written to a file, or a plan made by hand.", rich_markup_mode=None)


@app.callback()
def _group() -> None:
    """Plans: a route that was written to a file, or a plan made by hand."""


@app.command("check")
def check(
    file: Annotated[str, typer.Argument(metavar="FILE", help="What route --out wrote, or a plan made by hand.")],
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Check a plan against every rule, in every state between, and against the inputs that it was made from."""
    from bundlekeeper.cli.screen.answers import route as screen
    from bundlekeeper.jobs.planning import plan_file
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    files = InputFiles(manifest, inventory, signature)
    with Session(store_root(store), caller()) as session:
        checked = plan_file.check_plan(session, file, files)
    screen.show_check(checked, form=form_of(json=json))
    return exit_status(checked.findings)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="plan")
