"""Other stores' chains as they were met, and our own: a file from a copy that went on separately is reported.

Rules: of each other ledger, the chain that was met first is followed from its first event on, as runs of numbers of our
own events, in the transaction that merges them; a later file, longer or shorter, is compared with it event by event;
the heads at the ends of files are kept as well, of every copy; events before a part (`ledger export --after`) that
never came are reported until they have come. Two things are not noticed: a copy that parted after the events that were
merged here, when its file is a part and the part before never came; and a gap before the end of a longer copy's file.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import Any

from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event import chain, own_chain, seals
from bundlekeeper.ledger.event.database import DATABASE

ID_BYTES = 32
_BATCH = 500  # events of one question
Run = tuple[int, int, int]  # number in their chain, number in ours, how many follow one another in both
Gaps = tuple[tuple[int, int], ...]  # first and last number of events that never came


@dataclass(frozen=True, slots=True)
class ChainPart:
    """The part of a ledger's chain in a file: the head before its events, their ids one after the other, the head."""

    after: int
    before: bytes
    ids: bytearray
    head: chain.Head

    def ids_after(self, start: int = 0) -> Iterator[bytes]:
        """The ids of the events after number `start`, which is not before `after`."""
        for place in range((start - self.after) * ID_BYTES, len(self.ids), ID_BYTES):
            yield bytes(self.ids[place : place + ID_BYTES])


def follow(connection: sqlite3.Connection, ours: chain.Head, part: ChainPart) -> tuple[chain.Fork | None, Gaps]:
    """Compare a part, whose events are in the ledger now, with what is known of its ledger, and record the part.

    Returns the fork, if there is one, and which events of that ledger before the part never came, as first and last
    numbers. `ours` is our own head as it was before the part came. Used inside the writing transaction. Raises
    DamagedError, sqlite3.Error.
    """
    ledger = bytes.fromhex(part.head.ledger)
    gaps: Gaps = ()
    insist_on_rows(connection)
    if part.head.ledger == ours.ledger:
        fork = _of_ours(connection, ours, part)
    else:
        gaps = _gaps(connection, ledger, part)
        fork = _of_theirs(connection, ledger, part)
    head = bytes.fromhex(part.head.digest)
    into = "INSERT OR IGNORE INTO peer (ledger, count, head, seal) VALUES (?, ?, ?, ?)"
    connection.execute(into, (ledger, part.head.count, head, seals.seal((part.head.count,), ledger + head)))
    own_chain.write(connection, own_chain.read(connection)._replace(met=_insist_on_whole(connection)))
    return fork, gaps


#: Whole numbers and bytes of each table about other ledgers, and its seal.
_TABLES = (
    "SELECT count, seal, ledger, head FROM peer",
    "SELECT first, seq, length, seal, ledger, x'' FROM followed",
    "SELECT after, count, seal, ledger, x'' FROM piece",
    "SELECT place, seq, length, seal, batch, x'' FROM batch",
)


def _insist_on_whole(connection: sqlite3.Connection) -> int:
    """Insist that every row about other ledgers is what was written; return how many there are. Raises DamagedError."""
    rows = [row for select in _TABLES for row in connection.execute(select)]
    for *numbers, seal, ledger, head in rows:
        is_bytes = isinstance(ledger, bytes) and isinstance(head, bytes)
        if not (is_bytes and seals.is_whole(numbers, seal, ledger + head)):
            raise DATABASE.damaged("rows about other ledgers are not what was written")
    return len(rows)


def insist_on_rows(connection: sqlite3.Connection) -> None:
    """Insist on the rows about other ledgers, and on how many there must be. Raises DamagedError, sqlite3.Error."""
    if _insist_on_whole(connection) != own_chain.read(connection).met:
        raise DATABASE.damaged("rows about other ledgers are missing")


