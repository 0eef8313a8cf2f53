"""A shared ledger as a command has it: the database's events, and a copy in SQLite that every answer comes from.

Rules: the database decides: events are acknowledged there, in its order, and the copy is what a local ledger would
be that had recorded them in that order, with the same id and chain, so that questions and answers are the same; it is
brought up to date before it is asked and before each recording, and each batch is compared with the chain; it is the
user's own, can be removed at any time and made again, and never has an event that the database has not.
"""

from __future__ import annotations

import os
import stat
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import timedelta
from pathlib import Path
from typing import Self

from bundlekeeper.errors import DamagedError, InputError, KeeperError, RefusedError, UnfinishedError
from bundlekeeper.formats import json_read
from bundlekeeper.formats.durations import human
from bundlekeeper.formats.escape import counted, shell_word
from bundlekeeper.ledger.event import chain, database, own_chain
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import CheckedEvent, checked_content
from bundlekeeper.ledger.record import batches, other_chains
from bundlekeeper.ledger.record.check_tail import check_tail
from bundlekeeper.ledger.record.kept_texts import digest_of
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.shared.log import EventLog, LoggedBatch, LogState
from bundlekeeper.model.ledger_address import name_of
from bundlekeeper.model.progress import Clock

_AT_ONCE = 20_000  # events that are copied in one transaction
_MANY = 50_000  # events whose copying is announced
_TELL = timedelta(seconds=20)


