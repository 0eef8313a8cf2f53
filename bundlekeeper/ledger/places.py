"""Which components stood where: asked of one index, and of another one that a damaged page cannot have taken as well.

Rules: an index holds copies of what the table says, so a row that vanished from the one, or says something else there,
is in the other as it was; where the two do not agree nothing is answered.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from bundlekeeper.ledger import seals

_PLACES = ("state_place", "state_site")


def by_place(
    connection: sqlite3.Connection, columns: str, condition: str, values: Sequence[Any], group: str = ""
) -> list[tuple[Any, ...]]:
    """Columns of `state` that both indexes have, under a condition on such. Raises DamagedError; sqlite3.Error."""
    select = f"SELECT {columns} FROM state INDEXED BY {{}} WHERE {condition} {group}"  # noqa: S608  (our own names)
    found, other = (connection.execute(select.format(index), values).fetchall() for index in _PLACES)
    if len(found) != len(other) or set(found) != set(other):
        raise seals.derived("two indexes do not say the same of how components stood")
    return found


def insist_on_all(
    connection: sqlite3.Connection, rows: Sequence[tuple[Any, ...]], index: str, condition: str, values: Sequence[Any]
) -> None:
    """Insist that `rows`, whose first cell is a component, are all that `index` has under the condition.

    Raises DamagedError; sqlite3.Error.
    """
    select = f"SELECT count(*), total(component) FROM state INDEXED BY {index} WHERE {condition}"  # noqa: S608
    if connection.execute(select, values).fetchone() != (len(rows), float(sum(row[0] for row in rows))):
        raise seals.derived("components are missing from an index or a table")
