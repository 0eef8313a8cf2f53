"""Events as rows of numbers, and back: every text once, in the table of words.

Rules: what goes in comes out equal, and so with the same id; NULL is not said, the number of the empty text is known
to be none; a number once given to a word is never given to another.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterable
from operator import attrgetter
from typing import Any

from bundlekeeper.errors import DamagedError
from bundlekeeper.ledger.database import DAMAGE_HINT
from bundlekeeper.ledger.events import Event, ProofKind, Seen, What
from bundlekeeper.model.inventory import Place
from bundlekeeper.model.moments import Moment

NOTHING = 1  # the number of the empty text: known to be none

# Closed words and their numbers in the database; an addition goes to the end.
WHATS = (
    What.STAGED,
    What.ACTIVATED,
    What.REMOVED,
    What.OBSERVED,
    What.GONE,
    What.CORRECTED,
    What.INVENTORY,
)
PROOFS = (ProofKind.NONE, ProofKind.PAPER, ProofKind.INVENTORY, ProofKind.DIGEST)
BANKS = ("", "active", "pending", "spare", "held")
METHODS = ("", "overwrite", "two-bank", "boot-file")
WHAT_CODE = {what: code for code, what in enumerate(WHATS)}
PROOF_CODE = {proof: code for code, proof in enumerate(PROOFS)}
BANK_CODE = {bank: code for code, bank in enumerate(BANKS)}
METHOD_CODE = {method: code for code, method in enumerate(METHODS)}

#: Columns of words that an event says or not: NULL where it does not.
_SAID = (
    "says", "by", "approved_by", "change", "route", "source", "component", "kind", "model", "parent", "version",
    "family", "bundle", "sha256", "reading",
)  # fmt: skip
_EXTRA = ("deviations", "anyway", "note", "why", "document", "listing", "before", "after", "scope")
_EXTRA_OF = attrgetter(*_EXTRA)
COLUMNS = (
    "seq", "id", "what", "at", "day", "turn", "proof", "method", "bank", "zone", *(f'"{c}"' for c in _SAID), "site",
    "domain", "chassis", "slot", "seen_active", "seen_pending", "seen_spare", "seen_held", "corrects", "extra", "void",
)  # fmt: skip
EVENT_COLUMNS = ", ".join(COLUMNS)
INSERT = f"INSERT INTO event ({EVENT_COLUMNS}) VALUES ({', '.join('?' * len(COLUMNS))})"  # noqa: S608  (our own names)
_SAID_OF = attrgetter(*_SAID)
_FIRST_PLACE = 10 + len(_SAID)


class Words:
    """The table of words, with what was asked kept in memory."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._numbers: dict[str, int] = {}
        self._texts: dict[int, str] = {}

    def number(self, text: str) -> int:
        """The word's number; a new word gets one (inside the caller's transaction)."""
        found = self._numbers.get(text) or self.find(text)
        if found is None:
            found = int(self._connection.execute("INSERT INTO word (text) VALUES (?)", (text,)).lastrowid or 0)
            self._numbers[text] = found
        return found

    def numbers(self, texts: Iterable[str | None]) -> list[int | None]:
        """The words' numbers, None for None; new words get one, as by `number`."""
        get = self._numbers.get
        return [None if text is None else get(text) or self.number(text) for text in texts]

    def find(self, text: str) -> int | None:
        """The word's number, None where no event ever said it."""
        found = self._numbers.get(text)
        if found is None:
            if not text.isascii() and any("\ud800" <= char <= "\udfff" for char in text):
                return None  # no Unicode: a byte of an argument that was no UTF-8 (PEP 383)
            row = self._connection.execute("SELECT id FROM word WHERE text = ?", (text,)).fetchone()
            if row is None:
                return None
            found = self._numbers[text] = int(row[0])
        return found

    def learn(self, texts: Collection[str]) -> None:
        """Bring many words' numbers into memory with few questions; new ones get numbers, as `number` gives them."""
        wanted = [text for text in texts if text not in self._numbers]
        for start in range(0, len(wanted), 500):
            part = wanted[start : start + 500]
            marks = ",".join("?" * len(part))
            self._numbers.update(self._connection.execute(f"SELECT text, id FROM word WHERE text IN ({marks})", part))  # noqa: S608
        new = [text for text in wanted if text not in self._numbers]
        if new:
            (last,) = self._connection.execute("SELECT max(id) FROM word").fetchone()
            self._connection.executemany("INSERT INTO word (id, text) VALUES (?, ?)", enumerate(new, last + 1))
            self._numbers.update(zip(new, range(last + 1, last + 1 + len(new)), strict=True))

    def text(self, number: int) -> str:
        """The text of a word. Raises DamagedError where there is no such word."""
        found = self._texts.get(number)
        if found is None:
            row = self._connection.execute("SELECT text FROM word WHERE id = ?", (number,)).fetchone()
            if row is None:
                raise DamagedError(f"the ledger is damaged: no word has the number {number}", hint=DAMAGE_HINT)
            found = self._texts[number] = str(row[0])
        return found

    def maybe(self, number: int | None) -> str | None:
        """The text of a word, None for none."""
        return None if number is None else self.text(number)

    def fetch(self, numbers: set[int]) -> None:
        """Bring many words into memory with few questions."""
        wanted = [n for n in numbers if n not in self._texts]
        for start in range(0, len(wanted), 500):
            part = wanted[start : start + 500]
            marks = ",".join("?" * len(part))
            self._texts.update(self._connection.execute(f"SELECT id, text FROM word WHERE id IN ({marks})", part))  # noqa: S608

    def forget(self) -> None:
        """Forget what is in memory, because a transaction was rolled back and its numbers may be given again."""
        self._numbers.clear()
        self._texts.clear()


