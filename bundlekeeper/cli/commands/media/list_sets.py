"""`bundlekeeper media list`: sets that went out, sets that came in, and what the receipts report."""

from __future__ import annotations

from bundlekeeper.cli.options import JsonOption, StoreOption, caller, store_root
from bundlekeeper.findings import exit_status


def show(store: StoreOption = None, json: JsonOption = False) -> int:
    """List the sets sent and received, how complete each is, and what is missing by the receipts that came back."""
    from bundlekeeper.cli.screen.media import sets as screen
    from bundlekeeper.jobs.media.list_sets import list_sets
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller()) as session:
        found = list_sets(session)
    if json:
        screen.show_json(found)
    else:
        screen.show_text(found)
    return exit_status(found.findings)
