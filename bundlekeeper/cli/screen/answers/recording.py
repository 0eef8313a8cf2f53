"""What was recorded or undone, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.jobs.recording.record import RecordingDone
    from bundlekeeper.jobs.recording.undo import Undone


def show_recording(done: RecordingDone, name: str | None, *, form: OutputForm) -> None:
    """Each event, and the ledger's head now; `name` is what the components were named by."""
    recorded = done.recorded
    if form is OutputForm.JSON:
        events = [{"id": event, "message": message} for event, message in zip(done.ids, done.lines, strict=True)]
        head = recorded.head.digest if recorded else None
        output.envelope(done.verb, done.findings, {"dry_run": recorded is None, "events": events, "head": head})
        return
    for message in done.lines:
        output.line(f"{'recorded' if recorded else 'would record'}: {message}")
    if recorded:
        known = f", {recorded.known} known before" if recorded.known else ""
        output.line(f"{counted(recorded.new, 'event')} recorded{known}; ledger head {recorded.head.digest}")
        output.findings_aside(done.findings)
        output.aside("next: bundlekeeper where" + (f" {name}" if name else ""))


def show_undone(done: Undone, *, form: OutputForm) -> None:
    """What no longer counts, and why."""
    entry, head = done.entry, done.recorded.head.digest
    if form is OutputForm.JSON:
        output.envelope("ledger-undo", [], {"undone": entry.id, "event": done.recorded.ids[0], "head": head})
        return
    output.line(
        f"undone: {entry.event.what.value} of {entry.event.component or 'an inventory'}, {entry.event.at.text()}"
    )
    output.line(f"the entry stays in the ledger and no longer counts: {done.reason}")
    output.line("undo changed no component, only the ledger")
    output.line(f"ledger head {head}")
