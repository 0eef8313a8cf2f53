"""`bundlekeeper media list`: the sets that were sent and received, with the receipts that came back."""

from __future__ import annotations

from bundlekeeper.cli.options import JsonOption, StoreOption, caller, store_root
from bundlekeeper.findings import exit_status


def show(store: StoreOption = None, json: JsonOption = False) -> int:
    """List the sets that were sent and received, and what is missing by the receipts that came back."""
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
