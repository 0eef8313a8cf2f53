"""`bundlekeeper media receive`: the volumes of a set into the store, in any order, over several days."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.commands.take import DryRunOption, ExpiredOption, WaitOption
from bundlekeeper.cli.options import JsonOption, QuietOption, StoreOption, now, progress_for, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import EXIT_REFUSED, worst_exit
from bundlekeeper.findings import exit_status
from bundlekeeper.jobs.manifest_signature import as_json, tell
from bundlekeeper.jobs.open import open_store, store_is_there

if TYPE_CHECKING:
    from bundlekeeper.media.receiving.receive import Reception

_SHOWN = 5  # files of a volume that are still to come

RollbackOption = Annotated[
    str | None,
    typer.Option("--accept-rollback", metavar="WHY", help="Receive an older set, or by an older manifest; recorded."),
]


def receive(
    folders: Annotated[
        list[Path], typer.Argument(metavar="DIR...", help="Volumes' folders, or the media that hold them.")
    ],
    dry_run: DryRunOption = False,
    wait: WaitOption = 60,
    accept_expired: ExpiredOption = None,
    accept_rollback: RollbackOption = None,
    store: StoreOption = None,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Receive a media set: proven by its signed index, joined where it was split, taken as `take` does.

    Volumes may come in any order and on several days. No key is ever taken from a medium.
    """
    from bundlekeeper.media.receiving.receive import receive as receive_set
    from bundlekeeper.verification.hashing.read import Stop

    root = store_root(store)
    stop = Stop()
    with ExitStack() as stack:
        opened = open_store(root, stack, write=not dry_run) if store_is_there(root) else None
        stack.enter_context(SIGNALS.guarded(stop))
        came = receive_set(
            opened,
            folders,
            clock=now,
            progress=progress_for(quiet),
            stop=stop,
            wait_s=wait,
            dry_run=dry_run,
            accept_rollback=accept_rollback,
            accept_expired=accept_expired,
        )
    if json:
        output.envelope("media-receive", came.findings, _as_json(str(root), came))
    else:
        _print(str(root), came)
    refused = came.refused or any(row.status == "refused" for row in came.rows)
    return worst_exit([exit_status(came.findings), EXIT_REFUSED if refused else 0])


def _as_json(root: str, came: Reception) -> dict[str, Any]:
    index, received = came.index, came.received
    return {
        "store": root,
        "dry_run": came.dry_run,
        "set": {
            "id": index.set_id,
            "name": index.name,
            "issuer": index.issuer,
            "sequence": index.sequence,
            "for": index.meant_for,
            "made": index.made.isoformat(),
            "volumes": index.volumes,
            "signed_by": came.signed_by,
            "fingerprint": came.signed_key,
        },
        "manifest_signature": as_json(came.manifest),
        "complete": came.complete,
        "volumes": [
            {"root": v.root, "number": v.number, "proven": v.proven, "held": v.held, "files": v.files}
            for v in came.volumes
        ],
        "bundles": [
            {
                "family": row.family,
                "version": row.version,
                "file": row.name,
                "place": row.place,
                "status": row.status,
                "size_bytes": row.size,
                "from": row.came_from,
                "note": row.note,
                "signature": row.signature,
            }
            for row in came.rows
        ],
        "arrived": len(received.arrived),
        "files": len(index.files),
        "to_come": {str(number): list(paths) for number, paths in came.to_come.items()},
        "notices": [
            {"family": w.family, "version": w.version, "file": w.file, "sha256": w.sha256, "why": w.why}
            for w in came.withdrawn
        ],
    }


def _print(root: str, came: Reception) -> None:
    from bundlekeeper.cli.screen.tables import Table, write
    from bundlekeeper.formats.escape import human_bytes

    index = came.index
    output.line(f"set {index.name} ({index.set_id}) for {index.meant_for}")
    output.line(f"  signed by {came.signed_by}, {came.signed_key}")
    tell(came.manifest)
    for volume in came.volumes:
        held = f", {volume.held} in already and not read from it" if volume.held else ""
        files = f"{volume.proven} of {volume.files} files proven{held}"
        output.line(f"volume {volume.number} of {index.volumes}: {files}")
        output.line(f"  folder: {volume.root}")
    table = Table(
        ("status", "family", "version", "size", "file", "note"), right=frozenset({3}), below=frozenset({4, 5})
    )
    for row in came.rows:
        table.rows.append((row.status, row.family, row.version, human_bytes(row.size), row.name, row.note))
    if table.rows:
        write(table)
    for each in came.withdrawn:
        output.line(f"withdrawn: {each.family} {each.version} ({each.file}): {each.why}")
    output.findings_text(came.findings)
    for number, paths in came.to_come.items():
        count = "1 file" if len(paths) == 1 else f"{len(paths)} files"
        here = "again, from" if any(v.number == number for v in came.volumes) else "from"
        output.line(f"still to come {here} volume {number}: {count}")
        for path in paths[:_SHOWN]:
            output.line(f"  {path}")
        if len(paths) > _SHOWN:
            output.line(f"  and {len(paths) - _SHOWN} more")
    done = "complete" if came.complete else f"{len(came.received.arrived)} of {len(index.files)} files arrived"
    output.line(f"{'would change nothing yet: ' * came.dry_run}{done}; store: {root}")
    if came.complete and not came.dry_run:
        output.aside("next: bundlekeeper media receipt --out FILE --key KEY, and carry it back")
    elif not came.dry_run:
        output.aside("next: bundlekeeper media receive DIR, with the volumes that are still to come")
