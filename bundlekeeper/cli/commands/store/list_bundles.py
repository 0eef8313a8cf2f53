"""`bundlekeeper store list`: what is in the store, what needs it, and what is in quarantine."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import JsonOption, Several, StoreOption, caller, store_root
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status

FamilyOption = Annotated[
    Several, typer.Option("--family", metavar="FAMILY", help="Only infrastructure, blade or rack; repeatable.")
]
QuarantineOption = Annotated[
    bool,
    typer.Option("--quarantine", help="Instead: what is in quarantine, since when, why, and where a good copy is."),
]
UnneededOption = Annotated[bool, typer.Option("--unneeded", help="Only bundles that nothing known here needs.")]
AcceptedOption = Annotated[
    bool,
    typer.Option("--accepted", help="Also accepted findings and what was allowed against the rules, with reasons."),
]


def show(
    family: FamilyOption = None,
    quarantine: QuarantineOption = False,
    unneeded: UnneededOption = False,
    accepted: AcceptedOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """List what is in the store, by family: size, when it was verified, lifecycle, and what still needs it."""
    from bundlekeeper.cli.screen.answers import store_list as screen
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.store.listing import store_list

    if quarantine and (unneeded or family):
        raise InputError("--quarantine shows what is in no family", hint="leave --family and --unneeded out")
    with Session(store_root(store), caller()) as session:
        found = store_list(session, family or ())
    if unneeded:
        found = found.unneeded
    if json:
        screen.show_json(found)
    elif quarantine:
        screen.show_quarantine(found)
    else:
        screen.show_text(found, exceptions=accepted)
    return exit_status(found.findings)
