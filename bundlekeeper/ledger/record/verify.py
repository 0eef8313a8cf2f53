"""Verifies the whole ledger: its pages, every event by its id, every id by the chain.

Rules: everything is read; what is wrong is reported by event; a head from an earlier receipt is looked for in the whole
chain; nothing is repaired, but what can still be read can be saved into a new ledger.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Protocol

from bundlekeeper.errors import DamagedError, InputError
from bundlekeeper.formats.escape import counted
from bundlekeeper.ledger.event import chain, seals
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, Words, is_sealed
from bundlekeeper.ledger.record import batches, other_chains
from bundlekeeper.ledger.record.check_tail import wrong_with
from bundlekeeper.ledger.record.kept_texts import LOAD_HINT, inventory_wrong
from bundlekeeper.ledger.state.projection import BOOT_FILE_COLUMNS, STATE_COLUMNS, TAG_COLUMNS

_MAX_WRONG = 100
_PAGE = 1000


class ReadableLedger(Protocol):
    """An open ledger, as far as verifying needs it."""

    connection: sqlite3.Connection
    where: str
    words: Words

    def head(self) -> chain.Head:
        """The chain's head now."""

    def reading(self) -> AbstractContextManager[None]:
        """One snapshot for several questions."""

    def wrong_documents(self) -> list[str]:
        """The SHA-256 of every kept text that is not what it was."""


@dataclass(frozen=True, slots=True)
class VerifiedChain:
    """What verifying found. `wrong` has one line for each thing that is not what was written, at most a hundred.

    `damaged` is True where a page, a seal or a kept text is wrong; else events were altered together with their seals.
    `hints` are what to do, by the line in `wrong`, where there is something better than to save what can be read.

    `asked` is the head that was asked about, `at` the number of events after which the chain had it (None: never).
    """

    head: chain.Head
    wrong: tuple[str, ...]
    asked: str = ""
    at: int | None = None
    damaged: bool = False
    hints: Mapping[str, str] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """True when nothing is damaged and the head that was asked about, if any, is in the chain."""
        return not self.wrong and (not self.asked or self.at is not None)


def verify(ledger: ReadableLedger, head: str = "") -> VerifiedChain:
    """Read everything and compare it with the chain; `head` is a head printed earlier, as hexadecimal digits.

    Raises InputError for a `head` that is none; LockedError, UnfinishedError. Damage is returned, not raised.
    """
    asked = head_asked(head)
    damaged: dict[str, str] = {}  # what is wrong, and what to do
    found = _Walked()
    checks: tuple[Callable[[], object], ...] = (
        lambda: DATABASE.check_pages(ledger.connection, ledger.where, whole=True),
        lambda: _walk(ledger, asked, found),
        lambda: damaged.update(dict.fromkeys(_derived(ledger), seals.REBUILD_HINT)),
        lambda: _insist_on_others(ledger),
        lambda: damaged.update((inventory_wrong(digest), LOAD_HINT) for digest in ledger.wrong_documents()),
    )
    for check in checks:
        try:
            with DATABASE.reading(ledger.connection, ledger.where):
                check()
        except DamagedError as e:
            damaged.setdefault(e.message, "")
        except (TypeError, ValueError, ArithmeticError, LookupError, AttributeError, struct.error) as e:
            damaged.setdefault(f"the ledger is damaged: {e}", "")  # a cell with a value that it cannot have
    damaged.update(dict.fromkeys(found.marks, seals.REBUILD_HINT))
    wrong = tuple(dict.fromkeys([*found.wrong, *damaged]))[:_MAX_WRONG]
    return VerifiedChain(found.head, wrong, head, found.at, bool(damaged) or found.broken, damaged)


def head_asked(head: str) -> bytes:
    """A head that was printed earlier, as bytes; empty for none. Raises InputError for what is none."""
    try:
        asked = bytes.fromhex(head)
    except ValueError as e:
        raise InputError("a head is 64 hexadecimal digits") from e
    if head and len(asked) != 32:
        raise InputError("a head is 64 hexadecimal digits")
    return asked


