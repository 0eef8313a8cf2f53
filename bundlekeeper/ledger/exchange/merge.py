"""Events carried from one store to another, and merged: in any order, any number of times, with the same outcome.

Rules: a carried event has no id of its own, it is computed again from the content, so that no event can pose as
another; the file ends with the chain's head, which is computed again too, so that a file cut short or changed is
refused whole; merging is one transaction; batches come along, so that each can be taken back by its name wherever its
events are; two copies of one ledger that went on separately are reported, and their events are merged all the same,
because each of them was recorded. Form: JSON Lines: a header, one event to a line in the order of learning, then
batches as runs of numbers of events, texts of inventories, an end.
"""

from __future__ import annotations

import base64
import json
import sqlite3
import zlib
from array import array
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.escape import counted
from bundlekeeper.ledger.event import chain, own_chain
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import CheckedEvent, canonical, checked_content
from bundlekeeper.ledger.record import batches, other_chains
from bundlekeeper.ledger.record.kept_texts import digest_of
from bundlekeeper.ledger.record.ledger import Ledger, Recorded

SCHEMA = "bundlekeeper.ledger-exchange/1"
_CHUNK_BYTES = 256 * 1024  # of lines that are packed together


@dataclass(frozen=True, slots=True)
class Merged:
    """What a merge did: what was recorded, the other chain's head, and a fork or none.

    `gaps` are first and last numbers of events of the other ledger, before these, that never came here.
    """

    recorded: Recorded
    theirs: chain.Head
    fork: chain.Fork | None
    gaps: other_chains.Gaps = ()

    @property
    def new(self) -> int:
        """How many events were new."""
        return self.recorded.new

    @property
    def known(self) -> int:
        """How many were there already."""
        return self.recorded.known

    @property
    def head(self) -> chain.Head:
        """Our chain's head now."""
        return self.recorded.head

    def findings(self, subject: str) -> list[Finding]:
        """Findings about the other ledger: a copy of it went on separately, events of it never came."""
        found = []
        if self.fork is not None:
            hint = "find out which copy is in use, and record in that one only; its events are merged"
            found.append(finding("altered", subject, self.fork.message, hint))
        if self.gaps:
            numbers = " and ".join(str(a) if a == b else f"{a} to {b}" for a, b in self.gaps)
            noun = "event" if len(self.gaps) == 1 and self.gaps[0][0] == self.gaps[0][1] else "events"
            message = f"{noun} {numbers} of that ledger never came here"
            hint = "read an earlier receipt or merge an earlier export, or ask for an export without --after"
            found.append(finding("not-checked", subject, message, hint))
        return found


def export(ledger: Ledger, after: int = 0) -> Iterator[bytes]:
    """The lines of an exchange file with every event after number `after`, void ones too.

    A part (`after` above 0) can only be compared with the chain where the part before it was merged.
    Raises InputError when there are fewer events; DamagedError, LockedError, UnfinishedError.
    """
    head = ledger.head()
    if not 0 <= after <= head.count:
        raise InputError(f"this ledger has {counted(head.count, 'event')}, there is none after {after}")
    before = head_at(ledger, after)
    yield _line({"schema": SCHEMA, "ledger": head.ledger, "after": after, "before": before.hex()})
    documents: dict[str, None] = {}
    count, running = after, before
    for entry in ledger.entries(after=after):
        if count == head.count:
            break  # learned while the file is written
        count += 1
        running = chain.link(running, bytes.fromhex(entry.id))
        if entry.event.document:
            documents[entry.event.document] = None
        yield canonical(entry.event).encode() + b"\n"
    if running.hex() != head.digest:
        raise DATABASE.damaged("its chain does not end in its head", ledger.where)
    for batch in _whole_batches(ledger, after, head.count):
        yield _line({"batch": batch.id, "runs": batch.runs})
    for digest in documents:
        text = ledger.document(digest)
        if text is not None:
            yield _line({"document": base64.b64encode(zlib.compress(text.encode(), 6)).decode()})
    yield end_line(head.digest, head.count)


def _whole_batches(ledger: Ledger, after: int, count: int) -> Iterator[batches.Batch]:
    """The batches whose events are all among those after number `after` up to `count`. Raises as `export`."""
    with ledger.reading():
        found = batches.batches(ledger.connection)
    for batch in found:
        if all(first > after and first + length - 1 <= count for first, length in batch.runs):
            yield batch


def span(after: int, count: int) -> str:
    """The numbers of the events after `after` up to `count`, in words."""
    if count <= after:
        return "no new events"
    return f"events {after + 1} to {count}" if count > after + 1 else f"event {count}"