class SharedLedger(Ledger):
    """A shared ledger, open: a `Ledger` whose events go to the database first."""

    shared: EventLog
    tell: Callable[[str], None]
    now: Clock | None = None

    @classmethod
    def connect(
        cls, address: str, folder: Path, *, write: bool, tell: Callable[[str], None], now: Clock | None = None
    ) -> Self:
        """Open the ledger at `address`, and bring its copy in `folder`, which is made where absent, up to date.

        `tell` gets notes; with a clock, `now`, they say how long the copying takes. Raises as `EventLog.open`;
        RefusedError where others may write the copy, or it has events that the database lost; DamagedError,
        LockedError, UnfinishedError.
        """
        log, state = EventLog.open(address, write=write)
        try:
            path = copy_path(folder, address, state.id)
            try:
                found = cls._opened(path, state, write=write)
            except DamagedError as error:
                tell(f"note: the copy of the shared ledger was damaged, and is made again: {error.message}")
                path.unlink(missing_ok=True)
                found = cls._opened(path, state, write=write)
        except BaseException:
            log.close()
            raise
        for other in sorted(set(folder.glob(f"{name_of(address)}-*.sqlite")) - {path}):
            tell(f"note: another ledger was at this address before; this machine still has its copy: {other}")
            tell("hint: was the database set up again? Put back, or merge, what it had; then remove that copy")
        found.log = found.shared = log
        found.tell, found.now = tell, now
        try:
            found.catch_up(state)
            found.see()
        except BaseException:
            found.close()
            raise
        return found

    @classmethod
    def _opened(cls, path: Path, state: LogState, *, write: bool) -> Self:
        if not path.exists():
            first = own_chain.Own(0, 0, 0, 0, 0, -(2**62), state.id, chain.genesis(state.id))
            database.create(path, own_chain.WRITE, own_chain.values(first))
        insist_on_own(path)
        found = cls(database.connect(path, write=write), path)
        try:
            if write:
                check_tail(found.connection, found.words, found.where)
            elif _behind(found, state):
                found.connection.execute("PRAGMA query_only = OFF")
        except BaseException:
            found.close()
            raise
        return found

    def close(self) -> None:
        """Close the copy and the connection. Raises nothing."""
        super().close()
        if self.log is not None:
            self.shared.close()

    # The copy

    def catch_up(self, state: LogState) -> None:
        """Copy what the database has and the copy has not, up to `state` at least.

        Raises RefusedError where the copy has what the database has not; DamagedError where an event is not what its
        chain says; as `EventLog.batches`.
        """
        with self._remade():
            self._insist_on_same_chain(state)
            ours = own_chain.read(self.connection)
            left = _Left(self, ours.events, state.events) if state.events - ours.events >= _MANY else None
            if not state.batches and _behind(self, state):
                with DATABASE.writing(self.connection, self.where):  # there is no more: the copy is whole
                    self.connection.execute("INSERT OR IGNORE INTO copied (one, batch, events) VALUES (1, 0, 0)")
            while _copied(self) < state.batches:
                self._copy_some(state)
                if left is not None:
                    left.tell()
            now = own_chain.read(self.connection)
            if now.events == state.events and now.head != state.head:
                raise self._wrong("its head is not that of its events")

    def _insist_on_same_chain(self, state: LogState) -> None:
        ours = own_chain.read(self.connection)
        if ours.events == 0 or (ours.events, ours.head) == (state.events, state.head):
            return
        if ours.events < state.events and self.shared.head_at(ours.events) == ours.head:
            return
        message = f"the shared ledger lacks events that were recorded in it: the copy here has {ours.events}"
        message += f", the database {state.events}" if ours.events > state.events else " of another chain"
        hint = (
            f"was the database restored from a backup? Keep the copy, {shell_word(str(self.path))}: as the ledger of a "
            "new store (NEW/.keeper/ledger.sqlite) it exports every event, to be merged; then remove it"
        )
        raise RefusedError(message, where=self.shared.where, hint=hint)

    def _copy_some(self, state: LogState) -> None:
        with DATABASE.writing(self.connection, self.where):
            events = 0
            for batch in self.shared.batches(_copied(self)):  # another process may have copied meanwhile
                self._copy(batch)
                events += batch.length
                if events >= _AT_ONCE:
                    break
            _mark_copied(self, _copied(self), max(state.events, own_chain.read(self.connection).events))

    def _copy(self, batch: LoggedBatch) -> None:
        from bundlekeeper.ledger.record.append import Appending  # only commands that are behind pay for it

        before = own_chain.read(self.connection)
        if batch.first != before.events + 1 or batch.number != _copied(self) + 1:
            raise self._wrong(f"batch {batch.number} does not follow the one before it")
        heads: list[bytes] = []
        appending = Appending(self.connection, self.words, self.images)
        appending.append(self._events(batch, heads), batch.learned, own=batch.own)
        if appending.new != batch.length or (heads and heads[-1] != own_chain.read(self.connection).head):
            raise self._wrong(f"batch {batch.number} does not give the chain's head after it")
        list(self._keep_texts(_by_digest(batch.documents)))
        if batch.brought is not None:
            try:
                part, found = other_chains.from_brought(self.connection, batch.brought)
                head = chain.Head(before.id.hex(), before.events, before.head.hex())
                other_chains.follow(self.connection, head, part)
                batches.keep(self.connection, part.ids, found)
            except (KeyError, TypeError, ValueError, InputError) as error:
                raise self._wrong(f"what batch {batch.number} has of another ledger cannot be read") from error
        _mark_copied(self, batch.number, 0)

    def _events(self, batch: LoggedBatch, heads: list[bytes]) -> Iterator[CheckedEvent]:
        for logged in self.shared.events(batch.first, batch.length):
            try:
                event = checked_content(json_read.loads(logged.content.encode()))
            except InputError as error:
                raise self._wrong(f"event {logged.number} is none of bundlekeeper's: {error.message}") from error
            if event.id != logged.id:
                raise self._wrong(f"event {logged.number} is not what it was")
            heads[:] = [logged.head]
            yield event

    def _wrong(self, message: str) -> DamagedError:
        hint = (
            "bundlekeeper ledger verify lists everything. A new shared ledger (bundlekeeper ledger setup, in another "
            "database) takes what any machine that was up to date exports"
        )
        return DamagedError(
            f"the shared ledger was altered or is damaged: {message}", where=self.shared.where, hint=hint
        )

    # Recording

    def firsts_of_writer(self) -> frozenset[int]:
        """The first event of each batch that this login role recorded. Raises as `EventLog.firsts_of_writer`."""
        return self.shared.firsts_of_writer()

    @contextmanager
    def _writing(self) -> Iterator[None]:
        self.catch_up(self.shared.state())  # what takes long is read while others record
        with self.shared.turn() as state:
            self.catch_up(state)
            acknowledged = False
            try:
                with DATABASE.writing(self.connection, self.where):
                    yield
                    self._follow_own(state)
                    self.shared.commit()
                    acknowledged = True
            except KeeperError as error:
                if not acknowledged:
                    raise
                self.words.forget()
                self.images.forget()
                self.tell(f"note: recorded; the copy here could not be written: {error.message}")

    def _follow_own(self, before: LogState) -> None:
        """Insist that the database has this recording as the copy has it."""
        now = self.shared.state()
        ours = own_chain.read(self.connection)
        if (ours.events, ours.head) != (now.events, now.head) or now.batches - before.batches not in (0, 1):
            raise self._wrong("what was to be recorded is not what it kept; nothing was recorded")
        _mark_copied(self, now.batches, now.events)

    @contextmanager
    def _remade(self) -> Iterator[None]:
        """What is wrong with the copy is no damage of the ledger."""
        try:
            yield
        except BaseException:
            self.words.forget()
            self.images.forget()
            raise