#: Every table of sealed rows, except events and those about other ledgers: its sealed numbers, and the seal.
_SEALED = {
    "image": "SELECT id, version, family, bundle, sha256, seal FROM image",
    "state": f"SELECT {STATE_COLUMNS} FROM state",  # noqa: S608  (our own names)
    "boot_files": f"SELECT {BOOT_FILE_COLUMNS} FROM boot_files",  # noqa: S608
    "tagged": f"SELECT {TAG_COLUMNS} FROM tagged",  # noqa: S608
}


def broken(ledger: ReadableLedger, table: str) -> int:
    """How many rows of a derived table are not what was written. Raises sqlite3.Error."""
    return sum(not seals.is_whole(row[:-1], row[-1]) for row in ledger.connection.execute(_SEALED[table]))


def _derived(ledger: ReadableLedger) -> Iterator[str]:
    """What is wrong with the rows that are derived from the events."""
    for table in _SEALED:
        count = broken(ledger, table)
        if count:
            yield f"{counted(count, 'row')} of {table} {'is' if count == 1 else 'are'} not what was written"


def _insist_on_others(ledger: ReadableLedger) -> None:
    """Insist on the other rows that cannot be made again from events. Raises DamagedError."""
    other_chains.insist_on_rows(ledger.connection)
    words = Words(ledger.connection)
    (last,) = ledger.connection.execute("SELECT max(id) FROM word").fetchone()
    for first in range(1, last + 1, _PAGE):
        numbers = ledger.connection.execute("SELECT id FROM word WHERE id >= ? AND id < ?", (first, first + _PAGE))
        words.fetch({number for (number,) in numbers.fetchall()})
    batches.insist_on_ids(ledger.connection)  # and that no time of learning is missing


def wrong_events(ledger: ReadableLedger) -> list[str]:
    """What is wrong with the events and their chain, at most a hundred lines; derived rows are not read.

    Raises DamagedError where the file cannot be read; LockedError, UnfinishedError.
    """
    with ledger.reading():
        for table in ("event", "word"):  # with their indexes: sqlite.org/pragma.html, 'integrity_check'
            DATABASE.check_pages(ledger.connection, ledger.where, table=table)
        found = _Walked()
        _walk(ledger, b"", found)
        return found.wrong[:_MAX_WRONG]


@dataclass(slots=True)
class _Walked:
    """The chain walked from its beginning: its head, what is wrong, and after which event it had the head asked for."""

    head: chain.Head = field(default_factory=lambda: chain.Head("", 0, ""))
    wrong: list[str] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)  # events with a wrong mark whether they count
    broken: bool = False  # some event does not have the seal that was written with it
    at: int | None = None


def _walk(ledger: ReadableLedger, asked: bytes, found: _Walked) -> None:
    found.head = ledger.head()
    running = chain.genesis(bytes.fromhex(found.head.ledger))
    found.at = 0 if running == asked else None
    expected = 0
    for seq, event_id, message, whole in _events(ledger):
        expected += 1
        if seq != expected:
            found.wrong.append(f"event {expected} is missing, {seq} follows")
            expected = seq
        found.broken = found.broken or not whole
        if message and len(found.wrong) < _MAX_WRONG:
            found.wrong.append(message)
        elif not message and not whole and len(found.marks) < _MAX_WRONG:
            found.marks.append(f"the mark whether event {seq} counts is not what was written")
        running = chain.link(running, event_id)
        if running == asked:
            found.at = seq
    if expected != found.head.count or running.hex() != found.head.digest:
        found.wrong.append(f"the chain of {expected} events does not end in the head that the ledger has")


def _events(ledger: ReadableLedger) -> Iterator[tuple[int, bytes, str, bool]]:
    """Number, stored id, what is wrong of every event, and whether it has its seal."""
    after = 0
    query = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq > ? ORDER BY seq LIMIT {_PAGE}"  # noqa: S608  (our own names)
    while True:
        rows = ledger.connection.execute(query, (after,)).fetchall()
        for row in rows:
            event_id = row[1] if isinstance(row[1], bytes) else b""
            yield row[0], event_id, wrong_with(row, ledger.words), is_sealed(row)
        if len(rows) < _PAGE:
            return
        after = rows[-1][0]
