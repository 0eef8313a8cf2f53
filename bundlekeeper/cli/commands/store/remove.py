"""`bundlekeeper store remove`: one bundle out of the store."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import JsonOption, ReportedByOption, StoreOption, WaitOption, caller, store_root
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import RefusedError
from bundlekeeper.findings import exit_status

BundleArgument = Annotated[
    str, typer.Argument(metavar="FAMILY/VERSION", help="The bundle, or the name of its file in the store.")
]
ReasonOption = Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why it goes; recorded.")]
ConfirmOption = Annotated[
    str | None, typer.Option("--confirm", metavar="NAME", help="Agree without being asked: the bundle's name again.")
]
AnywayOption = Annotated[
    str, typer.Option("--anyway", metavar="REASON", help="Remove it although it is still needed; recorded.")
]


def remove(
    bundle: BundleArgument,
    reason: ReasonOption,
    confirm: ConfirmOption = None,
    anyway: AnywayOption = "",
    reported_by: ReportedByOption = None,
    wait: WaitOption = 60,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Remove a bundle's file from the store: refused while something needs it, recorded in the ledger, then done.

    It cannot be taken back; `store add MANIFEST --from DIR --again FAMILY/VERSION` brings the file again.
    """
    from bundlekeeper.cli.screen.answers.store import remove as screen
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.store.remove import RemoveRequest
    from bundlekeeper.jobs.store.remove import remove as job

    if confirm is not None and confirm != bundle:
        raise RefusedError(f"--confirm names {confirm}, not {bundle}", hint=f"--confirm {bundle} agrees to it")
    ask = RemoveRequest(bundle, reason, anyway, reported_by, wait)
    with Session(store_root(store), caller(), write=True) as session:
        done = job(session, ask, screen.typed_name if confirm is None else lambda name: name == confirm)
    screen.show(done, form_of(json=json))
    return exit_status(done.findings)
