"""The ledger: every event this store has learned of, appended and never changed.

Rules: one call of `record` is one transaction, of which everything is kept or nothing; when it returns, its events
survive a crash or a power cut; the same statement is kept once; each event has the next number and moves the chain's
head; what is derived from the events changes with them. Many processes may record at the same time: they take turns.
"""

from __future__ import annotations

import os
import sqlite3
import zlib
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from bundlekeeper.errors import DamagedError, KeeperError
from bundlekeeper.formats import moments
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event import chain, database, own_chain
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import CheckedEvent, Event
from bundlekeeper.ledger.event.learnings import learnings
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, Words, from_row, insist_on_events, is_void, sealed
from bundlekeeper.ledger.record.batches import name_of
from bundlekeeper.ledger.record.check_tail import check_tail
from bundlekeeper.ledger.record.kept_texts import LOAD_HINT, inventory_wrong, unpacked
from bundlekeeper.ledger.state.projection import Images

if TYPE_CHECKING:
    from bundlekeeper.ledger.record.append import SharedLog
    from bundlekeeper.ledger.record.meanwhile import Contradiction


@dataclass(frozen=True, slots=True)
class Recorded:
    """The result of one call of `record`: the ids in the order of the call, how many were new, and the head now.

    `batch` is the id of the batch that the new events are, `batch_name` its first digits, which no other batch has;
    both are empty where nothing was new. `contradictions` are between these events and what others recorded since the
    ledger was opened.
    """

    ids: tuple[str, ...]
    new: int
    head: chain.Head
    batch: str = ""
    batch_name: str = ""
    contradictions: tuple[Contradiction, ...] = ()

    @property
    def known(self) -> int:
        """How many were there already."""
        return len(self.ids) - self.new


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """One event as this store has it: its number, its id, when it was learned, and whether it is void (undone)."""

    seq: int
    id: str
    event: Event
    learned: moments.Moment
    void: bool


