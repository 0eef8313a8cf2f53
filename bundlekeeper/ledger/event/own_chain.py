"""What a ledger knows of itself, in one row: its id, its chain's head, and how many rows other tables must have.

Rules: the row changes in the transaction that changes what it counts; it is sealed; rows that vanished from a small
table or index are noticed by their count.
"""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from bundlekeeper.ledger.event import seals
from bundlekeeper.ledger.event.database import DATABASE

_COLUMNS = "count, readings, undone, learned, met, latest, id, head"


class Own(NamedTuple):
    """The row; `events` is its column `count`.

    `readings` counts events of the kind inventory and `undone` events of the kind undone, void ones too; `learned`
    counts rows of `learning`, `met` rows about other ledgers; `latest` is the furthest moment that any event names.
    """

    events: int
    readings: int
    undone: int
    learned: int
    met: int
    latest: int
    id: bytes
    head: bytes


def read(connection: sqlite3.Connection) -> Own:
    """Read the row. Raises DamagedError when it is not what was written; sqlite3.Error."""
    rows = connection.execute(f"SELECT {_COLUMNS}, seal FROM ledger").fetchall()  # noqa: S608  (our own names)
    if len(rows) == 1:
        (*numbers, own, head, seal) = rows[0]
        if isinstance(own, bytes) and isinstance(head, bytes) and seals.is_whole(numbers, seal, own + head):
            return Own._make((*numbers, own, head))
    raise DATABASE.damaged("its head is not what it was" if rows else "it has no head")


def values(own: Own) -> tuple[int | bytes, ...]:
    """The row's cells in the order of WRITE."""
    return (*own, seals.seal(own[:6], own.id + own.head))


WRITE = f"INSERT OR REPLACE INTO ledger (one, {_COLUMNS}, seal) VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?, ?)"  # noqa: S608


def write(connection: sqlite3.Connection, own: Own) -> None:
    """Replace the row, inside the caller's transaction. Raises sqlite3.Error."""
    connection.execute(WRITE, values(own))