def copy_path(folder: Path, address: str, ledger: bytes) -> Path:
    """Where the copy of the ledger at `address` is; the folder is made, for its user alone. Raises UnfinishedError."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        message = f"the copy of the shared ledger cannot be kept: {error.strerror}"
        raise UnfinishedError(message, where=str(folder), hint="set XDG_CACHE_HOME to a folder of yours") from error
    return folder / f"{name_of(address)}-{ledger.hex()}.sqlite"


def insist_on_own(path: Path) -> None:
    """Insist that nobody else may write the copy. Raises RefusedError, UnfinishedError."""
    hint = f"rm {shell_word(str(path))}; it is made again"
    try:
        status = path.lstat()
    except OSError as error:
        raise UnfinishedError(
            f"the copy of the shared ledger cannot be read: {error.strerror}", where=str(path)
        ) from error
    if status.st_uid not in (0, os.geteuid()) or status.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise RefusedError("others may write the copy of the shared ledger", where=str(path), hint=hint)


def _behind(ledger: Ledger, state: LogState) -> bool:
    own = own_chain.read(ledger.connection)
    if (own.events, own.head, _copied(ledger)) != (state.events, state.head, state.batches):
        return True
    return ledger.connection.execute("SELECT 1 FROM copied").fetchone() is None  # not even of an empty ledger


def _copied(ledger: Ledger) -> int:
    """The number of the last batch that is in the copy. Raises sqlite3.Error."""
    row = ledger.connection.execute("SELECT batch FROM copied").fetchone()
    return int(row[0]) if row else 0


def _mark_copied(ledger: Ledger, batch: int, events: int) -> None:
    into = "INSERT OR REPLACE INTO copied (one, batch, events) VALUES (1, ?, ?)"
    ledger.connection.execute(into, (batch, events))


class _Left:
    """Says how much is to be copied, and from time to time how long the rest takes at the pace so far."""

    def __init__(self, ledger: SharedLedger, have: int, all_: int) -> None:
        self._ledger, self._have, self._all = ledger, have, all_
        self._begun = self._said = ledger.now() if ledger.now is not None else None
        ledger.tell(f"note: copying {counted(all_ - have, 'event')} of the shared ledger, once")

    def tell(self) -> None:
        have = own_chain.read(self._ledger.connection).events
        if self._ledger.now is None or self._begun is None or self._said is None or not self._have < have < self._all:
            return
        now = self._ledger.now()
        if now - self._said >= _TELL:
            self._said = now
            left = (now - self._begun) * (self._all - have) / (have - self._have)
            text = f"note: {have} of {self._all} events are copied; about {human(left.total_seconds())} more"
            self._ledger.tell(text)


def _by_digest(documents: Iterable[bytes]) -> Mapping[str, bytes]:
    """Compressed texts by the SHA-256 of each; what is none is left out, the event that names it lacks its text."""
    found: dict[str, bytes] = {}
    for packed in documents:
        with suppress(InputError, ValueError, zlib.error):
            found[digest_of(packed)] = bytes(packed)
    return found
