"""Undoing an entry: it stays in the ledger, and a later entry records that it does not count, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.record.ledger import Ledger, LedgerEntry, Recorded


@dataclass(frozen=True, slots=True)
class Undone:
    """The entry that no longer counts, the reason, and what was recorded."""

    entry: LedgerEntry
    reason: str
    recorded: Recorded


def undo(session: Session, event: str, *, reason: str, reported_by: str | None) -> Undone:
    """Record that an event does not count, named by its id or by digits that it begins with.

    Raises InputError for an unknown event, RefusedError for one that is undone already.
    """
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.event.events import Event, EventKind

    ledger = session.ledger
    entries = [e for e in ledger.entries() if e.id.startswith(event.lower())] if len(event) >= 8 else []
    if len(entries) != 1:
        message = f"{'several ids begin' if entries else 'no id of an event begins'} with {event!r}"
        raise InputError(message, hint="give the id, or at least 8 of its first digits (where --history shows it)")
    entry = entries[0]
    if entry.void:
        raise _undone_already(ledger, entry)
    undoing = Event(
        what=EventKind.UNDONE, at=moments.at(session.now()), reported_by=reporter(reported_by), undoes=entry.id,
        reason=reason, component=entry.event.component, kind=entry.event.kind,
    )  # fmt: skip
    return Undone(entry, reason, ledger.record([undoing], session.now(), arrange=True))


def _undone_already(ledger: Ledger, entry: LedgerEntry) -> RefusedError:
    """The refusal: who undid the event, or the reading that it belongs to, and why."""
    names = {entry.id, entry.event.reading} - {""}
    by = next(e for e in ledger.entries() if e.event.undoes in names and not e.void)
    what = "" if by.event.undoes == entry.id else "with its whole reading, "
    undone = f"{what}by {by.event.reported_by}, {by.event.at.text()}: {by.event.reason}"
    hint = f"if that was wrong: bundlekeeper ledger undo {by.id[:12]} --reason TEXT makes it count again"
    return RefusedError("refused, nothing was recorded: it was undone already", hint=hint, evidence=[undone])