def _gaps(connection: sqlite3.Connection, ledger: bytes, part: ChainPart) -> Gaps:
    """Which events before the part never came; a part that does not follow what is known is recorded as a piece."""
    select = "SELECT sum(length) FROM followed WHERE ledger = ?"
    covered: int = connection.execute(select, (ledger,)).fetchone()[0] or 0
    if part.after <= covered:
        return ()
    # A copy that went on separately is not followed, but a file of it may reach that far.
    select = (
        "SELECT max(count) FROM peer WHERE ledger = ?1 AND count NOT IN (SELECT count FROM piece WHERE ledger = ?1) "
        "AND count > ?2"
    )
    covered = connection.execute(select, (ledger, covered)).fetchone()[0] or covered
    if part.after <= covered:
        return ()
    select = "SELECT after, count FROM piece WHERE ledger = ? AND after < ? ORDER BY after"
    pieces: list[tuple[int, int]] = connection.execute(select, (ledger, part.after)).fetchall()
    select = "SELECT 1 FROM peer WHERE ledger = ? AND count = ? AND head = ?"
    met = connection.execute(select, (ledger, part.after, part.before)).fetchone()
    ended = connection.execute("SELECT 1 FROM piece WHERE ledger = ? AND count = ?", (ledger, part.after)).fetchone()
    if met and not ended:
        return ()  # a whole file of another copy ended here
    into = "INSERT OR IGNORE INTO piece (ledger, after, count, seal) VALUES (?, ?, ?, ?)"
    seal = seals.seal((part.after, part.head.count), ledger)
    connection.execute(into, (ledger, part.after, part.head.count, seal))
    found = []
    for after, count in (*pieces, (part.after, part.after)):
        if after > covered:
            found.append((covered + 1, after))
        covered = max(covered, count)
    return tuple(found)


def _of_ours(connection: sqlite3.Connection, head: chain.Head, part: ChainPart) -> chain.Fork | None:
    message = "this ledger and the other are copies of one that went on separately"
    ours = _ids(connection, [(1, 1, head.count)])
    if part.after > head.count or _head_after(head.ledger, islice(ours, part.after)) != part.before:
        return chain.Fork(head.ledger, None, message)
    common = _parting(part, ours, part.ids_after(part.after))
    if common is None:
        return None
    here, there = head.count - common, part.head.count - common
    message += f": they agree on {counted(common, 'event')}, then {here} more came here and {there} there"
    return chain.Fork(head.ledger, common, message)


def _of_theirs(connection: sqlite3.Connection, ledger: bytes, part: ChainPart) -> chain.Fork | None:
    select = "SELECT first, seq, length FROM followed WHERE ledger = ? ORDER BY first"
    runs: list[Run] = connection.execute(select, (ledger,)).fetchall()
    covered = sum(length for _, _, length in runs)
    if part.after <= covered:
        ours = _ids(connection, runs)
        if _head_after(part.head.ledger, islice(ours, part.after)) != part.before:
            return _copied(part.head.ledger, "")
        common = _parting(part, ours, part.ids_after(part.after))
        if common is not None:
            return _copied(part.head.ledger, f"; they agree on {counted(common, 'event')}", common)
        if part.head.count > covered:
            _extend(connection, ledger, runs, covered, part.ids_after(covered))
    return _by_heads(connection, ledger, part)


def _ids(connection: sqlite3.Connection, runs: Sequence[Run]) -> Iterator[bytes]:
    """The ids of the events of these runs, read one by one."""
    for _, seq, length in runs:
        select = "SELECT id FROM event WHERE seq >= ? AND seq < ? ORDER BY seq"
        yield from (event_id for (event_id,) in connection.execute(select, (seq, seq + length)))


def _head_after(ledger: str, ids: Iterable[bytes]) -> bytes:
    head = chain.genesis(bytes.fromhex(ledger))
    for event_id in ids:
        head = chain.link(head, event_id)
    return head


def _parting(part: ChainPart, ours: Iterable[bytes], theirs: Iterable[bytes]) -> int | None:
    """After how many events two chains part, which agree up to `part.after`; None where one continues the other."""
    pairs = enumerate(zip(ours, theirs, strict=False), part.after)
    return next((number for number, (here, there) in pairs if here != there), None)


