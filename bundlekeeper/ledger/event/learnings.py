"""When events were learned: from which number on, and the moment."""

from __future__ import annotations

import sqlite3

from bundlekeeper.ledger.event import own_chain, seals
from bundlekeeper.ledger.event.database import DATABASE


def learnings(connection: sqlite3.Connection) -> list[tuple[int, int]]:
    """When events were learned: from which number on, and the moment. Raises DamagedError where rows are missing."""
    rows = connection.execute("SELECT first, at, seal FROM learning ORDER BY first").fetchall()
    if len({row[0] for row in rows}) != own_chain.read(connection).learned or not all(
        seals.is_whole(row[:2], row[2]) for row in rows
    ):
        raise DATABASE.damaged("the times when events were learned are not what was written")
    return [(first, at) for first, at, _ in rows]
