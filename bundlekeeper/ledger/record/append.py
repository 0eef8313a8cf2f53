"""What one call of `Ledger.record` does inside its transaction: events become rows, and derived rows follow.

Rules: an event that is there already is skipped; the others get the next numbers in the order of the call and move the
chain's head; facts of single components are folded in batches, and a component's whole history where its past changed;
an event that undoes another, or a reading, is judged when its row, and all before it, are in the table. The database is
asked about many events at a time.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import islice
from typing import Any, Protocol

from bundlekeeper.ledger.event import chain, own_chain
from bundlekeeper.ledger.event.events import CheckedEvent, Event, EventKind, checked
from bundlekeeper.ledger.event.learnings import Learning, learn
from bundlekeeper.ledger.event.rows import BANK_CODE, INSERT, PLACE_OF, WHAT_CODE, Words, counts, is_void, to_row
from bundlekeeper.ledger.record.batches import new_batch
from bundlekeeper.ledger.state.absence import in_scope
from bundlekeeper.ledger.state.fold import Fact, fact_of
from bundlekeeper.ledger.state.projection import Images, Projection

_BATCH = 500  # events of one question
_FLUSH = 10_000  # events of one transaction whose facts are kept in memory
_ALONE = {EventKind.UNDONE, EventKind.INVENTORY}
_UNDONE, _INVENTORY = WHAT_CODE[EventKind.UNDONE], WHAT_CODE[EventKind.INVENTORY]
_COMPONENT = PLACE_OF["component"]


class SharedLog(Protocol):
    """Where events go first, in a ledger that is a copy of a shared one."""

    def add(self, contents: Sequence[bytes], *, own: bool) -> None:
        """Take the contents of new events."""

    def learned(self, *, own: bool) -> int:
        """When they were learned there, in microseconds."""

    def bring(self, own: bool, documents: Sequence[bytes], brought: object | None) -> None:
        """Take what belongs to their batch: new texts, compressed, and what is known now of another ledger."""


class Appending:
    """The appending of one writing transaction."""

    def __init__(
        self, connection: sqlite3.Connection, words: Words, images: Images, log: SharedLog | None = None
    ) -> None:
        self.connection = connection
        self._log = log
        self.words = words
        self.projection = Projection(connection, words, images)
        self.new = 0
        self.batch = new_batch()  # over the ids of the new events
        self._seq = 0  # number of the last event
        self._head = b""  # the chain's head after it
        self._latest = 0  # the furthest moment of any event
        self._counts = [0, 0]  # new events of the kind undone, new readings
        self._facts: dict[int, list[Fact]] = {}  # of components, not yet folded
        self._changed: set[int] = set()  # components whose past changed
        self._readings: set[bytes] = set()  # readings that are new, or void, or no longer void
        self._listed: dict[int, set[int]] = {}  # reading -> components that new observations list
        self._any_undone: bool | None = None  # whether there is any event of the kind undone
        self._reading_void: dict[str, int] = {}

    def arranged(self, events: Iterable[Event]) -> list[Event]:
        """The events, each after those of the same moment, component, kind and bank that were there before it.

        A statement that is there already keeps its order, so that it is recognised.
        """
        found: list[Event] = []
        select = "SELECT turn, id, void FROM event WHERE {} AND at = ? AND what = ? AND bank = ?"
        for event in events:
            there = {e.order: e.id() for e in found if _alike(e, event)}
            about = "component = ?" if event.component else "component IS NULL AND ? IS NULL"
            component = self.words.find(event.component) if event.component else None
            cells = (component, event.at.at_us, WHAT_CODE[event.what], BANK_CODE[event.bank])
            there |= {
                turn: "" if void else i.hex() for turn, i, void in self.connection.execute(select.format(about), cells)
            }
            same = next((order for order, i in there.items() if i == replace(event, order=order).id()), None)
            if same is not None:
                event = replace(event, order=same)
            elif event.order in there:
                event = replace(event, order=max(there) + 1)
            found.append(event)
        return found

    def append(self, events: Iterable[Event | CheckedEvent], learned_us: int, *, own: bool) -> list[str]:
        """Append what is new; return the ids of all. Raises InputError, sqlite3.Error."""
        self._own = own_chain.read(self.connection)
        start, self._head, self._latest = self._own.events, self._own.head, self._own.latest
        self._seq = flushed = start
        self._is_own = own
        ids: list[str] = []
        waiting = map(checked, events)
        while batch := list(islice(waiting, _BATCH)):
            ids += self._append(batch)
            if self._seq - flushed >= _FLUSH:
                self._project()
                flushed = self._seq
        self.new = self._seq - start
        if self.new:
            learned_us = learned_us if self._log is None else self._log.learned(own=own)
            learn(self.connection, Learning(start + 1, learned_us, int(own), self.batch.digest()))
            self._keep(learned=self._own.learned + 1)
        self._project()
        for reading in self._readings:
            missed = in_scope(self.connection, self.words, reading)
            self._changed |= missed - self._listed.get(self.words.find(reading.hex()) or 0, set())
        self.projection.again(self._changed)
        return ids

    def _append(self, batch: Sequence[CheckedEvent]) -> list[str]:
        """Append some events, with few questions for all of them; return their ids."""
        raws = [checked_event.id for checked_event in batch]
        known = self._known(raws)
        fresh: list[tuple[Event, bytes]] = []
        sent: list[bytes] = []
        for event, content, raw in batch:
            if raw not in known:
                known.add(raw)
                fresh.append((event, raw))
                sent.append(content)
        if self._log is not None and sent:
            self._log.add(sent, own=self._is_own)
        self.words.learn(dict.fromkeys(text for event, _ in fresh for text in (event.parent, event.component) if text))
        rows: list[tuple[Any, ...]] = []
        for event, raw in fresh:
            self._seq += 1
            self._head = chain.link(self._head, raw)
            self.batch.update(raw)
            if event.what in _ALONE:  # what it changes is looked up in the table
                self._insert(rows)
            row = to_row(event, self._seq, raw, self._void(raw, event.reading), self.words)
            rows.append(row)
            if event.what in _ALONE:
                self._insert(rows)
            self._count(event, row)
        self._insert(rows)
        self._keep(self._own.learned)
        return [raw.hex() for raw in raws]

    def _keep(self, learned: int) -> None:
        """Write the ledger's own row: what is folded next compares what it reads with its counts."""
        undone, readings = self._counts
        now = self._own._replace(
            events=self._seq, head=self._head, learned=learned, latest=self._latest,
            undone=self._own.undone + undone, readings=self._own.readings + readings,
        )  # fmt: skip
        own_chain.write(self.connection, now)

    def _known(self, raws: Sequence[bytes]) -> set[bytes]:
        select = f"SELECT id FROM event WHERE id IN ({','.join('?' * len(raws))})"  # noqa: S608
        return {event_id for (event_id,) in self.connection.execute(select, raws)}

    def _insert(self, rows: list[tuple[Any, ...]]) -> None:
        self.connection.executemany(INSERT, rows)
        rows.clear()

    def _count(self, event: Event, row: tuple[Any, ...]) -> None:
        """Let a new event count: at once where it states something of other events, else when its facts are folded."""
        void, raw = is_void(row), row[1]
        self._latest = max(self._latest, event.at.at_us)
        if event.what is EventKind.UNDONE:
            self._counts[0] += 1
            if not void:
                self._any_undone = True
                self._judge(bytes.fromhex(event.undoes))
        elif event.what is EventKind.INVENTORY:
            self._counts[1] += 1
            self._readings.add(raw)
            self.projection.forget_readings()
            self._reading_void[raw.hex()] = int(void)
            if void:
                self._judge_reading(raw.hex())
        elif counts(row):
            fact = fact_of(row)
            if fact.reading is not None and event.what is EventKind.OBSERVED:
                self._listed.setdefault(fact.reading, set()).add(row[_COMPONENT])
            self._facts.setdefault(row[_COMPONENT], []).append(fact)

    def _project(self) -> None:
        """Let new facts count, except of components whose past changed: those are folded again at the end."""
        self.projection.add({c: facts for c, facts in self._facts.items() if c not in self._changed})
        self._facts.clear()

    def _void(self, event_id: bytes, reading: str) -> int:
        """1 when the event, or the reading that it belongs to, is undone by an event that counts."""
        if self._any_undone is None:
            self._any_undone = bool(self.connection.execute("SELECT 1 FROM event WHERE undoes > x''").fetchone())
        select = "SELECT 1 FROM event WHERE undoes = ? AND void = 0"
        if self._any_undone and self.connection.execute(select, (event_id,)).fetchone():
            return 1
        if not reading:
            return 0
        found = self._reading_void.get(reading)
        if found is None:
            row = self.connection.execute("SELECT void FROM event WHERE id = ?", (bytes.fromhex(reading),)).fetchone()
            found = self._reading_void[reading] = row[0] if row else 0
        return found

    def _judge(self, event_id: bytes) -> None:
        """Find out again whether an event is void, and change everything that follows from it."""
        select = "SELECT seq, what, component, reading, undoes, void FROM event WHERE id = ?"
        row = self.connection.execute(select, (event_id,)).fetchone()
        if row is None:
            return  # not learned yet; it is judged when it is
        seq, what, component, reading, undoes, before = row
        void = self._void(event_id, self.words.text(reading) if reading else "")
        if void == before:
            return
        self.connection.execute("UPDATE event SET void = ?1, seal = (seal & ~1) | ?1 WHERE seq = ?2", (void, seq))
        if component is not None:
            self._changed.add(component)
        if what == _UNDONE:
            self._judge(undoes)
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
