"""`bundlekeeper store list`: what the store holds, by family."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import JsonOption, StoreOption, caller, store_root
from bundlekeeper.findings import exit_status

FamilyOption = Annotated[
    str | None, typer.Option("--family", metavar="FAMILY", help="Only infrastructure, blade or rack.")
]

ExceptionsOption = Annotated[
    bool, typer.Option("--accepted", help="Also what was accepted against the rules, and why.")
]


def stored(
    family: FamilyOption = None,
    exceptions: ExceptionsOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """What the store holds, by family: version, size, images, when and how proven, standing."""
    from bundlekeeper.cli.screen.answers import store_list as screen
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.store_list import store_list

    with Session(store_root(store), caller()) as session:
        found = store_list(session, family)
    if json:
        screen.show_json(found)
    else:
        screen.show_text(found, exceptions=exceptions)
    return exit_status(found.findings)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("held")(stored)
