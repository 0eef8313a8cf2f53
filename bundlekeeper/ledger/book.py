"""The book: every event this store has learned of, appended and never changed.

Rules: one call of `record` is one transaction, of which all is kept or nothing; when it returns, its events survive
whatever comes; the same statement is kept once; each event has the next number and moves the chain's head; what is
derived from the events changes with them. Many processes may record at once: they take turns.
"""

from __future__ import annotations

import os
import sqlite3
import zlib
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from bundlekeeper.errors import InputError
from bundlekeeper.ledger import chain, database
from bundlekeeper.ledger.events import Event, What, check
from bundlekeeper.ledger.projection import Images, Projection
from bundlekeeper.ledger.rows import BANK_CODE, EVENT_COLUMNS, INSERT, WHAT_CODE, Words, from_row, to_row
from bundlekeeper.ledger.silence import in_scope
from bundlekeeper.ledger.standing import FACT_COLUMNS, Fact
from bundlekeeper.ledger.tail import check_tail
from bundlekeeper.model import moments

_FLUSH = 200_000  # events of one transaction whose facts are kept in memory
_CORRECTED, _INVENTORY = WHAT_CODE[What.CORRECTED], WHAT_CODE[What.INVENTORY]
_COLUMN = {name.strip('"'): place for place, name in enumerate(EVENT_COLUMNS.split(", "))}
_FACT_PLACES = tuple(_COLUMN[name] for name in FACT_COLUMNS.split(", "))


@dataclass(frozen=True, slots=True)
class Recorded:
    """What became of one call of `record`: the ids in the order of the call, how many were new, and the head now."""

    ids: tuple[str, ...]
    new: int
    head: chain.Head

    @property
    def known(self) -> int:
        """How many were there already."""
        return len(self.ids) - self.new


@dataclass(frozen=True, slots=True)
class Entry:
    """One event as this store has it: its number, its id, when it was learned, and whether a correction stands."""

    seq: int
    id: str
    event: Event
    learned: moments.Moment
    void: bool


