"""`bundlekeeper gaps`: everything between a domain and a release, before anything is uploaded."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    DetailsOption,
    InventoryOption,
    JsonOption,
    ManifestOption,
    SignatureOption,
    StoreOption,
    ToOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import InputError


def gaps(
    domain: Annotated[str | None, typer.Argument(metavar="[DOMAIN]", help="The domain; or --all.")] = None,
    to: ToOption = "",
    every: Annotated[bool, typer.Option("--all", help="Every domain of the inventory.")] = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    junit: Annotated[
        str | None, typer.Option("--junit", metavar="FILE", help="Also write JUnit XML to this file (- is stdout).")
    ] = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    details: DetailsOption = False,
    json: JsonOption = False,
) -> int:
    """Report everything between a domain and a release, worst first, each with its evidence and a hint.

    What could not be checked is named and counted; it never counts as good.
    """
    from bundlekeeper.cli.screen.answers import gaps as screen
    from bundlekeeper.jobs.planning.gaps import find_gaps
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    if not to or (domain is None) != every:
        raise InputError("name a domain (or --all) and a release", hint="bundlekeeper gaps DOMAIN --to RELEASE")
    with Session(store_root(store), caller()) as session:
        found = find_gaps(session, domain, to, InputFiles(manifest, inventory, signature))
    words = {"to": to, "manifest": manifest, "inventory": inventory, "signature": signature}
    return screen.show(found, words, every=every, junit=junit, form=form_of(json=json), whole=details)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("gaps")(gaps)
