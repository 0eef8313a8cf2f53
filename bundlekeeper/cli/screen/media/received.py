"""What one run of `media receive` gave, as text and as JSON."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.manifest_signature import as_json, tell
from bundlekeeper.cli.screen.marks import next_line
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import human_bytes

if TYPE_CHECKING:
    from bundlekeeper.media.receiving.receive import Reception
    from bundlekeeper.store.adding.outcome import AddRow

_SHOWN = 5  # files of a volume that are still missing


def show_json(root: Path, came: Reception) -> None:
    """One JSON object on stdout; `root` is the store's folder."""
    index, received = came.index, came.received
    data = {
        "store": str(root),
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
            {"root": v.root, "number": v.number, "verified": v.verified, "in_store": v.stored, "files": v.files}
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
            {
                "family": withdrawn.family,
                "version": withdrawn.version,
                "file": withdrawn.file,
                "sha256": withdrawn.sha256,
                "reason": withdrawn.reason,
            }
            for withdrawn in came.withdrawn
        ],
        "plans": list(came.plans),
    }
    output.envelope("media-receive", came.findings, data)


COLUMNS: tuple[Column[AddRow], ...] = (
    Column("status", lambda row: row.status),
    Column("family", lambda row: row.family),
    Column("version", lambda row: row.version),
    Column("size", lambda row: human_bytes(row.size), right=True),
    Column("file", lambda row: row.name, below=True),
    Column("note", lambda row: row.note, below=True),
)


def show_text(root: Path, came: Reception) -> None:
    """The volumes, a table of the bundles, the findings, folded, and what is still to come."""
    index = came.index
    output.line(f"set {index.name} ({index.set_id}) for {index.meant_for}")
    output.line(f"  signed by {came.signed_by}, {came.signed_key}")
    tell(came.manifest)
    for volume in came.volumes:
        stored = f", {volume.stored} received before and not read here" if volume.stored else ""
        files = f"{volume.verified} of {volume.files} files verified{stored}"
        output.line(f"volume {volume.number} of {index.volumes}: {files}")
        output.line(f"  folder: {volume.root}")
    if came.rows:
        write(COLUMNS, came.rows)
    for withdrawn in came.withdrawn:
        message = f"{withdrawn.family} {withdrawn.version} ({withdrawn.file}): {withdrawn.reason}"
        output.line(f"withdrawn: {message}")
    for plan in came.plans:
        output.line(output.of_store(f"plan kept: {plan} (bundlekeeper plan progress {plan})"))
    output.folded_text(came.findings)
    for number, paths in came.to_come.items():
        count = "1 file" if len(paths) == 1 else f"{len(paths)} files"
        here = "again, from" if any(row.number == number for row in came.volumes) else "from"
        output.line(f"still to come {here} volume {number}: {count}")
        for path in paths[:_SHOWN]:
            output.line(f"  {path}")
        if len(paths) > _SHOWN:
            output.line(f"  and {len(paths) - _SHOWN} more")
    done = "complete" if came.complete else f"{len(came.received.arrived)} of {len(index.files)} files arrived"
    output.line(f"{'nothing was changed: ' * came.dry_run}{done}; store: {root}")
    if came.complete and not came.dry_run:
        site = "" if index.meant_for.startswith("site ") else " --site SITE"
        next_line(f"bundlekeeper receipt write{site} --out FILE --key KEY, then bring it back")
    elif not came.dry_run:
        output.aside("next: bundlekeeper media receive DIR, with the volumes that are still to come")
