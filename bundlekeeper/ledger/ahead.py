"""Events that are dated beyond the clock: no answer as of now counts them, so whoever asks must be told of them.

Rules: beyond is more than `moments.AHEAD` after the time now, as `asof` passes over; what was taken back is not
counted, and neither are corrections, which count whenever they were said; it costs one look into an index.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime

from bundlekeeper.ledger.book import Book
from bundlekeeper.model import moments
from bundlekeeper.model.findings import Finding, finding

# The very words of the index's own condition, without which SQLite doesn't use it (sqlite.org/partialindex.html §3).
_COUNTING = "void = 0 AND corrects IS NULL"


@dataclass(frozen=True, slots=True)
class Ahead:
    """How many events are dated beyond the clock, the furthest moment, and what to correct to take that one back."""

    count: int
    furthest: moments.Moment
    event: str
    clock: datetime

    def doubt(self, so: str = "") -> Finding:
        """The finding; `so` says what follows from it for whoever asked."""
        many = f"{self.count} events are" if self.count != 1 else "1 event is"
        says = f"{many} dated after this machine's clock ({self.clock.date()}), the furthest {self.furthest.text()}"
        hint = (
            "set this machine's clock if it is wrong; else take each of them back and record it again with its true "
            f"time: bundlekeeper correct {self.event[:12]} --why TEXT"
        )
        return finding("clock-doubtful", "ledger", f"{says}; {so}" if so else says, hint)


def is_any(connection: sqlite3.Connection, after_us: int) -> bool:
    """True where some event that counts is later than this microsecond. Raises sqlite3.Error."""
    select = f"SELECT 1 FROM event WHERE at > ? AND {_COUNTING} LIMIT 1"  # noqa: S608  (our own words)
    return connection.execute(select, (after_us,)).fetchone() is not None


def ahead(book: Book, clock: datetime) -> Ahead | None:
    """The events that are dated beyond `clock`, the time now, aware; None where there are none.

    Of a reading's observation the reading is what is to be corrected. Raises DamagedError, LockedError,
    UnfinishedError.
    """
    limit = moments.at(clock + moments.AHEAD).at_us
    with book.reading():
        select = f"SELECT count(*), max(at) FROM event WHERE at > ? AND {_COUNTING}"  # noqa: S608  (our own words)
        count, at = book.connection.execute(select, (limit,)).fetchone()
        if not count:
            return None
        select = f"SELECT id, day, zone, reading FROM event WHERE at = ? AND {_COUNTING} LIMIT 1"  # noqa: S608
        event_id, day, zone, reading = book.connection.execute(select, (at,)).fetchone()
        event = book.words.text(reading) if reading else event_id.hex()
        return Ahead(count, moments.Moment(at, bool(day), book.words.text(zone)), event, clock)
