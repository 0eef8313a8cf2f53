"""`bundlekeeper status`: what needs attention today."""

from __future__ import annotations

import os
from typing import Annotated

import typer

from bundlekeeper.cli.options import JsonOption, StoreOption, caller, default_store, login_name, store_root
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.findings import exit_status

ConfigOption = Annotated[
    bool,
    typer.Option("--config", help="Instead: the values that hold where no option says otherwise, and their source."),
]


def status(config: ConfigOption = False, store: StoreOption = None, json: JsonOption = False) -> int:
    """Show what needs attention today: in the store, the ledger, kept plans and media sets. Reads no bundle."""
    from bundlekeeper.cli.screen.answers.attention import status as screen
    from bundlekeeper.jobs import config as config_job
    from bundlekeeper.jobs.attention.status import status as job
    from bundlekeeper.jobs.session import Session

    if config:
        screen.show_config(config_job.shown(os.environ, default_store(), login_name()), form_of(json=json))
        return 0
    with Session(store_root(store), caller()) as session:
        found = job(session)
    screen.show(found, form_of(json=json))
    return exit_status(found.findings)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("status")(status)
