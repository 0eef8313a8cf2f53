"""Events that are dated beyond the clock: no answer as of now counts them, so every answer must report them.

Rules: beyond is more than `moments.AHEAD` after the time now, as in `as_of`; an event that is undone is not reported,
nor one that undoes another, because that counts whatever its time; it costs one question to an index.
"""

from __future__ import annotations

import sqlite3
from datetime import datetime
from typing import Any

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats import moments
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event import own_chain
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, PLACE_OF, from_row, sealed
from bundlekeeper.ledger.record.ledger import Ledger

# The index's own condition, word for word: else SQLite does not use the index (sqlite.org/partialindex.html §3).
_COUNTING = "void = 0 AND undoes IS NULL"


@dataclass(frozen=True, slots=True)
class FutureEvents:
    """How many events are dated beyond the clock, the furthest moment, and the event to undo to take that one back."""

    count: int
    furthest: moments.Moment
    event: str
    clock: datetime

    def doubt(self, so: str = "") -> Finding:
        """The finding; `so` is what follows from it for the answer."""
        many = f"{self.count} events are" if self.count != 1 else "1 event is"
        message = f"{many} dated after this machine's clock ({self.clock.date()}), the furthest {self.furthest.text()}"
        hint = (
            "set this machine's clock if it is wrong. Else undo each of them and record it again with its true "
            f"time: bundlekeeper ledger undo {self.event[:12]} --reason TEXT"
        )
        return finding("clock-doubtful", "ledger", f"{message}; {so}" if so else message, hint)


def is_any(connection: sqlite3.Connection, after_us: int) -> bool:
    """True where an event that counts is later than this microsecond. Raises sqlite3.Error."""
    return bool(_later(connection, after_us))


def _later(connection: sqlite3.Connection, after_us: int) -> list[tuple[Any, ...]]:
    """The rows of the events that count and are later, in the order of rows.COLUMNS.

    Raises DamagedError, sqlite3.Error.
    """
    if own_chain.read(connection).latest <= after_us:
        return []
    found = []
    for index in ("INDEXED BY event_at", "NOT INDEXED"):
        select = f"SELECT {EVENT_COLUMNS} FROM event {index} WHERE at > ? AND {_COUNTING} ORDER BY seq"  # noqa: S608
        found.append(list(sealed(connection.execute(select, (after_us,)))))
    if found[0] != found[1]:
        raise DATABASE.damaged("events that are dated beyond the clock are missing")
    return found[0]


def ahead(ledger: Ledger, clock: datetime) -> FutureEvents | None:
    """The events that are dated beyond `clock`, the time now, aware; None where there are none.

    For an observation of a reading, the event to undo is the reading. Raises DamagedError, LockedError,
    UnfinishedError.
    """
    limit = moments.at(clock + moments.AHEAD).at_us
    with ledger.reading():
        rows = _later(ledger.connection, limit)
        if not rows:
            return None
        furthest = from_row(max(rows, key=lambda row: (row[PLACE_OF["at"]], row[1])), ledger.words)
        return FutureEvents(len(rows), furthest.at, furthest.reading or furthest.id(), clock)
