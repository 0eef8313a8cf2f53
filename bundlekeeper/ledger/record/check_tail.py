"""The end of the ledger compared with its head before more is appended: nothing is added to an altered ledger.

Rules: cheap enough for every command that records, so only the last events are read in full, and the chain is walked
whole only while it is short; the error for anything wrong says what to do. `ledger verify` reads everything.
"""

from __future__ import annotations

import sqlite3

from bundlekeeper.errors import DamagedError
from bundlekeeper.ledger.event import chain, own_chain
from bundlekeeper.ledger.event.database import DAMAGE_HINT, DATABASE
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, Words, from_row

_TAIL = 500  # events that are read in full
_SHORT = 20_000  # events of a chain that is walked whole; about 20 ms


def check_tail(connection: sqlite3.Connection, words: Words, where: str) -> None:
    """Insist that the last events are what they were and that the chain ends in its head.

    Raises DamagedError when not; LockedError, UnfinishedError.
    """
    with DATABASE.reading(connection, where):
        wrong = _wrong(connection, words)
    if wrong:
        message = f"the ledger was altered or is damaged: {wrong}"
        raise DamagedError(message, where=where, hint=f"bundlekeeper ledger verify lists everything; {DAMAGE_HINT}")


def _wrong(connection: sqlite3.Connection, words: Words) -> str:
    ledger = own_chain.read(connection)
    name, count, head = ledger.id, ledger.events, ledger.head
    (last,) = connection.execute("SELECT max(seq) FROM event").fetchone()
    if (last or 0) != count:
        return f"its head counts {count} events, but its last event has the number {last or 0}"
    query = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq > ? ORDER BY seq"  # noqa: S608  (our own names)
    rows = connection.execute(query, (max(count - _TAIL, 0),)).fetchall()
    if len(rows) != min(count, _TAIL):
        return f"{min(count, _TAIL) - len(rows)} of its last events are missing"
    for row in rows:
        wrong = wrong_with(row, words)
        if wrong:
            return wrong
    if count <= _SHORT:
        running = chain.genesis(name)
        for (event_id,) in connection.execute("SELECT id FROM event ORDER BY seq"):
            running = chain.link(running, event_id)
        if running != head:
            return f"the chain of {count} events does not end in the head that the ledger has"
    return ""


def wrong_with(row: tuple[object, ...], words: Words) -> str:
    """What is wrong with one event, as a row in the order of EVENT_COLUMNS: "" when it is what it was."""
    try:
        found = from_row(row, words).id()
    except DamagedError as e:
        return e.message
    except (TypeError, ValueError):  # a field that cannot have such a value
        found = ""
    return "" if isinstance(row[1], bytes) and found == row[1].hex() else f"event {row[0]} is not what it was"
