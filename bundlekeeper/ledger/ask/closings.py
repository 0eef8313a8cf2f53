"""Plans that were closed, by the entries that say so and count, wherever they were recorded."""

from __future__ import annotations

from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, WHAT_CODE, from_row, is_void, sealed
from bundlekeeper.ledger.record.ledger import Ledger


def closings(ledger: Ledger) -> dict[str, Event]:
    """By a plan's digest the first entry that closes it; one that was undone does not count.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    select = f"SELECT {EVENT_COLUMNS} FROM event WHERE component IS NULL AND what = ? ORDER BY at, id"  # noqa: S608
    found: dict[str, Event] = {}
    with ledger.reading():
        for row in sealed(ledger.connection.execute(select, (WHAT_CODE[EventKind.PLAN_CLOSED],))):
            if not is_void(row):
                event = from_row(row, ledger.words)
                found.setdefault(event.plan, event)
    return found
