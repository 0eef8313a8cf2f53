"""The whole ledger held against itself: pages, every event against its id, every id against the chain.

Rules: everything is read; what is wrong is told by event; a head from an earlier receipt is looked for in the whole
chain; nothing is repaired, but what can still be read can be saved into a new ledger.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from bundlekeeper.errors import DamagedError, InputError, KeeperError
from bundlekeeper.formats.escape import counted
from bundlekeeper.ledger.event import chain, seals
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import Event
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, Words, from_row, is_sealed
from bundlekeeper.ledger.exchange import other_chains
from bundlekeeper.ledger.record.check_tail import wrong_with
from bundlekeeper.ledger.record.ledger import LOAD_HINT, Ledger, inventory_wrong, learnings
from bundlekeeper.ledger.state.projection import HELD_COLUMNS, STATE_COLUMNS

_MAX_WRONG = 100
_PAGE = 1000


@dataclass(frozen=True, slots=True)
class Verified:
    """What verifying found. `wrong` says what is not what was written, each in one line, at most a hundred.

    `damaged` is True where a page, a seal or a kept text says so; else events were altered with their seals. `ways`
    are ways out of what is wrong, by the line that says it, where there is a better one than to save what can be read.

    `asked` is the head that was asked about, `at` the number of events after which the chain had it (None: never).
    """

    head: chain.Head
    wrong: tuple[str, ...]
    asked: str = ""
    at: int | None = None
    damaged: bool = False
    ways: Mapping[str, str] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """True when nothing is damaged and the head that was asked about, if any, is in the chain."""
        return not self.wrong and (not self.asked or self.at is not None)


def verify(book: Ledger, head: str = "") -> Verified:
    """Read everything and hold it against the chain; `head` is a head printed earlier, as hexadecimal digits.

    Raises InputError for a `head` that is none; LockedError, UnfinishedError. Damage is told, not raised.
    """
    try:
        asked = bytes.fromhex(head)
    except ValueError as e:
        raise InputError("a head is 64 hexadecimal digits") from e
    if head and len(asked) != 32:
        raise InputError("a head is 64 hexadecimal digits")
    damaged: dict[str, str] = {}  # what is wrong, and the way out of it
    found = _Walked()
    checks: tuple[Callable[[], object], ...] = (
        lambda: DATABASE.check_pages(book.connection, book.where, whole=True),
        lambda: _walk(book, asked, found),
        lambda: damaged.update(dict.fromkeys(_derived(book), seals.REBUILD_HINT)),
        lambda: _insist_on_others(book),
        lambda: damaged.update((inventory_wrong(digest), LOAD_HINT) for digest in book.wrong_documents()),
    )
    for check in checks:
        try:
            with DATABASE.reading(book.connection, book.where):
                check()
        except DamagedError as e:
            damaged.setdefault(e.says, "")
        except (TypeError, ValueError, ArithmeticError, LookupError, AttributeError, struct.error) as e:
            damaged.setdefault(f"the ledger is damaged: {e}", "")  # what a cell holds that can hold no such thing
    damaged.update(dict.fromkeys(found.marks, seals.REBUILD_HINT))
    wrong = tuple(dict.fromkeys([*found.wrong, *damaged]))[:_MAX_WRONG]
    return Verified(found.head, wrong, head, found.at, bool(damaged) or found.broken, damaged)


#: Every table with rows under a seal but events and those about other books: its sealed numbers, and the seal.
_SEALED = {
    "image": "SELECT id, version, family, bundle, sha256, seal FROM image",
    "state": f"SELECT {STATE_COLUMNS} FROM state",  # noqa: S608  (our own names)
    "held": f"SELECT {HELD_COLUMNS} FROM held",  # noqa: S608
}


def broken(book: Ledger, table: str) -> int:
    """How many rows of a derived table are not what was written. Raises sqlite3.Error."""
    return sum(not seals.is_whole(row[:-1], row[-1]) for row in book.connection.execute(_SEALED[table]))


def _derived(book: Ledger) -> Iterator[str]:
    """What the rows that are derived from the events say wrongly."""
    for table in _SEALED:
        count = broken(book, table)
        if count:
            yield f"{counted(count, 'row')} of {table} {'is' if count == 1 else 'are'} not what was written"


def _insist_on_others(book: Ledger) -> None:
    """Insist on the rows beside the events that nothing makes again. Raises DamagedError."""
    other_chains.insist_on_rows(book.connection)
    words = Words(book.connection)
    (last,) = book.connection.execute("SELECT max(id) FROM word").fetchone()
    for first in range(1, last + 1, _PAGE):
        numbers = book.connection.execute("SELECT id FROM word WHERE id >= ? AND id < ?", (first, first + _PAGE))
        words.fetch({number for (number,) in numbers.fetchall()})
    learnings(book.connection)


def wrong_events(book: Ledger) -> list[str]:
    """What is wrong with the events themselves and their chain, at most a hundred lines; what is derived is not read.

    Raises DamagedError where the file cannot be read; LockedError, UnfinishedError.
    """
    with book.reading():
        for table in ("event", "word"):  # with their indexes: sqlite.org/pragma.html, 'integrity_check'
            DATABASE.check_pages(book.connection, book.where, table=table)
        found = _Walked()
        _walk(book, b"", found)
        return found.wrong[:_MAX_WRONG]


@dataclass(slots=True)
class _Walked:
    """The chain walked from its beginning: its head, what is wrong, and after which event it had the head asked for."""

    head: chain.Head = field(default_factory=lambda: chain.Head("", 0, ""))
    wrong: list[str] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)  # events whose mark that they count is not what was written
    broken: bool = False  # some event has not the seal that was written with it
    at: int | None = None


def _walk(book: Ledger, asked: bytes, found: _Walked) -> None:
    found.head = book.head()
    running = chain.genesis(bytes.fromhex(found.head.book))
    found.at = 0 if running == asked else None
    expected = 0
    for seq, event_id, says, whole in _events(book):
        expected += 1
        if seq != expected:
            found.wrong.append(f"event {expected} is missing, {seq} follows")
            expected = seq
        found.broken = found.broken or not whole
        if says and len(found.wrong) < _MAX_WRONG:
            found.wrong.append(says)
        elif not says and not whole and len(found.marks) < _MAX_WRONG:
            found.marks.append(f"the mark of event {seq}, whether it counts, is not what was written")
        running = chain.link(running, event_id)
        if running == asked:
            found.at = seq
    if expected != found.head.count or running.hex() != found.head.digest:
        found.wrong.append(f"the chain of {expected} events does not end in the head that the ledger has")


def _events(book: Ledger) -> Iterator[tuple[int, bytes, str, bool]]:
    """Number, stored id, what is wrong of every event, and whether it has its seal."""
    after = 0
    query = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq > ? ORDER BY seq LIMIT {_PAGE}"  # noqa: S608  (our own names)
    while True:
        rows = book.connection.execute(query, (after,)).fetchall()
        for row in rows:
            event_id = row[1] if isinstance(row[1], bytes) else b""
            yield row[0], event_id, wrong_with(row, book.words), is_sealed(row)
        if len(rows) < _PAGE:
            return
        after = rows[-1][0]


@dataclass(frozen=True, slots=True)
class Saved:
    """How many events could be saved into the new ledger, and the numbers of those that could not.

    `texts` are the SHA-256 of the inventories whose events were saved and whose texts could not be.
    """

    events: int
    lost: tuple[int, ...]
    texts: tuple[str, ...] = ()


def salvage(damaged: Path, target: Path, learned: datetime) -> Saved:
    """Save every event of a damaged ledger that can be read and is what it was into a new ledger at `target`.

    The new ledger has a chain of its own. `learned` is the time now, aware. Raises InputError when `target` is there or
    there is no damaged ledger; DamagedError when nothing at all can be read; UnfinishedError.
    """
    if target.exists():
        raise InputError("there is a file of that name already", where=str(target), hint="name a new one")
    if not damaged.is_file():
        raise InputError("there is no ledger to save anything from", where=str(damaged), hint=_LOST_HINT)
    try:
        found, lost, documents = _saved_from(damaged)
    except DamagedError as e:
        says = f"nothing can be saved, every event in this file is lost: {_why(damaged) or e.says}"
        raise DamagedError(says, where=str(damaged), hint=_LOST_HINT) from e
    with Ledger.open(target, write=True) as book:
        book.record(found, learned, documents=documents)
    named = dict.fromkeys(event.document for event in found if event.document)
    return Saved(len(found), tuple(lost), tuple(digest for digest in named if digest not in documents))


_LOST_HINT = (
    "move the file aside and put the last copy of it back; without one, begin a new ledger and merge into it what "
    "other stores and earlier exports hold (bundlekeeper ledger merge FILE), then load what runs today"
)


def _saved_from(damaged: Path) -> tuple[list[Event], list[int], dict[str, str]]:
    with DATABASE.on_disk(str(damaged)):
        connection = sqlite3.connect(f"{damaged.absolute().as_uri()}?mode=ro", uri=True)
        try:
            source = Ledger(connection, damaged)
            source.words = Words(connection, trusting=True)  # every event is held against its id
            if not connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'event'").fetchone():
                raise DamagedError("it has no table of events", where=str(damaged))
            count = connection.execute("SELECT max(seq) FROM event").fetchone()[0] or 0
            found, lost = _readable(source, count)
            return found, lost, _documents(source, found)
        finally:
            connection.close()


def _why(damaged: Path) -> str:
    """What the file's own header says of a file that is cut short (sqlite.org/fileformat2.html §1.3)."""
    size = damaged.stat().st_size
    with damaged.open("rb") as file:
        header = file.read(100)
    if len(header) < 100:
        return f"it has {size} bytes"
    page = int.from_bytes(header[16:18], "big")
    due = (65536 if page == 1 else page) * int.from_bytes(header[28:32], "big")
    return f"it has {size} of {due} bytes" if size < due else ""


def _readable(source: Ledger, count: int) -> tuple[list[Event], list[int]]:
    found, lost = [], []
    for seq in range(1, count + 1):
        try:
            query = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq = ?"  # noqa: S608  (our own names)
            row = source.connection.execute(query, (seq,)).fetchone()
            if row is None or wrong_with(row, source.words):
                lost.append(seq)
            else:
                found.append(from_row(row, source.words))
        except (sqlite3.Error, KeeperError, ValueError):
            lost.append(seq)
    return found, lost


def _documents(source: Ledger, events: list[Event]) -> dict[str, str]:
    """The texts of inventories that can be read, each by itself, by their SHA-256."""
    found: dict[str, str] = {}
    for digest in dict.fromkeys(event.document for event in events if event.document):
        with suppress(sqlite3.Error, KeeperError):
            text = source.document(digest)
            if text is not None:
                found[digest] = text
    return found
