"""Which components were where: asked of one index, and of a second one that the same damaged page cannot have hit.

Rules: an index has copies of the table's cells, so a row that vanished from one, or is different there, is in the
other as it was; where the two do not agree nothing is answered.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event import seals

Row = tuple[Any, ...]
_ENDS = {"state_place": "state_site", "state_site": "state_place"}
# How both go on after the time: grouped by columns up to one of these, nothing is sorted.
_ORDER = ("site", "domain", "kind", "model", "active", "pending", "spare", "staged")


@dataclass(frozen=True, slots=True)
class RowsQuestion:
    """A condition on rows of `state`, and the index that answers it; the second of the two can answer it alone, too.

    `terms` narrow it further: of an image, by place, kind and model.
    """

    condition: str
    values: Sequence[Any]
    index: str = "state_place"
    terms: str = "true"
    more: Sequence[Any] = ()

    @property
    def other(self) -> str:
        """The second index: with terms the one by place, which has the images as well."""
        if self.terms != "true":
            return "state_place"
        return _ENDS.get(self.index) or f"{self.index}_too"


def by_place(
    connection: sqlite3.Connection, keys: str, condition: str, values: Sequence[Any], counts: str = ""
) -> list[Row]:
    """Columns of `state` that both indexes by place have, under a condition on such columns.

    `counts` are sums, which are added behind the columns. Raises DamagedError; sqlite3.Error.
    """
    select = f"SELECT {keys}, {counts}" if counts else f"SELECT {keys}"
    group = f"GROUP BY {_in_order(keys)}" if counts else ""
    found, other = (
        [
            row
            for part in _conditions(connection, index, condition)
            for row in _asked(connection, select, index, part, values, group)
        ]
        for index in _ENDS
    )
    if counts:
        width = counts.count(",") + 1
        found, other = _summed(found, width), _summed(other, width)
    if Counter(found) != Counter(other):
        raise seals.derived("two indexes differ about the state of components")
    return found


def _in_order(keys: str) -> str:
    """The columns to group by: the keys, and those before them in the indexes where both have all of them in order."""
    wanted = keys.split(", ")
    known = [_ORDER.index(key) for key in wanted if key in _ORDER]
    return ", ".join(_ORDER[: max(known) + 1]) if len(known) == len(wanted) else keys


def _asked(
    connection: sqlite3.Connection, select: str, index: str, condition: str, values: Sequence[Any], group: str = ""
) -> list[Row]:
    return connection.execute(f"{select} FROM state INDEXED BY {index} WHERE {condition} {group}", values).fetchall()


def _conditions(connection: sqlite3.Connection, index: str, condition: str) -> Iterator[str]:
    """The condition as the index answers it without a look at past states: the index that begins with the site is
    asked site by site where no site is named."""
    if index != "state_site" or "site = ?" in condition or "site IN (?" in condition:
        yield condition
        return
    sites: list[int] = []
    select = "SELECT min(site) FROM state INDEXED BY state_site WHERE site > ?"
    (site,) = connection.execute(select, (-1,)).fetchone()
    while site is not None:
        sites.append(site)
        (site,) = connection.execute(select, (site,)).fetchone()
    yield f"site IN ({','.join(map(str, sites))}) AND {condition}"
    yield f"site IS NULL AND {condition}"


def _summed(rows: Sequence[Row], width: int) -> list[Row]:
    """The rows with equal keys as one, their last cells added up."""
    found: dict[Row, Row] = {}
    for row in rows:
        key, counts = row[:-width], row[-width:]
        before = found.get(key)
        found[key] = counts if before is None else tuple(one + more for one, more in zip(before, counts, strict=True))
    return [(*key, *counts) for key, counts in found.items()]


def rows_of(
    connection: sqlite3.Connection, columns: str, question: RowsQuestion, time: str, limits: Sequence[int]
) -> list[Row]:
    """Rows of `state` at a time, the component in the first column: all of them, as two indexes agree.

    Raises DamagedError; sqlite3.Error.
    """
    condition = f"{time} AND {question.condition} AND {question.terms}"
    values = (*limits, *question.values, *question.more)
    rows = _asked(connection, f"SELECT {columns}", question.index, condition, values)
    counted = [
        _asked(connection, "SELECT count(*), total(component)", question.other, part, values)[0]
        for part in _conditions(connection, question.other, condition)
    ]
    there = (len(rows), float(sum(row[0] for row in rows)))
    if there != (sum(count for count, _ in counted), sum(total for _, total in counted)):
        raise seals.derived("components are missing from an index or a table")
    return rows


def components(connection: sqlite3.Connection, question: RowsQuestion, time: str, limits: Sequence[int]) -> list[int]:
    """The components of which some row meets the condition, by both indexes. Raises as `rows_of`."""
    condition = f"{time} AND {question.condition} AND {question.terms}"
    values = (*limits, *question.values, *question.more)
    found, other = (
        {
            row[0]
            for part in _conditions(connection, index, condition)
            for row in _asked(connection, "SELECT DISTINCT component", index, part, values)
        }
        for index in (question.index, question.other)
    )
    if found != other:
        raise seals.derived("components are missing from an index or a table")
    return sorted(found)
