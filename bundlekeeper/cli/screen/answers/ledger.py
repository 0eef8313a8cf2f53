"""Results of verifying, exporting, merging, rebuilding and saving the ledger, as text and as JSON."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import put
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.jobs.recording.ledger import LedgerMerged, LedgerRebuilt, LedgerSalvaged, LedgerVerified
    from bundlekeeper.ledger.event.chain import Head


def show_verified(done: LedgerVerified, *, form: OutputForm) -> None:
    """What is wrong, the chain's head, and where in the chain the head is that was asked about."""
    head, at = done.verified.head, done.verified.at
    if form is OutputForm.JSON:
        chain = {"ledger": head.ledger, "events": head.count, "head": head.digest}
        writers = [{"writer": row.writer, "events": row.events, "head": row.head} for row in done.writers]
        data = {"chain": chain, "asked": done.verified.asked, "found_at": at, "found_of": done.of, "writers": writers}
        output.envelope("ledger-verify", done.findings, data)
        return
    output.findings_text(done.findings)
    put(f"ledger {head.ledger[:8]}: {counted(head.count, 'event')}, head {head.digest}")
    for row in done.writers:
        put(f"recorded by {row.writer}: {counted(row.events, 'event')}, head {row.head}")
    if at is not None:
        whose = f"the head of {done.of}'s chain" if done.of else "the chain's head"
        put(f"the head that you gave is {whose} after {counted(at, 'event')}: these events are unchanged")


def write_lines(lines: Iterable[bytes]) -> None:
    """The lines of an export on stdout, as they are."""
    sys.stdout.buffer.writelines(lines)


def show_exported(out: str, events: str, head: Head) -> None:
    """Which events were written to the file `out`."""
    output.line(f"written: {out}: {events}, head {head.digest}")


def show_merged(done: LedgerMerged, *, form: OutputForm) -> None:
    """What was new in each file."""
    if form is OutputForm.JSON:
        rows = [
            {
                "file": file,
                "new": merged.new,
                "known": merged.known,
                "their_head": merged.theirs.digest,
                "batch": merged.recorded.batch or None,
            }
            for file, merged in done.files
        ]
        data = {"files": rows, "head": done.head.digest, "events": done.head.count}
        output.envelope("ledger-merge", done.findings, data)
        return
    for file, merged in done.files:
        output.line(f"{file}: {counted(merged.new, 'new event')}, {merged.known} known before")
        output.recorded_as(merged.recorded.batch_name)
    output.findings_text(done.findings)
    output.line(f"ledger head {done.head.digest} at {done.head.count}")


def show_rebuilt(done: LedgerRebuilt, *, form: OutputForm) -> None:
    """How much was rebuilt, and how much of it was wrong before."""
    rebuilt = done.rebuilt
    if form is OutputForm.JSON:
        counts = {"events": rebuilt.events, "components": rebuilt.components, "differing": rebuilt.differing}
        output.envelope("ledger-rebuild", done.findings, {"counts": counts})
        return
    events, components = counted(rebuilt.events, "event"), counted(rebuilt.components, "component")
    output.line(f"rebuilt from {events}: the states of {components}")
    was = (
        "nothing was wrong"
        if not rebuilt.differing
        else f"wrong or missing before: {counted(rebuilt.differing, 'row')}"
    )
    output.line(f"{was}; no event was changed")
    output.findings_text(done.findings)


def show_salvaged(done: LedgerSalvaged, *, form: OutputForm) -> None:
    """What was saved, what is lost, and how to put the new ledger into its place."""
    out, saved = done.out, done.saved
    if form is OutputForm.JSON:
        data = {"output": str(out), "events": saved.events, "lost": list(saved.lost), "lost_texts": list(saved.texts)}
        output.envelope("ledger-salvage", done.findings, data)
        return
    output.findings_text(done.findings)
    texts = f" and {counted(len(saved.texts), 'text')} of inventories" if saved.texts else ""
    output.line(f"{counted(saved.events, 'event')} saved in {out}, {len(saved.lost)}{texts} lost")
    if saved.lost or saved.texts:
        output.aside(f"next: move the damaged ledger away, then: mv -n {out} STORE/.keeper/ledger.sqlite")
    else:  # every event could be read: whether anything else is damaged was not looked at
        output.aside("next: bundlekeeper ledger verify")
