"""What differs between two manifests: the same facts as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.jobs.manifest_diff import ManifestDiff
    from bundlekeeper.model.manifest.changes import ChangedKey, ManifestChange
    from bundlekeeper.planning.fleet.touched_domains import TouchedDomains

    DiffRow = tuple[ManifestChange, TouchedDomains | None]


def show(diff: ManifestDiff, *, form: OutputForm) -> None:
    """Each difference, the domains that it touches, and what was found."""
    if form is OutputForm.JSON:
        _as_json(diff)
        return
    old, new = diff.old.manifest, diff.new.manifest
    output.line(f"{new.platform}: sequence {old.sequence} to {new.sequence}, {_count(len(diff.changes))}")
    if diff.changes:
        write(COLUMNS, diff.changes)
    output.findings_text(diff.findings)
    if diff.origin:
        output.line(f"domains by {diff.origin}")


def _count(number: int) -> str:
    return counted(number, "difference") if number else "no difference"


def _what(key: ChangedKey) -> str:
    if key.old is None:
        return f"{key.key}: {key.new} (new)"
    return f"{key.key}: {key.old} (no more)" if key.new is None else f"{key.key}: {key.old} -> {key.new}"


def _domains(touched: TouchedDomains | None) -> str:
    if touched is None:
        return "not known"
    rows = [f"{d} (runs on {touched.running[d]})" if d in touched.running else d for d in touched.domains]
    return ", ".join(rows) or "none"


COLUMNS: tuple[Column[DiffRow], ...] = (
    Column("change", lambda row: row[0].what.value),
    Column("in", lambda row: row[0].section),
    Column("what", lambda row: row[0].subject),
    Column("domains", lambda row: _domains(row[1]), below=True),
    Column("keys", lambda row: "; ".join(map(_what, row[0].keys)), below=True),
)


def _as_json(diff: ManifestDiff) -> None:
    sides = {
        name: {"sequence": loaded.manifest.sequence, "sha256": loaded.sha256}
        for name, loaded in (("old", diff.old), ("new", diff.new))
    }
    rows = [
        {
            "change": change.what.value,
            "section": change.section,
            "subject": change.subject,
            "keys": [{"key": key.key, "old": key.old, "new": key.new} for key in change.keys],
            "domains": None if touched is None else list(touched.domains),
            "running": None if touched is None else touched.running,
        }
        for change, touched in diff.changes
    ]
    data = {"platform": diff.new.manifest.platform, **sides, "inventory": diff.origin or None, "changes": rows}
    output.envelope("manifest-diff", diff.findings, data)