def to_row(event: Event, seq: int, event_id: bytes, void: int, words: Words) -> tuple[Any, ...]:
    """The event as a row in the order of COLUMNS; new words get numbers."""
    number = words.number
    seen, place = event.seen, event.place
    where = (None,) * 4 if place is None else (place.site, place.domain, place.chassis, place.slot)
    held = None
    if seen.held is not None:
        held = number(json.dumps(seen.held, ensure_ascii=False))
        for version in seen.held:  # so that replaying finds their numbers
            number(version)
    if event.what is What.INVENTORY:  # so that what the reading says by silence finds its words, now and later
        number(event_id.hex())
        for row in event.scope:
            for text in row:
                number(text)
    said = _EXTRA_OF(event)
    extra = {key: value for key, value in zip(_EXTRA, said, strict=True) if value} if any(said) else None
    return (
        seq, event_id, WHAT_CODE[event.what], event.at.at_us, int(event.at.is_day), event.order,
        PROOF_CODE[event.proof], METHOD_CODE[event.method], BANK_CODE[event.bank], number(event.at.zone),
        *words.numbers([text or None for text in _SAID_OF(event)]),
        *words.numbers((*where, seen.active, seen.pending, seen.spare)), held,
        bytes.fromhex(event.corrects) if event.corrects else None,
        json.dumps(extra, sort_keys=True, ensure_ascii=False) if extra else None, void,
    )  # fmt: skip


def from_row(row: tuple[Any, ...], words: Words) -> Event:
    """The event that a row in the order of COLUMNS holds. Raises DamagedError where it can hold none."""
    try:
        return _from_row(row, words)
    except (DamagedError, KeyError, IndexError, TypeError, ValueError, AttributeError) as e:
        raise DamagedError(f"the ledger is damaged: event {row[0]} cannot be read", hint=DAMAGE_HINT) from e


def _from_row(row: tuple[Any, ...], words: Words) -> Event:
    said: dict[str, Any] = {
        key: words.text(n) for key, n in zip(_SAID, row[10:_FIRST_PLACE], strict=True) if n is not None
    }
    site, domain, chassis, slot, active, pending, spare, held, corrects, extra, _ = row[_FIRST_PLACE:]
    more = json.loads(extra) if extra else {}
    for key in ("before", "after", "scope"):
        if key in more:
            more[key] = tuple(tuple(each) for each in more[key])
    maybe = words.maybe
    return Event(
        what=WHATS[row[2]],
        at=Moment(row[3], bool(row[4]), words.text(row[9])),
        order=row[5],
        proof=PROOFS[row[6]],
        method=METHODS[row[7]],
        bank=BANKS[row[8]],
        place=None if site is None else Place(words.text(site), maybe(domain), maybe(chassis), maybe(slot)),
        seen=Seen(
            maybe(active), maybe(pending), maybe(spare), None if held is None else tuple(json.loads(words.text(held)))
        ),
        corrects="" if corrects is None else corrects.hex(),
        **said,
        **more,
    )