def end_line(head: str, count: int) -> bytes:
    """The last line of an exchange file whose events end at this head after so many events."""
    return _line({"end": head, "count": count})


def merge(ledger: Ledger, lines: Iterable[bytes], learned: datetime, where: str = "") -> Merged:
    """Add the events of an exchange file to the ledger: all that are not there yet, or none.

    `lines` are not trusted: the caller bounds each at `limits.LEDGER_LINE_BYTES`. They are read to the end before the
    ledger is locked. `learned` is the time now, aware. Raises InputError with the line for anything that is no whole
    exchange file, and what reading the lines raises; else as `Ledger.record`.
    """
    carried = _read(lines, where)
    ours = ledger.head()
    met: list[tuple[chain.Fork | None, other_chains.Gaps]] = []

    def follow(connection: sqlite3.Connection) -> object | None:
        before = own_chain.read(connection).met
        part = other_chains.ChainPart(carried.after, carried.before, carried.ids, carried.head)
        met.append(other_chains.follow(connection, ours, part))
        with _placed(where, len(carried.lines) + 2):
            batches.keep(connection, carried.ids, carried.batches)
        if own_chain.read(connection).met == before:
            return None
        return other_chains.as_brought(connection, part, carried.batches) if ledger.log is not None else None

    recorded = ledger.record(carried.events(), learned, own=False, documents=carried.documents, also=follow)
    return Merged(recorded, carried.head, *met[-1])


def head_at(ledger: Ledger, count: int) -> bytes:
    """The chain's head after `count` events, computed from their ids. Raises DamagedError, LockedError."""
    with ledger.reading():
        head = chain.genesis(own_chain.read(ledger.connection).id)
        for (event_id,) in ledger.connection.execute("SELECT id FROM event WHERE seq <= ? ORDER BY seq", (count,)):
            head = chain.link(head, event_id)
        return head


def _line(found: dict[str, object]) -> bytes:
    return json.dumps(found, sort_keys=True, separators=(",", ":")).encode() + b"\n"


class _Lines:
    """Lines in their order, compressed together: a file of events needs a tenth of its size."""

    def __init__(self) -> None:
        self._packed: list[tuple[bytes, array[int]]] = []  # the lines compressed, and the length of each
        self._open: list[bytes] = []
        self._open_bytes = 0
        self._count = 0

    def append(self, line: bytes) -> None:
        self._open.append(line)
        self._open_bytes += len(line)
        self._count += 1
        if self._open_bytes >= _CHUNK_BYTES:
            # level 1: a third larger than 6 for lines like these, and several times as fast
            self._packed.append((zlib.compress(b"".join(self._open), 1), array("Q", map(len, self._open))))
            self._open, self._open_bytes = [], 0

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[bytes]:
        for packed, lengths in self._packed:
            data, place = zlib.decompress(packed), 0
            for length in lengths:
                yield data[place : place + length]
                place += length
        yield from self._open


@dataclass(slots=True)
class _Carried:
    """A whole file, its events still text: each is read, and the end compared, while they are recorded."""

    where: str
    ledger: str
    after: int
    before: bytes
    head: chain.Head
    lines: _Lines = field(default_factory=lambda: _Lines())
    ids: bytearray = field(default_factory=bytearray)
    batches: list[tuple[str, batches.Runs]] = field(default_factory=list)
    documents: dict[str, bytes] = field(default_factory=dict)  # compressed, by the SHA-256 of the text

    @property
    def length(self) -> int:
        """How many lines it has between header and end."""
        return len(self.lines) + len(self.batches) + len(self.documents)

    def events(self) -> Iterator[CheckedEvent]:
        """The events one after the other, then the end compared with them. Raises InputError with the line."""
        named: set[str] = set()
        head = self.before
        for number, line in enumerate(self.lines, 2):
            with _placed(self.where, number):
                found = checked_content(json_read.loads(line))
            if found.event.document:
                named.add(found.event.document)
            self.ids += found.id
            head = chain.link(head, found.id)
            yield found
        with _placed(self.where, self.length + 2):
            if head.hex() != self.head.digest:
                raise InputError("the events do not give the chain's head at its end", hint=_AGAIN)
            if not named.issuperset(self.documents):
                raise InputError("it has a document that no event names", hint=_AGAIN)


_AGAIN = "the file was changed or damaged on its way; copy it again"


@contextmanager
def _placed(where: str, number: int) -> Iterator[None]:
    try:
        yield
    except InputError as e:
        raise InputError(f"not merged: {e.message}", hint=e.hint, where=f"{where}:{number}:1") from e


