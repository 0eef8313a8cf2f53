"""What taking entries back would change: which would no longer count, which would count again, what rests on them.

Rules: an entry is taken back by a later one of the kind undone, and an observation also with its reading; what an
undone entry took back counts again, unless another one still takes it back. Taking back many makes the ledger what it
would be without them: an undone entry whose target is among them stays, because both of them state nothing then.

**Rests on.** An activated, failed or removed entry speaks of an image: of its version, or of any where it names none.
Its grounds are the entries that count, are of the same component and earlier (by moment, order and kind, as
everywhere), and state that this image is on the component: staged, activated, or read in any bank. It rests on what is
taken back if it has grounds now and would have none then. So an activation rests on the only staging of its version,
and not on one of two; what was recorded without any ground rests on nothing. What rests on an entry that rests on what
is taken back counts with it. Nothing else rests on anything: a staged, observed, gone or inventory entry is true or
not by itself, and an undone entry whose target does not count any more changes nothing.

Everything is read and compared with its seal, so that no damaged row hides what rests on an entry.
"""

from __future__ import annotations

import json
from array import array
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from bundlekeeper.ledger.event import own_chain
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import EventKind
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, NOTHING, PLACE_OF, WHAT_CODE, events_of, is_void, sealed
from bundlekeeper.ledger.record.batches import Batch, batch_id, batches
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.rebuild import undone_ids
from bundlekeeper.ledger.state.fold import Fact, fact_of

_ID_BYTES = 32
_UNDONE, _OBSERVED, _INVENTORY = (WHAT_CODE[w] for w in (EventKind.UNDONE, EventKind.OBSERVED, EventKind.INVENTORY))
_SPEAKING = frozenset(code for what, code in WHAT_CODE.items() if what.value in ("activated", "failed", "removed"))
_STATING = frozenset(code for what, code in WHAT_CODE.items() if what.value in ("staged", "activated"))


@dataclass(frozen=True, slots=True)
class Effect:
    """What taking entries back would change, all as numbers of events.

    `targets` are those that an undone entry must name. `ends` no longer count then, `again` count again; `before` did
    not count before, though they are among those to be taken back; `later` rest on those that end, and are not among
    them.
    """

    targets: tuple[int, ...]
    ends: tuple[int, ...]
    again: tuple[int, ...]
    before: tuple[int, ...]
    later: tuple[int, ...]


