"""What was recorded or undone, as text and as JSON."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.errors import RefusedError
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.recording.undo import text_of

_SHOWN = 20  # entries that are undone, for people

if TYPE_CHECKING:
    from bundlekeeper.jobs.recording.record import RecordingDone
    from bundlekeeper.jobs.recording.undo import Undone
    from bundlekeeper.ledger.record.ledger import LedgerEntry


def show_recording(done: RecordingDone, name: str | None, *, form: OutputForm) -> None:
    """Each event, and the ledger's head now; `name` is what the components were named by."""
    recorded = done.recorded
    if form is OutputForm.JSON:
        events = [{"id": event, "message": message} for event, message in zip(done.ids, done.lines, strict=True)]
        head = recorded.head.digest if recorded else None
        output.envelope(
            done.verb,
            done.findings,
            {
                "dry_run": recorded is None,
                "events": events,
                "head": head,
                "batch": recorded.batch or None if recorded else None,
            },
        )
        return
    for message in done.lines:
        output.line(f"{'recorded' if recorded else 'would record'}: {message}")
    if recorded:
        known = f", {recorded.known} known before" if recorded.known else ""
        output.line(f"{counted(recorded.new, 'event')} recorded{known}; ledger head {recorded.head.digest}")
        output.recorded_as(recorded.batch_name)
    output.findings_aside(done.findings)
    if recorded:
        output.aside("next: bundlekeeper where" + (f" {name}" if name else ""))


def ask_undone(entries: Sequence[LedgerEntry]) -> None:
    """Ask on the terminal whether these entries are meant. Raises RefusedError without a yes, or a terminal."""
    hint = "--yes agrees to it; or name the batch that is meant: bundlekeeper ledger undo BATCH --reason TEXT"
    lines = [text_of(entry) for entry in entries[:_SHOWN]]
    lines += [f"and {len(entries) - _SHOWN} more"] if len(entries) > _SHOWN else []
    count = counted(len(entries), "entry", "entries")
    insist_on_yes(f"{count} would be undone", "Is that what you mean?", lines, hint)


def insist_on_yes(what: str, question: str, lines: Sequence[str], hint: str) -> None:
    """Show what would be recorded, in `lines`, and ask on the terminal.

    Raises RefusedError without a yes, and where there is no terminal.
    """
    if not sys.stdin.isatty():
        raise RefusedError(f"{what}; nothing was recorded", hint=hint, evidence=lines)
    for line in lines:
        output.aside(line)
    output.aside(f"{what}. {question} [y/N]")
    if sys.stdin.readline().strip().casefold() not in ("y", "yes"):
        raise RefusedError("not agreed; nothing was recorded", hint=hint)


def show_undone(done: Undone, *, form: OutputForm) -> None:
    """What no longer counts, and why; or what would not, in a dry run."""
    recorded = done.recorded
    if form is OutputForm.JSON:
        data = {
            "dry_run": recorded is None,
            "undone": [entry.id for entry in done.entries],
            "events": list(recorded.ids) if recorded else [],
            "counts": {"ended": done.ends, "again": done.again, "before": done.before},
            "head": recorded.head.digest if recorded else None,
            "batch": recorded.batch if recorded else None,
        }
        output.envelope("ledger-undo", [], data)
        return
    for entry in done.entries[:_SHOWN]:
        output.line(f"{'undone' if recorded else 'would undo'}: {text_of(entry)}")
    if len(done.entries) > _SHOWN:
        output.line(f"and {len(done.entries) - _SHOWN} more (--json lists all)")
    counts = [f"{counted(done.ends, 'entry', 'entries')} {'no longer count' if done.ends != 1 else 'no longer counts'}"]
    counts += [f"{done.again} count again"] if done.again else []
    counts += [f"{done.before} did not count before"] if done.before else []
    output.line(f"{', '.join(counts)}; every entry stays in the ledger. Reason: {done.reason}")
    if recorded is None:
        output.line("nothing was recorded")
        return
    output.line("only the ledger changed: no component was touched")
    output.line(f"ledger head {recorded.head.digest}")
    output.recorded_as(recorded.batch_name)
