"""A store's own ledger in place of a shared one that cannot be reached, and what of it the shared one has not.

Rules: it begins as a merge of the last copy, so that it can be asked, and what is recorded can be judged; it has an id
and a chain of its own, and comes back like any other store's, by `ledger export` and `ledger merge`, in any order and
as often as wanted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.formats.escape import counted
from bundlekeeper.formats.moments import Moment
from bundlekeeper.ledger.event import own_chain
from bundlekeeper.ledger.event.events import EventKind
from bundlekeeper.ledger.event.learnings import learnings
from bundlekeeper.ledger.event.rows import WHAT_CODE
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.shared.copied_ledger import SharedLedger, insist_on_own
from bundlekeeper.model.ledger_address import name_of

_QUESTION = 500  # events of one question
_OF_STORE = WHAT_CODE[EventKind.BUNDLE_REMOVED]  # what is about this one store stays in its own ledger


def last_copy(folder: Path, address: str) -> Path | None:
    """The last copy of the ledger at `address`; None where there is none. Raises RefusedError, UnfinishedError."""
    try:
        copies = sorted(folder.glob(f"{name_of(address)}-*.sqlite"), key=lambda path: path.stat().st_mtime_ns)
    except OSError:
        return None
    for path in copies[-1:]:
        insist_on_own(path)
        return path
    return None


def last_state(copy: Ledger) -> str:
    """What a copy has, in words: how many events, and when the last was learned, by the database's clock.

    Raises UnfinishedError where its copying was interrupted; DamagedError, LockedError.
    """
    with copy.reading():
        events = own_chain.read(copy.connection).events
        row = copy.connection.execute("SELECT events FROM copied").fetchone()
        if row is None or row[0] != events:
            message = (
                f"the copy of the shared ledger is not whole: {events} of {row[0] if row else 'all'} events are here"
            )
            hint = "bring the line back: the next command goes on where it stopped"
            raise UnfinishedError(message, where=str(copy.path), hint=hint)
        learned = learnings(copy.connection)
    until = f", the last of {Moment(learned[-1][1], False, 'UTC').text()}" if learned else ""
    return f"{counted(events, 'event')}{until}"


def merged_of(ledger: Ledger, copy: Ledger) -> int | None:
    """How many of the copy's events the store's own ledger has merged, where it is not all; else None.

    Raises DamagedError, LockedError.
    """
    head = copy.head()
    select = "SELECT coalesce(sum(length), 0) FROM followed WHERE ledger = ?"
    with ledger.reading():
        known: int = ledger.connection.execute(select, (bytes.fromhex(head.ledger),)).fetchone()[0]
    return known if known < head.count else None


def bring_up_to_date(ledger: Ledger, copy: Path, learned: datetime) -> int:
    """Merge what the copy has and the store's own ledger has not; return how many events were new.

    Raises as `exchange.merge.merge`, and as `Ledger.open`.
    """
    from bundlekeeper.ledger.exchange.merge import export, merge

    with Ledger.open(copy, write=False) as shared:
        known = merged_of(ledger, shared)
        if known is None:
            return 0
        return merge(ledger, export(shared, known), learned, where=str(copy)).new


def lacks(shared: SharedLedger, own: Path) -> bool:
    """True when the store's own ledger has an event that the shared one has not.

    Events that came from a copy of the shared one, or were merged into it, are not looked at one by one; of the others
    the newest first, which are the likeliest.
    Raises DamagedError, LockedError, UnfinishedError.
    """
    with Ledger.open(own, write=False) as ledger, ledger.reading(), shared.reading():
        ours, theirs = own_chain.read(ledger.connection), own_chain.read(shared.connection)
        select = "SELECT coalesce(max(count), 0) FROM peer WHERE ledger = ?"
        (met,) = shared.connection.execute(select, (ours.id,)).fetchone()
        select = "SELECT seq, length FROM followed WHERE ledger = ? ORDER BY seq"
        copied: list[tuple[int, int]] = ledger.connection.execute(select, (theirs.id,)).fetchall()
        for first, length in reversed(list(_between(copied, met + 1, ours.events + 1))):
            for start in reversed(range(first, first + length, _QUESTION)):
                select = "SELECT id FROM event WHERE seq >= ? AND seq < ? AND what <> ?"
                end = min(start + _QUESTION, first + length)
                ids = [row[0] for row in ledger.connection.execute(select, (start, end, _OF_STORE))]
                marks = ",".join("?" * len(ids))
                select = f"SELECT count(*) FROM event WHERE id IN ({marks})"  # noqa: S608  (question marks only)
                if shared.connection.execute(select, ids).fetchone()[0] < len(ids):
                    return True
    return False


def _between(runs: Sequence[tuple[int, int]], first: int, end: int) -> Iterator[tuple[int, int]]:
    """The numbers from `first` up to, and without, `end` that are in none of the runs, as runs."""
    for start, length in (*runs, (end, 0)):
        if start > first:
            yield first, start - first
        first = max(first, start + length)