class Book:
    """One open ledger. Use as a context manager, or `close` it."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self.connection = connection
        self.path = path
        self.where = str(path)
        self.words = Words(connection)
        self.images = Images(connection)

    @classmethod
    def open(cls, path: Path, *, write: bool) -> Self:
        """Open the ledger at `path`; with `write`, make it where absent.

        Raises DamagedError when it is absent, not ours, newer than we are or damaged, and with `write` when its last
        events are not what they were; UnfinishedError when it cannot be opened; LockedError when others hold it for
        over a minute.
        """
        if write and not path.exists():
            book = os.urandom(16)
            into = "INSERT INTO book (one, id, count, head) VALUES (1, ?, 0, ?)"
            database.create(path, into, (book, chain.genesis(book)))
        found = cls(database.connect(path, write=write), path)
        if write:
            try:
                check_tail(found.connection, found.words, found.where)
            except BaseException:
                found.close()
                raise
        return found

    def close(self) -> None:
        """Close the file. Raises nothing."""
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def reading(self) -> AbstractContextManager[None]:
        """One snapshot for several questions. Raises DamagedError, LockedError, UnfinishedError."""
        return database.reading(self.connection, self.where)

    def head(self) -> chain.Head:
        """The chain's head now. Raises as `reading`."""
        with self.reading():
            book, count, digest = self.connection.execute("SELECT id, count, head FROM book").fetchone()
            return chain.Head(book.hex(), count, digest.hex())

    def record(
        self,
        events: Iterable[Event],
        learned: datetime,
        *,
        arrange: bool = False,
        documents: Mapping[str, str] | None = None,
        witness: chain.Head | None = None,
    ) -> Recorded:
        """Append events, all of them or none; those that are there already are not doubled.

        `learned` is the time now, aware. With `arrange`, an event whose moment, component, kind and bank another one
        has already is put after it, so that two activations of one day keep the order in which they were recorded.
        `documents` are texts by their SHA-256; `witness` is another store's head, to be remembered.
        Raises InputError for an event that cannot be, and what iterating over `events` raises; DamagedError,
        LockedError, UnfinishedError.
        """
        learned_us = moments.at(learned).at_us
        try:
            with database.writing(self.connection, self.where):
                appending = _Appending(self)
                if arrange:
                    events = appending.arranged(events)
                ids = appending.append(events, learned_us)
                for digest, text in (documents or {}).items():
                    packed = zlib.compress(text.encode(), 6)
                    into = "INSERT OR IGNORE INTO document (sha256, text) VALUES (?, ?)"
                    self.connection.execute(into, (bytes.fromhex(digest), packed))
                if witness is not None:
                    row = (bytes.fromhex(witness.book), witness.count, bytes.fromhex(witness.digest))
                    self.connection.execute("INSERT OR IGNORE INTO peer (book, count, head) VALUES (?, ?, ?)", row)
                return Recorded(tuple(ids), appending.new, self.head())
        except BaseException:
            self.words.forget()  # numbers that were given in the transaction are free again
            self.images.forget()
            raise

    def document(self, digest: str) -> str | None:
        """The text kept under a SHA-256; None where there is none. Raises as `reading`."""
        with self.reading():
            row = self.connection.execute(
                "SELECT text FROM document WHERE sha256 = ?", (bytes.fromhex(digest),)
            ).fetchone()
            return None if row is None else zlib.decompress(row[0]).decode()

    def entries(self, *, component: str | None = None, event_id: str | None = None, after: int = 0) -> Iterator[Entry]:
        """The events learned after number `after`, in the order of learning, of one component or with one id or all.

        Void ones are among them and say so. Raises as `reading`, DamagedError for an event that cannot be read.
        """
        more = ""
        values: list[object] = []
        if component is not None:
            more, values = f"{more} AND component = ?", [*values, self.words.find(component)]
        if event_id is not None:
            more, values = f"{more} AND id = ?", [*values, bytes.fromhex(event_id)]
        query = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq > ? {more} ORDER BY seq LIMIT 1000"  # noqa: S608
        while True:
            with self.reading():  # page by page: events never change, and no writer waits for who reads slowly
                rows = self.connection.execute(query, (after, *values)).fetchall()
                learned = _Learned(self.connection)
                page = [
                    Entry(row[0], row[1].hex(), from_row(row, self.words), learned.of(row[0]), bool(row[-1]))
                    for row in rows
                ]
            yield from page
            if len(page) < 1000:
                return
            after = page[-1].seq

    def rebuild(self) -> None:
        """Make everything derived from the events again. Raises as `record`."""
        with database.writing(self.connection, self.where):
            Projection(self.connection, self.words, self.images).rebuild()

    def copy_to(self, target: Path) -> None:
        """Write a whole copy to `target`, which must not be there, while others may go on recording.

        A copy that goes on as a store of its own forks the chain, and merging tells so. Raises UnfinishedError,
        InputError when the target is there.
        """
        with database.wrapped(str(target)):
            try:
                os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o644))
            except FileExistsError as e:
                raise InputError("there is a file of that name already", where=str(target)) from e
            copy = sqlite3.connect(target)
            try:
                copy.execute("PRAGMA synchronous = EXTRA")
                self.connection.backup(copy)
            finally:
                copy.close()


