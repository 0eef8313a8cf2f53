"""Verifies a shared ledger in its database: every event, the chain of the ledger, and the chain of each writer.

Rules: everything is read, in one snapshot, and computed again here: nothing that the database says of itself is
believed; what is wrong is reported by event; nothing is repaired.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field

from bundlekeeper.errors import InputError
from bundlekeeper.formats import json_read
from bundlekeeper.ledger.event import chain
from bundlekeeper.ledger.event.events import from_content, raw_id
from bundlekeeper.ledger.shared.log import EventLog, LoggedEvent, LogState, Writer

_MAX_WRONG = 100
_WRITER_PREFIX = b"bundlekeeper writer 1\n"


@dataclass(frozen=True, slots=True)
class WriterChain:
    """The chain of one writer as it was computed here: the login role, how many events, the head, in hexadecimal."""

    writer: str
    events: int
    head: str


@dataclass(frozen=True, slots=True)
class VerifiedLog:
    """What verifying found; `wrong` has one line for each thing that is not what was written, at most a hundred.

    `at` is the number of events after which the ledger's chain had the head that was asked about, or, where `of` names
    a writer, that writer's chain (None: never).
    """

    head: chain.Head
    wrong: tuple[str, ...]
    writers: tuple[WriterChain, ...]
    at: int | None = None
    of: str = ""


@dataclass(slots=True)
class _Running:
    """A chain walked so far."""

    head: bytes
    events: int = 0

    def add(self, event_id: bytes) -> None:
        self.head, self.events = chain.link(self.head, event_id), self.events + 1


@dataclass(slots=True)
class _Walk:
    """The walk through all events."""

    asked: bytes
    ledger: _Running
    chains: dict[int, _Running]
    names: dict[int, str]
    at: int | None = None
    of: str = ""
    wrong: list[str] = field(default_factory=list)

    def add(self, event: LoggedEvent) -> None:
        self.ledger.add(event.id)
        self.wrong += _wrong_with(event, self.ledger)
        writer = self.chains.get(event.writer)
        if writer is None:
            self.wrong.append(f"event {event.number} has a writer that is not there")
            return
        writer.add(event.id)
        if event.sequence != writer.events:
            self.wrong.append(
                f"event {event.number} is number {event.sequence} of {self.names[event.writer]}, not {writer.events}"
            )
        self.look(event.writer)

    def look(self, writer: int | None = None) -> None:
        """See whether a chain has the head that was asked about."""
        if self.asked and self.ledger.head == self.asked:
            self.at, self.of = self.ledger.events, ""
        elif self.asked and writer is not None and self.chains[writer].head == self.asked:
            self.at, self.of = self.chains[writer].events, self.names[writer]


def verify_log(log: EventLog, asked: bytes) -> VerifiedLog:
    """Read everything; `asked` is a head that was printed earlier, empty for none. Raises as `EventLog.events`."""
    with log.snapshot() as state:
        writers = log.writers()
        chains = {w.number: _Running(_writer_genesis(state.id, w.name)) for w in writers}
        walk = _Walk(asked, _Running(chain.genesis(state.id)), chains, {w.number: w.name for w in writers})
        walk.look()
        for event in log.events(1, state.events):
            walk.add(event)
        walk.wrong += _wrong_ends(state, walk, writers)
        walk.wrong += _wrong_batches(log, state)
    found = tuple(WriterChain(w.name, chains[w.number].events, chains[w.number].head.hex()) for w in writers)
    head = chain.Head(state.id.hex(), walk.ledger.events, walk.ledger.head.hex())
    return VerifiedLog(head, tuple(walk.wrong[:_MAX_WRONG]), found, walk.at, walk.of)


def _writer_genesis(ledger: bytes, name: str) -> bytes:
    return hashlib.sha256(_WRITER_PREFIX + ledger + name.encode()).digest()


def _wrong_with(event: LoggedEvent, ledger: _Running) -> Iterator[str]:
    if event.number != ledger.events:
        yield f"event {ledger.events} is missing, {event.number} follows"
        ledger.events = event.number
    content = event.content.encode()
    if raw_id(content) != event.id:
        yield f"event {event.number} is not what it was"
        return
    try:
        if from_content(json_read.loads(content)).id() != event.id.hex():
            yield f"event {event.number} is not in its one form"
    except InputError as error:
        yield f"event {event.number} is none of bundlekeeper's: {error.message}"
    if event.head != ledger.head:
        yield f"the chain's head after event {event.number} is not that of its events"


def _wrong_ends(state: LogState, walk: _Walk, writers: list[Writer]) -> Iterator[str]:
    if (state.events, state.head) != (walk.ledger.events, walk.ledger.head):
        yield f"the chain of {walk.ledger.events} events does not end in the head that the ledger has"
    for writer in writers:
        walked = walk.chains[writer.number]
        if (writer.count, writer.head) != (walked.events, walked.head.hex()):
            yield f"the chain of {writer.name}, {walked.events} events, does not end in the head that it has"


def _wrong_batches(log: EventLog, state: LogState) -> Iterator[str]:
    number, first = 0, 1
    while page := log.batches(number):
        for batch in page:
            number += 1
            if (batch.number, batch.first) != (number, first):
                yield f"batch {number} is missing, or is not of the events that it was"
                number = batch.number
            first = batch.first + batch.length
    if (number, first) != (state.batches, state.events + 1):
        yield f"the {number} batches are not of all {state.events} events"
