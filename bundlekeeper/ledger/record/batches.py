"""Batches: the events that one command recorded together, so that they can be taken back together.

Rules: a batch's id is the SHA-256 of a line and the ids of its events in the order of recording, so it is the same in
every store and always of the same events; those of this ledger's own commands are rows of `learning`, those of other
ledgers come with their events (`exchange`) and are rows of `batch`; only a batch whose events are all here is kept.
A batch is named by its first digits, as many as no other batch has.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from bundlekeeper.errors import InputError
from bundlekeeper.formats.moments import Moment
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event import own_chain, seals
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.learnings import learning_rows
from bundlekeeper.ledger.record.other_chains import ID_BYTES, insist_on_rows

Runs = Sequence[tuple[int, int]]  # number of an event, and how many events from it on
_PREFIX = b"bundlekeeper batch 1\n"  # so that a batch of one event has not the id of that event
_SHORTEST = 4  # digits of a name
_QUESTION = 500  # events of one question


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch: its id, its events as runs of this ledger's numbers, and when it was learned.

    `own` is True where a command of this store recorded it; else it came from another store, or is all that one file
    brought (`brought`).
    """

    id: str
    runs: Runs
    own: bool = False
    learned: Moment | None = None

    @property
    def brought(self) -> bool:
        """True where it is all that was new in a file of another store."""
        return self.learned is not None and not self.own

    def has(self, number: int) -> bool:
        """True where the event of this number is one of its events."""
        return any(first <= number < first + length for first, length in self.runs)

    def numbers(self) -> Iterator[int]:
        """The numbers of its events."""
        for first, length in self.runs:
            yield from range(first, first + length)


def new_batch() -> hashlib._Hash:
    """The digest of a batch without events; the id of each event is added to it."""
    return hashlib.sha256(_PREFIX)


def batch_id(ids: Iterable[bytes]) -> str:
    """The id of the batch of these events."""
    digest = new_batch()
    for event_id in ids:
        digest.update(event_id)
    return digest.hexdigest()


def batches(connection: sqlite3.Connection) -> list[Batch]:
    """Every batch that is known: this ledger's own and what files brought in their order, then those of other ledgers.

    Raises DamagedError where a row is not what was written, or is missing; sqlite3.Error.
    """
    rows = learning_rows(connection)
    ends = [*(row.first for row in rows), own_chain.read(connection).events + 1][1:]
    found = [
        Batch(row.batch.hex(), ((row.first, end - row.first),), bool(row.own), Moment(row.at, False, "UTC"))
        for row, end in zip(rows, ends, strict=True)
    ]
    others = _of_others(connection)
    ids = {batch.id for batch in others}  # a file that brought one batch is that batch
    return [batch for batch in found if batch.own or batch.id not in ids] + others


def _of_others(connection: sqlite3.Connection) -> list[Batch]:
    """The batches of other ledgers. Raises as `batches`; that rows are missing is noticed by `insist_on_rows`."""
    insist_on_rows(connection)
    rows = connection.execute("SELECT batch, seq, length FROM batch ORDER BY batch, place").fetchall()
    return [
        Batch(batch.hex(), tuple((seq, length) for _, seq, length in runs))
        for batch, runs in groupby(rows, key=lambda row: bytes(row[0]))
    ]


def names_of_events(connection: sqlite3.Connection, numbers: Iterable[int]) -> dict[int, tuple[str, str]]:
    """The id and the name of the batch by which each of these events was recorded, in this store or another.

    An event whose batch never came here has none. Raises as `batches`.
    """
    known = batches(connection)
    ids = sorted(batch.id for batch in known)
    recorded = [batch for batch in known if not batch.brought]
    recorded.sort(key=lambda batch: (not batch.own, sum(length for _, length in batch.runs)))  # the smallest first
    found: dict[int, tuple[str, str]] = {}
    for number in numbers:
        batch = next((batch for batch in recorded if batch.has(number)), None)
        if batch is not None:
            found[number] = batch.id, shortened(batch.id, ids)
    return found


def name_of(connection: sqlite3.Connection, batch: str) -> str:
    """The first digits of a batch's id that no other batch has: at least four, more in a ledger of many batches."""
    select = "SELECT batch FROM learning UNION SELECT batch FROM batch"
    ids = sorted(found.hex() for (found,) in connection.execute(select) if isinstance(found, bytes))
    return shortened(batch, ids)


def shortened(batch: str, ids: Sequence[str]) -> str:
    """The first digits of `batch` that no other one of `ids`, sorted, has."""
    from bisect import bisect_left

    place = bisect_left(ids, batch)
    beside = [other for other in ids[max(place - 1, 0) : place + 2] if other != batch]
    shared = max((_shared(batch, other) for other in beside), default=0)
    return batch[: max(_SHORTEST, shared + 1, len(f"{len(ids):x}") + 2)]


def _shared(one: str, other: str) -> int:
    return next((number for number, pair in enumerate(zip(one, other, strict=True)) if pair[0] != pair[1]), len(one))


def keep(connection: sqlite3.Connection, ids: bytes | bytearray, found: Iterable[tuple[str, Runs]]) -> None:
    """Keep batches of another ledger: `ids` are ids of events that are here, one after the other; a batch is its id
    and runs of places of its events among them, from 1. One that is known already is passed over.

    Used inside the writing transaction. Raises InputError where its events are not those that its id names;
    DamagedError, sqlite3.Error.
    """
    select = "SELECT batch FROM learning WHERE own = 1 UNION SELECT batch FROM batch"
    known = {batch for (batch,) in connection.execute(select)}
    new = 0
    for name, runs in found:
        events = [
            bytes(ids[at : at + ID_BYTES])
            for first, length in runs
            for at in range((first - 1) * ID_BYTES, (first + length - 1) * ID_BYTES, ID_BYTES)
        ]
        if batch_id(events) != name:
            raise InputError(f"batch {name[:12]} is not of the events that it was")
        batch = bytes.fromhex(name)
        if batch in known:
            continue
        known.add(batch)
        into = "INSERT INTO batch (batch, place, seq, length, seal) VALUES (?, ?, ?, ?, ?)"
        for place, run in enumerate(runs_of(_numbers(connection, events))):
            connection.execute(into, (batch, place, *run, seals.seal((place, *run), batch)))
            new += 1
    own = own_chain.read(connection)
    own_chain.write(connection, own._replace(met=own.met + new))


def _numbers(connection: sqlite3.Connection, events: Sequence[bytes]) -> Iterator[int]:
    for start in range(0, len(events), _QUESTION):
        some = events[start : start + _QUESTION]
        select = f"SELECT id, seq FROM event WHERE id IN ({','.join('?' * len(some))})"  # noqa: S608  (question marks)
        seqs: dict[bytes, int] = dict(connection.execute(select, some).fetchall())
        yield from (seqs[event_id] for event_id in some)


def runs_of(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Numbers in their order, as runs: a run's first number, and how many follow one another from it on."""
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and sum(runs[-1]) == number:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((number, 1))
    return runs


def insist_on_ids(connection: sqlite3.Connection) -> None:
    """Insist that every batch is of the events that its id names. Raises DamagedError, sqlite3.Error."""
    for batch in batches(connection):
        ids = (
            event_id
            for first, length in batch.runs
            for (event_id,) in connection.execute(
                "SELECT id FROM event WHERE seq >= ? AND seq < ? ORDER BY seq", (first, first + length)
            )
        )
        if batch_id(ids) != batch.id:
            raise DATABASE.damaged(f"batch {batch.id[:12]} is not of the events that it was")