@dataclass(slots=True)
class WholeLedger:
    """Every event in a few numbers, each read with its seal; `events` is how many there are."""

    ledger: Ledger
    batches: list[Batch]
    events: int = 0
    _ids: bytearray = field(default_factory=bytearray)
    _what: bytearray = field(default_factory=bytearray)
    _void: bytearray = field(default_factory=bytearray)
    _component: array[int] = field(default_factory=lambda: array("q"))
    _reading: array[int] = field(default_factory=lambda: array("q"))  # word of the reading's id, 0 for none
    _undoes: dict[bytes, bytes] = field(default_factory=dict)  # id of an undone entry -> of what it takes back

    @classmethod
    def read(cls, ledger: Ledger) -> WholeLedger:
        """Read the ledger. Raises DamagedError where a row is not what was written, or missing; LockedError,
        UnfinishedError.
        """
        what, component, reading, undoes = (PLACE_OF[name] for name in ("what", "component", "reading", "undoes"))
        with ledger.reading():
            found = cls(ledger, batches(ledger.connection))
            select = f"SELECT {EVENT_COLUMNS} FROM event NOT INDEXED ORDER BY seq"  # noqa: S608  (our own names)
            for row in sealed(ledger.connection.execute(select)):
                found.events += 1
                if row[0] != found.events:
                    break
                found._ids += row[1]
                found._what.append(row[what])
                found._void.append(is_void(row))
                found._component.append(row[component] or 0)
                found._reading.append(row[reading] or 0)
                if row[undoes] is not None:
                    found._undoes[row[1]] = row[undoes]
            if found.events != own_chain.read(ledger.connection).events:
                raise DATABASE.damaged("events are missing", ledger.where)
        return found

    def id(self, number: int) -> bytes:
        """The id of an event."""
        return bytes(self._ids[(number - 1) * _ID_BYTES : number * _ID_BYTES])

    def is_void(self, number: int) -> bool:
        """True where the event does not count."""
        return bool(self._void[number - 1])

    def is_undo(self, number: int) -> bool:
        """True where the event takes another one back."""
        return self._what[number - 1] == _UNDONE

    def named(self, digits: str) -> list[int]:
        """The numbers of the events whose ids begin with these lower-case hexadecimal digits."""
        return [number for number in range(1, self.events + 1) if self.id(number).hex().startswith(digits)]

    def numbers_of(self, batch: Batch) -> list[int]:
        """The events of a batch. Raises DamagedError where they are not those that its id names."""
        numbers = list(batch.numbers())
        if batch_id(map(self.id, numbers)) != batch.id:
            raise DATABASE.damaged(f"batch {batch.id[:12]} is not of the events that it was", self.ledger.where)
        return numbers

    def undoing(self, number: int) -> int | None:
        """An event that counts and takes this one back, by itself or with its reading; None where none does."""
        reading = self._reading[number - 1]
        names = {self.id(number)} | ({bytes.fromhex(self.ledger.words.text(reading))} if reading else set())
        for other in range(1, self.events + 1):
            if self.is_undo(other) and not self.is_void(other) and self._undoes[self.id(other)] in names:
                return other
        return None

    def effect(self, wanted: Sequence[int]) -> Effect:
        """What taking these events back would change. Raises DamagedError, LockedError, UnfinishedError."""
        with self.ledger.reading():
            found = self._effect(wanted)
            later: list[int] = []
            while more := self._resting(found):  # and what rests on those in turn
                later += more
                found = self._effect([*wanted, *later])
            return replace(self._effect(wanted), later=tuple(sorted(later)))

    def _effect(self, wanted: Sequence[int]) -> Effect:
        ids = {self.id(number) for number in wanted}
        readings = {
            self.ledger.words.find(self.id(number).hex())
            for number in wanted
            if self._what[number - 1] == _INVENTORY and not self.is_void(number)
        }
        settled = {n for n in wanted if self.is_undo(n) and self._undoes[self.id(n)] in ids}
        targets = [
            number
            for number in sorted(set(wanted))
            if not self.is_void(number) and number not in settled and self._reading[number - 1] not in readings
        ]
        new = {b"+" + self.id(number): self.id(number) for number in targets}
        undone = undone_ids({**self._undoes, **new})
        words = {self.ledger.words.find(event_id.hex()) for event_id in undone} - {None}
        ends, again = [], []
        for number, (was, reading) in enumerate(zip(self._void, self._reading, strict=True), 1):
            void = reading in words or self.id(number) in undone
            if void and not was:
                ends.append(number)
            elif was and not void:
                again.append(number)
        before = [number for number in sorted(set(wanted)) if self.is_void(number) and number not in settled]
        return Effect(tuple(targets), tuple(ends), tuple(again), tuple(before), ())

    def _resting(self, effect: Effect) -> list[int]:
        """The events that rest on those that end, by the rule above."""
        ends, again = set(effect.ends), set(effect.again)
        components = {self._component[number - 1] for number in ends} - {0}
        speaking: dict[int, list[int]] = {}
        for number, (what, void, component) in enumerate(zip(self._what, self._void, self._component, strict=True), 1):
            if what in _SPEAKING and not void and component in components and number not in ends:
                speaking.setdefault(component, []).append(number)
        found = []
        for component, numbers in speaking.items():
            facts = sorted(map(fact_of, events_of(self.ledger.connection, component)), key=Fact.key)
            keys = [fact.key() for fact in facts]
            for fact in facts:
                if fact.seq in numbers:
                    earlier = facts[: bisect_right(keys, fact.key()) - 1]
                    grounds = {other.seq for other in earlier if self._states(other, fact.version)}
                    now = {number for number in grounds if not self.is_void(number)}
                    if now and not (now - ends) | (grounds & again):
                        found.append(fact.seq)
        return found

    def _states(self, fact: Fact, version: int | None) -> bool:
        """True where the event states that this version, or any where it is None, is on the component."""
        if fact.what in _STATING:
            return version in (None, fact.version)
        return fact.what == _OBSERVED and any(version in (None, seen) for seen in self._seen(fact))

    def _seen(self, fact: Fact) -> Iterator[int]:
        for seen in (fact.seen_active, fact.seen_pending, fact.seen_spare, fact.seen_staged):
            if seen is not None and seen != NOTHING:
                yield seen
        if fact.seen_boot_files is not None:
            for text in json.loads(self.ledger.words.text(fact.seen_boot_files)):
                number = self.ledger.words.find(text)
                if number is not None:
                    yield number
