"""Taking an entry back: it stays in the ledger, and a later event says that it does not count, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.jobs.recording.who import says_who
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.record.ledger import Ledger, LedgerEntry, Recorded


@dataclass(frozen=True, slots=True)
class Correction:
    """The entry that does not count any more, why, and what was recorded."""

    entry: LedgerEntry
    why: str
    recorded: Recorded


def correct(session: Session, event: str, *, why: str, says: str | None) -> Correction:
    """Record that an event does not count, named by its id or by digits that it begins with.

    Raises InputError for an unknown event, RefusedError for one that does not count already.
    """
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.event.events import Event, EventKind

    book = session.ledger
    entries = [e for e in book.entries() if e.id.startswith(event.lower())] if len(event) >= 8 else []
    if len(entries) != 1:
        says_what = "several events begin" if entries else "no event begins"
        raise InputError(f"{says_what} with {event!r}", hint="give the id, or at least 8 digits of it that are unique")
    entry = entries[0]
    if entry.void:
        raise _corrected_already(book, entry)
    correction = Event(
        what=EventKind.CORRECTED, at=moments.at(session.now()), says=says_who(says), corrects=entry.id, why=why,
        component=entry.event.component, kind=entry.event.kind,
    )  # fmt: skip
    return Correction(entry, why, book.record([correction], session.now(), arrange=True))


def _corrected_already(book: Ledger, entry: LedgerEntry) -> RefusedError:
    """Who took the event back, or the reading that it belongs to, and why."""
    names = {entry.id, entry.event.reading} - {""}
    by = next(e for e in book.entries() if e.event.corrects in names and not e.void)
    what = "" if by.event.corrects == entry.id else "with its whole reading, "
    told = f"{what}by {by.event.says}, {by.event.at.text()}: {by.event.why}"
    hint = f"if that was wrong: bundlekeeper correct {by.id[:12]} --why TEXT makes it count again"
    return RefusedError("refused, nothing was recorded: it was corrected already", hint=hint, evidence=[told])