def _read(lines: Iterable[bytes], where: str) -> _Carried:
    """Read the file to its end; its events stay text."""
    rows = iter(lines)
    with _placed(where, 1):
        carried = _header(next(rows, b""), where)
    total = in_batches = 0
    for number, line in enumerate(rows, 2):
        with _placed(where, number):
            total += len(line)
            if total > limits.LEDGER_FILE_BYTES:
                raise InputError(
                    f"it has more than {limits.LEDGER_FILE_BYTES} bytes", hint="export a part: ledger export --after N"
                )
            if line.startswith(b'{"document":'):
                digest, packed = _document(line)
                carried.documents[digest] = packed
            elif line.startswith(b'{"count":'):
                _end(carried, line)
                if next(rows, None) is not None:
                    raise InputError("there are lines after its end")
                return carried
            elif line.startswith(b'{"batch":'):
                in_batches += _batch(carried, line)
                if in_batches > limits.BATCHES_OF_EVENT * len(carried.lines):
                    raise InputError("it has more batches than its events can have", hint=_AGAIN)
            elif len(carried.lines) >= limits.LEDGER_EVENTS or carried.batches or carried.documents:
                raise InputError("it has events after its batches or documents, or too many events", hint=_AGAIN)
            else:
                carried.lines.append(line)
    with _placed(where, carried.length + 2):
        raise InputError("the file is cut short: its last line is missing", hint="copy it again")


def _header(line: bytes, where: str) -> _Carried:
    found = json_read.loads(line) if line else None
    if not isinstance(found, dict) or set(found) != {"schema", "ledger", "after", "before"}:
        raise InputError("this is not a ledger export", hint="bundlekeeper ledger export writes one")
    if found["schema"] != SCHEMA:
        raise InputError(f"the file has the form {str(found['schema'])[:80]!r}; this bundlekeeper knows {SCHEMA!r}")
    ledger, before, after = _hex(found["ledger"], 16), _hex(found["before"], 32), found["after"]
    if not isinstance(after, int) or not 0 <= after < 2**62 or isinstance(after, bool):
        raise InputError("'after' is not a number of events")
    if after == 0 and before != chain.genesis(ledger):
        raise InputError("the chain does not begin with the ledger's id")
    return _Carried(where, ledger.hex(), after, before, chain.Head(ledger.hex(), after, before.hex()))


def _end(carried: _Carried, line: bytes) -> None:
    found = json_read.loads(line)
    count = carried.after + len(carried.lines)
    if not isinstance(found, dict) or set(found) != {"end", "count"} or found["count"] != count:
        were = f"{counted(count, 'event')} {'was' if count == 1 else 'were'}"
        raise InputError(f"{were} read, its last line has another number", hint=_AGAIN)
    carried.head = chain.Head(carried.ledger, count, _hex(found["end"], 32).hex())


def _batch(carried: _Carried, line: bytes) -> int:
    """Read the runs of a batch, which are all of events of this file; return how many events it has."""
    found = json_read.loads(line)
    if not isinstance(found, dict) or set(found) != {"batch", "runs"}:
        raise InputError("it has a batch that cannot be read", hint=_AGAIN)
    name, runs = _hex(found["batch"], 32).hex(), found["runs"]
    first, last = carried.after + 1, carried.after + len(carried.lines)
    if (
        not (isinstance(runs, list) and runs)
        or not all(isinstance(run, list) and [type(number) for number in run] == [int, int] for run in runs)
        or not all(first <= number and length > 0 and number + length - 1 <= last for number, length in runs)
    ):
        raise InputError("it has a batch that is not of events of this file", hint=_AGAIN)
    carried.batches.append((name, [(number - carried.after, length) for number, length in runs]))  # places in the file
    return sum(length for _, length in runs)


def _document(line: bytes) -> tuple[str, bytes]:
    """The SHA-256 of a carried text, and the text compressed."""
    found = json_read.loads(line)
    try:
        packed = base64.b64decode(found["document"], validate=True)  # type: ignore[index]  # anything else is caught
        return digest_of(packed), packed
    except (TypeError, KeyError, ValueError, zlib.error) as e:
        raise InputError("it has a document that cannot be decompressed") from e


def _hex(value: object, size_bytes: int) -> bytes:
    try:
        found = bytes.fromhex(value) if isinstance(value, str) else b""
    except ValueError as e:
        raise InputError("it has a digest that is not hexadecimal") from e
    if len(found) != size_bytes:
        raise InputError(f"it has a digest that is not {size_bytes} bytes long")
    return found
