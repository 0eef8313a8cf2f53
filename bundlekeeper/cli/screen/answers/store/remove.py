"""What was removed from the store, as text and as JSON."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import next_line
from bundlekeeper.formats.escape import human_bytes

if TYPE_CHECKING:
    from bundlekeeper.jobs.store.remove import RemovedBundle


def typed_name(name: str) -> bool:
    """Ask on a terminal for the name to be typed; False without a terminal, or for anything else."""
    if not sys.stdin.isatty():
        return False
    output.aside(f"this cannot be taken back; to remove it type its name: {name}")
    return sys.stdin.readline().strip() == name


def show(done: RemovedBundle, form: OutputForm) -> None:
    """The answer in the form that was asked for."""
    bundle = done.bundle
    if form is OutputForm.JSON:
        data = {
            "family": bundle.family,
            "version": bundle.version,
            "file": bundle.name,
            "sha256": bundle.sha256,
            "size_bytes": bundle.size,
            "reason": done.reason,
            "needed_by": [need.text() for need in done.needed_by],
            "batch": done.batch,
        }
        output.envelope("store-remove", done.findings, data)
        return
    output.line(f"removed: {bundle.family} {bundle.version}: {bundle.name}, {human_bytes(bundle.size)}")
    for need in done.needed_by:
        output.line(f"  it was still needed: {need.text()}")
    output.findings_text(done.findings)
    output.line(f"recorded as batch {done.batch}; it cannot be taken back")
    next_line(f"bundlekeeper store add MANIFEST --from DIR --again {bundle.family}/{bundle.version}, to bring it back")
