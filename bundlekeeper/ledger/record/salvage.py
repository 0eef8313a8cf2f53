"""Saves what can still be read of a damaged ledger into a new one.

Rules: only an event whose content gives its id is saved; lost events are named; the new ledger has a chain of its own;
a batch stays one if none of its events is lost, and the events of any other are taken back one by one.
"""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from itertools import count as count_from
from pathlib import Path

from bundlekeeper.errors import DamagedError, InputError, KeeperError
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import Event
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, Words, from_row
from bundlekeeper.ledger.record.batches import Runs, batch_id, batches, keep, runs_of
from bundlekeeper.ledger.record.check_tail import wrong_with
from bundlekeeper.ledger.record.ledger import Ledger


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

    The new ledger has a chain of its own. `learned` is the time now, aware. Raises InputError when `target` exists or
    there is no damaged ledger; DamagedError when nothing at all can be read; UnfinishedError.
    """
    if target.exists():
        raise InputError("the file exists already", where=str(target), hint="name a new one")
    if not damaged.is_file():
        raise InputError("there is no ledger to save events from", where=str(damaged), hint=_LOST_HINT)
    try:
        found, lost, documents, kept = _saved_from(damaged)
    except DamagedError as e:
        message = f"no event of this file can be read, all are lost: {_why(damaged) or e.message}"
        raise DamagedError(message, where=str(damaged), hint=_LOST_HINT) from e
    with Ledger.open(target, write=True) as ledger:
        ids = b"".join(bytes.fromhex(event.id()) for event in found)
        ledger.record(found, learned, own=False, documents=documents, also=lambda new: keep(new, ids, kept))
    named = dict.fromkeys(event.document for event in found if event.document)
    return Saved(len(found), tuple(lost), tuple(digest for digest in named if digest not in documents))


_LOST_HINT = (
    "move the file away and restore its last copy. Without a copy, start a new ledger, merge what other stores and "
    "earlier exports have (bundlekeeper ledger merge FILE), then load an inventory of today"
)


def _saved_from(damaged: Path) -> tuple[list[Event], list[int], dict[str, str], list[tuple[str, Runs]]]:
    with DATABASE.on_disk(str(damaged)):
        connection = sqlite3.connect(f"{damaged.absolute().as_uri()}?mode=ro", uri=True)
        try:
            source = Ledger(connection, damaged)
            source.words = Words(connection, trusting=True)  # every event is compared with its id
            if not connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'event'").fetchone():
                raise DamagedError("it has no table of events", where=str(damaged))
            count = connection.execute("SELECT max(seq) FROM event").fetchone()[0] or 0
            found, lost = _readable(source, count)
            return found, lost, _documents(source, found), _whole_batches(connection, found, set(lost))
        finally:
            connection.close()


def _why(damaged: Path) -> str:
    """How much is missing of a file that is cut short, by its own header (sqlite.org/fileformat2.html §1.3)."""
    size = damaged.stat().st_size
    with damaged.open("rb") as file:
        header = file.read(100)
    if len(header) < 100:
        return f"it has {size} bytes"
    page = int.from_bytes(header[16:18], "big")
    expected = (65536 if page == 1 else page) * int.from_bytes(header[28:32], "big")
    return f"it has {size} of {expected} bytes" if size < expected else ""


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


def _whole_batches(connection: sqlite3.Connection, found: list[Event], lost: set[int]) -> list[tuple[str, Runs]]:
    """The batches of which no event is lost, each as its id and runs of places of its events among those found."""
    kept: list[tuple[str, Runs]] = []
    with suppress(sqlite3.Error, KeeperError):
        numbers = (number for number in count_from(1) if number not in lost)
        place_of = {number: place for place, (number, _) in enumerate(zip(numbers, found, strict=False), 1)}
        for batch in batches(connection):
            places = [place_of.get(number, 0) for number in batch.numbers()]
            if all(places) and batch_id(bytes.fromhex(found[place - 1].id()) for place in places) == batch.id:
                kept.append((batch.id, runs_of(places)))
    return kept


def _documents(source: Ledger, events: list[Event]) -> dict[str, str]:
    """The texts of inventories that can be read, by their SHA-256."""
    found: dict[str, str] = {}
    for digest in dict.fromkeys(event.document for event in events if event.document):
        with suppress(sqlite3.Error, KeeperError):
            text = source.document(digest)
            if text is not None:
                found[digest] = text
    return found
