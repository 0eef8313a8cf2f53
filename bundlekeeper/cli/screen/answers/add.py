"""The result of `store add`, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.manifest_signature import as_json, tell
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import human_bytes

if TYPE_CHECKING:
    from bundlekeeper.jobs.store.add import AddedBundles
    from bundlekeeper.store.adding.outcome import AddRow


def _note(row: AddRow) -> str:
    """How the bundle came in, where its status does not show it, and its note."""
    way_in = "" if row.way_in in {"", "copy", row.status.replace(" ", "-")} else row.way_in
    return ", ".join(part for part in (way_in, row.note) if part)


COLUMNS: tuple[Column[AddRow], ...] = (
    Column("status", lambda row: row.status),
    Column("family", lambda row: row.family),
    Column("version", lambda row: row.version),
    Column("size", lambda row: human_bytes(row.size), right=True),
    Column("file", lambda row: row.name, below=True),
    Column("note", _note, below=True),
)


def show_json(found: AddedBundles) -> None:
    """One JSON object on stdout."""
    result = found.result
    rows = [
        {
            "family": row.family,
            "version": row.version,
            "file": row.name,
            "place": row.place,
            "status": row.status,
            "size_bytes": row.size,
            "read_bytes": row.read_bytes,
            "way_in": row.way_in,
            "from": row.came_from,
            "note": row.note,
            "signature": row.signature,
        }
        for row in result.rows
    ]
    counts = {**result.counts, "bundles": len(rows), "read_bytes": result.read_bytes}
    data = {"store": str(found.root), "dry_run": result.dry_run, "manifest_signature": as_json(result.manifest)}
    output.envelope("store-add", found.findings, {**data, "bundles": rows, "counts": counts})


def show_text(found: AddedBundles) -> None:
    """Who signed the manifest, a table, the findings, folded, and the counts."""

    result = found.result
    tell(result.manifest)
    write(COLUMNS, result.rows)
    output.folded_text(found.findings)
    counts = ", ".join(f"{number} {status}" for status, number in sorted(result.counts.items()))
    would = "would be: " if result.dry_run else ""
    output.line(f"{would}{counts or 'nothing to add'}; {human_bytes(result.read_bytes)} read; store: {found.root}")
    if not result.dry_run:
        output.aside("next: bundlekeeper store list")
