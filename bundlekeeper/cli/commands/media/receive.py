"""`bundlekeeper media receive`: adds the volumes of a set to the store, in any order, over several days."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    DryRunOption,
    ExpiredOption,
    JsonOption,
    QuietOption,
    StoreOption,
    WaitOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import EXIT_REFUSED, worst_exit
from bundlekeeper.findings import exit_status

RollbackOption = Annotated[
    str | None,
    typer.Option(
        "--allow-rollback", metavar="REASON", help="Receive an older set, or one with an older manifest; recorded."
    ),
]


def receive(
    folders: Annotated[
        list[Path], typer.Argument(metavar="DIR...", help="Folders of volumes, or the media that they are on.")
    ],
    dry_run: DryRunOption = False,
    wait: WaitOption = 60,
    allow_expired: ExpiredOption = None,
    allow_rollback: RollbackOption = None,
    store: StoreOption = None,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Receive a media set: verified by its signed index, joined where it was split, and added as `store add` does.

    Volumes may come in any order and on several days. A key on a medium is never used.
    """
    from bundlekeeper.cli.screen.media import received as screen
    from bundlekeeper.jobs.media.receive import ReceiveOptions, receive_media
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.model.stop import Stop

    options = ReceiveOptions(tuple(folders), dry_run, wait, allow_expired, allow_rollback)
    stop = Stop()
    with SIGNALS.guarded(stop), Session(store_root(store), caller(quiet=quiet), write=not dry_run) as session:
        came = receive_media(session, options, stop)
    if json:
        screen.show_json(session.root, came)
    else:
        screen.show_text(session.root, came)
    refused = came.refused or any(row.status == "refused" for row in came.rows)
    return worst_exit([exit_status(came.findings), EXIT_REFUSED if refused else 0])
