"""When events were learned: from which number on, the moment, and the batch that they are."""

from __future__ import annotations

import sqlite3
from typing import Any, NamedTuple

from bundlekeeper.ledger.event import own_chain, seals
from bundlekeeper.ledger.event.database import DATABASE


class Learning(NamedTuple):
    """Events from number `first` on were learned at `at`, in microseconds; `own` is 1 where a command of this store
    recorded them, 0 where they came from another store; `batch` is the id of the batch that they are.
    """

    first: int
    at: int
    own: int
    batch: bytes


def learnings(connection: sqlite3.Connection) -> list[tuple[int, int]]:
    """When events were learned: from which number on, and the moment. Raises DamagedError where rows are missing."""
    return [(row.first, row.at) for row in learning_rows(connection)]


def learning_rows(connection: sqlite3.Connection) -> list[Learning]:
    """Every row of `learning`, in the order of the events. Raises as `learnings`."""
    rows = connection.execute("SELECT first, at, own, batch, seal FROM learning ORDER BY first").fetchall()
    if len({row[0] for row in rows}) != own_chain.read(connection).learned or not all(map(_is_whole, rows)):
        raise DATABASE.damaged("the times when events were learned are not what was written")
    return [Learning(*row[:4]) for row in rows]


def _is_whole(row: tuple[Any, ...]) -> bool:
    return isinstance(row[3], bytes) and seals.is_whole(row[:3], row[4], row[3])


def learn(connection: sqlite3.Connection, row: Learning) -> None:
    """Add a row, inside the caller's transaction. Raises sqlite3.Error."""
    into = "INSERT INTO learning (first, at, own, batch, seal) VALUES (?, ?, ?, ?, ?)"
    connection.execute(into, (*row, seals.seal(row[:3], row.batch)))
