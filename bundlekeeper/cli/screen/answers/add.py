"""What came of taking a manifest's bundles in, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.answers.manifest_signature import as_json, tell

if TYPE_CHECKING:
    from bundlekeeper.jobs.add import AddedBundles


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
    output.envelope("take", found.findings, {**data, "bundles": rows, "counts": counts})


def show_text(found: AddedBundles) -> None:
    """Who signed the manifest, a table, the findings, folded, and the counts."""
    from bundlekeeper.formats.escape import human_bytes
    from bundlekeeper.reports.tables import Table, write

    result = found.result
    table = Table(
        ("status", "family", "version", "size", "file", "note"), right=frozenset({3}), below=frozenset({4, 5})
    )
    for row in result.rows:
        way = "" if row.way_in in {"", "copy", row.status.replace(" ", "-")} else row.way_in
        note = ", ".join(part for part in (way, row.note) if part)
        table.rows.append((row.status, row.family, row.version, human_bytes(row.size), row.name, note))
    tell(result.manifest)
    write(table)
    output.folded_text(found.findings)
    counts = ", ".join(f"{number} {status}" for status, number in sorted(result.counts.items()))
    would = "would be: " if result.dry_run else ""
    output.line(f"{would}{counts or 'nothing to take'}; {human_bytes(result.read_bytes)} read; store: {found.root}")
    if not result.dry_run:
        output.aside("next: bundlekeeper held")
