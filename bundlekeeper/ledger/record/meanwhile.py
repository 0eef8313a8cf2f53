"""What others recorded while a command was at work, and what it records itself: where the two contradict each other.

Rules: both are recorded, because both were said; only statements about the same thing of the same component contradict
each other: which version is staged, or runs, or whether the component is there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, Words, from_row, sealed


class Contradiction(NamedTuple):
    """Two events that contradict each other: the one that was recorded first, and the one of this command."""

    first: Event
    second: Event


class _Said(NamedTuple):
    version: str
    holds: bool = True  # False: that it is not so


def contradictions(
    connection: sqlite3.Connection, words: Words, after: int, events: Sequence[Event]
) -> tuple[Contradiction, ...]:
    """Where new events contradict what was learned after number `after`, at most one a component.

    Raises DamagedError, sqlite3.Error.
    """
    by_component: dict[str, list[Event]] = {}
    for event in events:
        by_component.setdefault(event.component, []).append(event)
    found: dict[str, Contradiction] = {}
    select = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq > ? AND component IS NOT NULL AND void = 0 ORDER BY seq"  # noqa: S608
    for row in sealed(connection.execute(select, (after,))):
        first = from_row(row, words)
        for second in by_component.get(first.component, ()):
            if _contradict(first, second):
                found[first.component] = Contradiction(first, second)
    return tuple(found.values())


def _contradict(first: Event, second: Event) -> bool:
    one, other = _says(first), _says(second)
    return any(_differ(one[key], other[key]) for key in one.keys() & other.keys())


def _differ(one: _Said, other: _Said) -> bool:
    if one.holds and other.holds:
        return one.version != other.version
    return one.holds != other.holds and one.version == other.version


def _says(event: Event) -> dict[str, _Said]:
    """What an event says of its component, by what it says it of."""
    there = {"there": _Said("yes")}
    if event.what is EventKind.GONE:
        return {"there": _Said("no")}
    if event.what is EventKind.STAGED:
        return there | {"staged": _Said(event.version)}
    if event.what is EventKind.ACTIVATED:
        return there | {"active": _Said(event.version)}
    if event.what is EventKind.FAILED:
        return there | {"active": _Said(event.version, holds=False)}
    if event.what is EventKind.OBSERVED:
        banks: Iterable[tuple[str, str | None]] = (
            ("active", event.seen.active), ("staged", event.seen.staged),
            ("pending", event.seen.pending), ("spare", event.seen.spare),
        )  # fmt: skip
        return there | {bank: _Said(version) for bank, version in banks if version is not None}
    return {}