class Ledger:
    """One open ledger. Use as a context manager, or `close` it."""

    log: SharedLog | None = None  # where events go first, in a copy of a shared ledger

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self.connection = connection
        self.path = path
        self.where = str(path)
        self.words = Words(connection)
        self.images = Images(connection)
        self._seen: int | None = None  # how many events there were when this session last had read all

    @classmethod
    def open(cls, path: Path, *, write: bool) -> Self:
        """Open the ledger at `path`; with `write`, make it where absent.

        Raises DamagedError when it is absent, not ours, newer than we are or damaged, and with `write` when its last
        events are not what they were; UnfinishedError when it cannot be opened; LockedError when other processes lock
        it for over a minute.
        """
        if write and not path.exists():
            ledger = os.urandom(16)
            first = own_chain.Own(0, 0, 0, 0, 0, -(2**62), ledger, chain.genesis(ledger))
            database.create(path, own_chain.WRITE, own_chain.values(first))
        found = cls(database.connect(path, write=write), path)
        if write:
            try:
                check_tail(found.connection, found.words, found.where)
                found.see()
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

    @contextmanager
    def reading(self) -> Iterator[None]:
        """One snapshot for several questions. Raises DamagedError, LockedError, UnfinishedError."""
        with DATABASE.reading(self.connection, self.where), self._judged():
            yield

    @contextmanager
    def _judged(self) -> Iterator[None]:
        """Report no damage as an internal error, and no bug as damage: on any other error the ledger is verified."""
        try:
            yield
        except DamagedError as e:
            e.where = e.where or self.where
            raise
        except (KeeperError, sqlite3.Error, OSError, UnicodeDecodeError, MemoryError):
            raise
        except Exception as e:
            from bundlekeeper.ledger.record.verify import verify

            wrong = verify(self).wrong
            if wrong:
                raise DATABASE.damaged(wrong[0], self.where) from e
            raise

    def head(self) -> chain.Head:
        """The chain's head now. Raises as `reading`."""
        with self.reading():
            found = own_chain.read(self.connection)
            return chain.Head(found.id.hex(), found.events, found.head.hex())

    def record(
        self,
        events: Iterable[Event | CheckedEvent],
        learned: datetime,
        *,
        arrange: bool = False,
        own: bool = True,
        documents: Mapping[str, str | bytes] | None = None,
        also: Callable[[sqlite3.Connection], object | None] | None = None,
    ) -> Recorded:
        """Append events, all of them or none; those that are there already are skipped.

        `learned` is the time now, aware. With `arrange`, an event whose moment, component, kind and bank another one
        has already is put after it, so that two activations of one day keep the order in which they were recorded.
        What is new is one batch; `own` is False where it comes from another ledger.
        `documents` are texts by their SHA-256, as bytes where zlib compressed them already; `also` is called in the
        same transaction when the events are there, and returns what is known now of another ledger (None: nothing).
        Raises InputError for an event that is wrong, and what iterating over `events` raises; DamagedError,
        LockedError, UnfinishedError.
        """
        from bundlekeeper.ledger.record.append import Appending  # only commands that record pay for it

        learned_us = moments.at(learned).at_us
        try:
            with self._writing(), self._judged():
                appending = Appending(self.connection, self.words, self.images, self.log)
                if arrange:
                    events = appending.arranged(_plain(events))
                met, events = self._contradicted(events, own)
                ids = appending.append(events, learned_us, own=own)
                texts = list(self._keep_texts(documents or {}))
                brought = also(self.connection) if also is not None else None
                if self.log is not None and (texts or brought is not None):
                    self.log.bring(own, texts, brought)
                recorded = Recorded(tuple(ids), appending.new, self.head(), contradictions=met)
                self._seen = recorded.head.count
                if not appending.new:
                    return recorded
                batch = appending.batch.hexdigest()
                return replace(recorded, batch=batch, batch_name=name_of(self.connection, batch))
        except BaseException:
            self.words.forget()  # numbers that were given in the transaction are free again
            self.images.forget()
            raise

    def firsts_of_writer(self) -> frozenset[int] | None:
        """The first event of each batch that this writer recorded; None where the ledger knows no writers."""
        return None

    def see(self) -> None:
        """What was recorded until now is what this session knows. Raises as `reading`."""
        self._seen = self.head().count

    def _contradicted(
        self, events: Iterable[Event | CheckedEvent], own: bool
    ) -> tuple[tuple[Contradiction, ...], Iterable[Event | CheckedEvent]]:
        """Where own events contradict what others recorded since the ledger was opened, and the events."""
        if not own or self._seen is None or own_chain.read(self.connection).events == self._seen:
            return (), events
        from bundlekeeper.ledger.record.meanwhile import contradictions

        listed = list(_plain(events))
        return contradictions(self.connection, self.words, self._seen, listed), listed

    def _writing(self) -> AbstractContextManager[None]:
        """One transaction of `record`. Raises as it."""
        return DATABASE.writing(self.connection, self.where)

    def _keep_texts(self, documents: Mapping[str, str | bytes]) -> Iterator[bytes]:
        """Keep the texts that are not there, or damaged; each of them, compressed."""
        for digest, text in documents.items():
            if unpacked(self._packed(digest), digest) is None:
                packed = zlib.compress(text.encode(), 6) if isinstance(text, str) else text
                into = "INSERT OR REPLACE INTO document (sha256, text) VALUES (?, ?)"
                self.connection.execute(into, (bytes.fromhex(digest), packed))
                yield packed

    def document(self, digest: str) -> str | None:
        """The text kept under a SHA-256; None where there is none. Raises as `reading`, DamagedError."""
        with self.reading():
            packed = self._packed(digest)
            text = unpacked(packed, digest)
            if packed is not None and text is None:
                raise DamagedError(f"the ledger is damaged: {inventory_wrong(digest)}", hint=LOAD_HINT)
            return text

    def wrong_documents(self) -> list[str]:
        """The SHA-256 of every kept text that is not what it was. Raises as `reading`."""
        with self.reading():
            rows = self.connection.execute("SELECT sha256 FROM document ORDER BY sha256").fetchall()
            digests = [digest.hex() if isinstance(digest, bytes) else "" for (digest,) in rows]
            return [digest for digest in digests if not digest or unpacked(self._packed(digest), digest) is None]

    def _packed(self, digest: str) -> object:
        select = "SELECT text FROM document WHERE sha256 = ?"
        row = self.connection.execute(select, (bytes.fromhex(digest),)).fetchone()
        return None if row is None else row[0]

    def entries(
        self, *, component: str | None = None, event_id: str | None = None, after: int = 0
    ) -> Iterator[LedgerEntry]:
        """The events learned after number `after`, in the order of learning: all, of one component, or with one id.

        Void ones are among them. Raises as `reading`, DamagedError for an event that cannot be read, is not what it
        was or is missing.
        """
        more = ""
        values: list[object] = []
        if component is not None:
            number = self.words.surely(component)
            more, values = f"{more} AND component = ?", [*values, number]
            with self.reading():
                insist_on_events(self.connection, number)
        if event_id is not None:
            more, values = f"{more} AND id = ?", [*values, bytes.fromhex(event_id)]
        query = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq > ? {more} ORDER BY seq LIMIT 1000"  # noqa: S608
        while True:
            with self.reading():  # page by page: events never change, and no writer waits for a slow reader
                rows = list(sealed(self.connection.execute(query, (after, *values))))
                count = min(1000, max(own_chain.read(self.connection).events - after, 0))
                if not more and [row[0] for row in rows] != [*range(after + 1, after + count + 1)]:
                    raise DATABASE.damaged("events are missing")
                learned = _Learned(self.connection)
                page = [
                    LedgerEntry(row[0], row[1].hex(), from_row(row, self.words), learned.of(row[0]), is_void(row))
                    for row in rows
                ]
            yield from page
            if len(page) < 1000:
                return
            after = page[-1].seq


def _plain(events: Iterable[Event | CheckedEvent]) -> Iterator[Event]:
    return (event.event if isinstance(event, CheckedEvent) else event for event in events)


class _Learned:
    """When each event was learned, by its number."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._rows = learnings(connection)
        self._firsts = [first for first, _ in self._rows]

    def of(self, seq: int) -> moments.Moment:
        return moments.Moment(self._rows[bisect_right(self._firsts, seq) - 1][1], False, "UTC")