class _Learned:
    """When each event was learned; asked in the order of their numbers or not."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._rows = connection.execute("SELECT first, at FROM learning ORDER BY first").fetchall()
        self._firsts = [first for first, _ in self._rows]

    def of(self, seq: int) -> moments.Moment:
        return moments.Moment(self._rows[bisect_right(self._firsts, seq) - 1][1], False, "UTC")


class _Appending:
    """One writing transaction's appending."""

    def __init__(self, book: Book) -> None:
        self.connection = book.connection
        self.words = book.words
        self.projection = Projection(book.connection, book.words, book.images)
        self.new = 0
        self._changed: set[int] = set()  # components whose past changed
        self._readings: set[bytes] = set()  # readings that are new, or void, or no longer void
        self._listed: dict[int, set[int]] = {}  # reading -> components that new observations list
        self._corrections: bool | None = None  # whether there is any at all
        self._reading_void: dict[str, int] = {}

    def arranged(self, events: Iterable[Event]) -> list[Event]:
        """The events, each after those of the same moment, component, kind and bank that were there before it.

        A statement that stands already keeps its order, so that it is known again.
        """
        found: list[Event] = []
        select = "SELECT turn, id, void FROM event WHERE component = ? AND at = ? AND what = ? AND bank = ?"
        for event in events:
            there = {e.order: e.id() for e in found if _alike(e, event)}
            cells = (self.words.find(event.component), event.at.at_us, WHAT_CODE[event.what], BANK_CODE[event.bank])
            there |= {turn: "" if void else i.hex() for turn, i, void in self.connection.execute(select, cells)}
            same = next((order for order, i in there.items() if i == replace(event, order=order).id()), None)
            if same is not None:
                event = replace(event, order=same)
            elif event.order in there:
                event = replace(event, order=max(there) + 1)
            found.append(event)
        return found

    def append(self, events: Iterable[Event], learned_us: int) -> list[str]:
        """Append what is new; return the ids of all."""
        seq, head = self.connection.execute("SELECT count, head FROM book").fetchone()
        start = flushed = seq
        facts: dict[int, list[Fact]] = {}
        ids: list[str] = []
        for event in events:
            check(event)
            event_id = event.id()
            ids.append(event_id)
            raw = bytes.fromhex(event_id)
            if self.connection.execute("SELECT 1 FROM event WHERE id = ?", (raw,)).fetchone():
                continue
            seq += 1
            head = chain.link(head, raw)
            void = self._void(raw, event.reading)
            row = to_row(event, seq, raw, void, self.words)
            self.connection.execute(INSERT, row)
            if event.what is What.CORRECTED and not void:
                self._corrections = True
                self._judge(bytes.fromhex(event.corrects))
            elif event.what is What.INVENTORY:
                self._readings.add(raw)
                self.projection.forget_readings()
                self._reading_void[event_id] = void
                if void:
                    self._judge_reading(event_id)
            elif not void:
                fact = Fact(*(row[place] for place in _FACT_PLACES))
                if fact.reading is not None and event.what is What.OBSERVED:
                    self._listed.setdefault(fact.reading, set()).add(row[_COLUMN["component"]])
                facts.setdefault(row[_COLUMN["component"]], []).append(fact)
                if seq - flushed >= _FLUSH:
                    self._project(facts)
                    flushed = seq
        self.new = seq - start
        if self.new:
            self.connection.execute("INSERT INTO learning (first, at) VALUES (?, ?)", (start + 1, learned_us))
            self.connection.execute("UPDATE book SET count = ?, head = ?", (seq, head))
        self._project(facts)
        for reading in self._readings:
            missed = in_scope(self.connection, self.words, reading)
            self._changed |= missed - self._listed.get(self.words.find(reading.hex()) or 0, set())
        for component in self._changed:
            self.projection.again(component)
        if self._readings:
            self.projection.zones()
        return ids

    def _project(self, facts: dict[int, list[Fact]]) -> None:
        """Let new events count, but for components whose past changed: those are folded whole at the end."""
        for component, new in facts.items():
            if component not in self._changed:
                self.projection.add(component, new)
        facts.clear()

    def _void(self, event_id: bytes, reading: str) -> int:
        """1 when a standing correction names the event, or the reading that it belongs to."""
        if self._corrections is None:
            self._corrections = bool(self.connection.execute("SELECT 1 FROM event WHERE corrects > x''").fetchone())
        standing = "SELECT 1 FROM event WHERE corrects = ? AND void = 0"
        if self._corrections and self.connection.execute(standing, (event_id,)).fetchone():
            return 1
        if not reading:
            return 0
        found = self._reading_void.get(reading)
        if found is None:
            row = self.connection.execute("SELECT void FROM event WHERE id = ?", (bytes.fromhex(reading),)).fetchone()
            found = self._reading_void[reading] = row[0] if row else 0
        return found

    def _judge(self, event_id: bytes) -> None:
        """Find out again whether an event is void, and everything that follows from it."""
        select = "SELECT seq, what, component, reading, corrects, void FROM event WHERE id = ?"
        row = self.connection.execute(select, (event_id,)).fetchone()
        if row is None:
            return  # not learned yet; it is judged when it is
        seq, what, component, reading, corrects, before = row
        void = self._void(event_id, self.words.text(reading) if reading else "")
        if void == before:
            return
        self.connection.execute("UPDATE event SET void = ? WHERE seq = ?", (void, seq))
        if component is not None:
            self._changed.add(component)
        if what == _CORRECTED:
            self._judge(corrects)
        elif what == _INVENTORY:
            self._readings.add(event_id)
            self.projection.forget_readings()
            self._reading_void[event_id.hex()] = void
            self._judge_reading(event_id.hex())

    def _judge_reading(self, reading: str) -> None:
        number = self.words.find(reading)
        for (event_id,) in self.connection.execute("SELECT id FROM event WHERE reading = ?", (number,)).fetchall():
            self._judge(event_id)


def _alike(one: Event, other: Event) -> bool:
    return (one.component, one.at.at_us, one.what, one.bank) == (
        other.component,
        other.at.at_us,
        other.what,
        other.bank,
    )