def _extend(
    connection: sqlite3.Connection, ledger: bytes, runs: Sequence[Run], covered: int, ids: Iterator[bytes]
) -> None:
    """Follow the chain to the end of the ids, which come after the first `covered` events."""
    new = list(runs[-1:])
    number = covered
    while batch := list(islice(ids, _BATCH)):
        select = f"SELECT id, seq FROM event WHERE id IN ({','.join('?' * len(batch))})"  # noqa: S608  (question marks)
        seqs: dict[bytes, int] = dict(connection.execute(select, batch).fetchall())
        for event_id in batch:
            number, seq = number + 1, seqs[event_id]
            if new and new[-1][1] + new[-1][2] == seq:
                new[-1] = (*new[-1][:2], new[-1][2] + 1)
            else:
                new.append((number, seq, 1))
    into = "INSERT OR REPLACE INTO followed (ledger, first, seq, length, seal) VALUES (?, ?, ?, ?, ?)"
    connection.executemany(into, ((ledger, *run, seals.seal(run, ledger)) for run in new))


def _by_heads(connection: sqlite3.Connection, ledger: bytes, part: ChainPart) -> chain.Fork | None:
    """Compare with the heads at which earlier files ended, of whichever copy they were."""
    select = "SELECT count, head FROM peer WHERE ledger = ? AND count >= ? AND count <= ?"
    met: dict[int, bytes] = dict(connection.execute(select, (ledger, part.after, part.head.count)).fetchall())
    head, known = part.before, ""
    for number, event_id in enumerate((None, *part.ids_after(part.after)) if met else (), part.after):
        head = head if event_id is None else chain.link(head, event_id)
        if met.get(number, head) != head:
            return _copied(part.head.ledger, known)
        if number in met:
            known = f"; they agree on at least {counted(number, 'event')}"
    return None


def _copied(ledger: str, agree: str, common: int | None = None) -> chain.Fork:
    message = "the other ledger is not the one that was merged before: a copy of it went on separately"
    return chain.Fork(ledger, common, message + agree)


def as_brought(
    connection: sqlite3.Connection, part: ChainPart, found: Sequence[tuple[str, Sequence[tuple[int, int]]]]
) -> dict[str, object]:
    """A part whose events are all here, and the batches in it, as JSON: its events as runs of our numbers.

    Raises sqlite3.Error.
    """
    numbers: list[tuple[int, int]] = []
    ids = part.ids_after(part.after)
    while batch := list(islice(ids, _BATCH)):
        select = f"SELECT id, seq FROM event WHERE id IN ({','.join('?' * len(batch))})"  # noqa: S608  (question marks)
        seqs: dict[bytes, int] = dict(connection.execute(select, batch).fetchall())
        for event_id in batch:
            seq = seqs[event_id]
            if numbers and sum(numbers[-1]) == seq:
                numbers[-1] = (numbers[-1][0], numbers[-1][1] + 1)
            else:
                numbers.append((seq, 1))
    return {
        "ledger": part.head.ledger, "after": part.after, "before": part.before.hex(), "count": part.head.count,
        "head": part.head.digest, "runs": numbers, "batches": found,
    }  # fmt: skip


def from_brought(
    connection: sqlite3.Connection,
    brought: Any,  # noqa: ANN401 - a JSON document
) -> tuple[ChainPart, list[tuple[str, list[tuple[int, int]]]]]:
    """What `as_brought` gave. Raises KeyError, TypeError, ValueError for anything else; sqlite3.Error."""
    head = chain.Head(brought["ledger"], brought["count"], brought["head"])
    ids = b"".join(_ids(connection, [(0, seq, length) for seq, length in brought["runs"]]))
    part = ChainPart(brought["after"], bytes.fromhex(brought["before"]), bytearray(ids), head)
    return part, [(name, [(first, length) for first, length in runs]) for name, runs in brought["batches"]]
