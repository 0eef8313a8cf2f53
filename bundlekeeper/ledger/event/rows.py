"""Events as rows of numbers, and back: every text once, in the table of words.

Rules: what goes in comes out equal, and so with the same id; NULL is not stated, the number of the empty text is known
to be none; a number once given to a word is never given to another.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Sequence
from operator import attrgetter, itemgetter
from struct import error
from typing import Any

from bundlekeeper.errors import DamagedError
from bundlekeeper.formats.moments import Moment
from bundlekeeper.ledger.event import seals
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import PLACES_OF, SEEN, Event, EventKind, EvidenceKind, Seen
from bundlekeeper.model.inventory.types import PLACES, Place
from bundlekeeper.model.vocabulary import BANKS, METHODS

NOTHING = 1  # the number of the empty text: known to be none

# Closed words and their numbers in the database; an addition goes to the end.
WHATS = (
    EventKind.STAGED,
    EventKind.ACTIVATED,
    EventKind.REMOVED,
    EventKind.OBSERVED,
    EventKind.GONE,
    EventKind.UNDONE,
    EventKind.INVENTORY,
    EventKind.FAILED,
    EventKind.NO_ANSWER,
    EventKind.SKIPPED,
    EventKind.BUNDLE_REMOVED,
    EventKind.PLAN_CLOSED,
    EventKind.UPLOAD_BEGUN,
    EventKind.UPLOAD_ENDED,
)
_BANKS, _METHODS = ("", *BANKS), ("", *METHODS)
EVIDENCES = (EvidenceKind.NONE, EvidenceKind.WRITTEN_NOTE, EvidenceKind.INVENTORY, EvidenceKind.DIGEST)
WHAT_CODE = {what: code for code, what in enumerate(WHATS)}
EVIDENCE_CODE = {evidence: code for code, evidence in enumerate(EVIDENCES)}
BANK_CODE = {bank: code for code, bank in enumerate(_BANKS)}
METHOD_CODE = {method: code for code, method in enumerate(_METHODS)}

_OF_OTHERS = frozenset(
    WHAT_CODE[what]
    for what in (
        EventKind.UNDONE,
        EventKind.SKIPPED,
        EventKind.BUNDLE_REMOVED,
        EventKind.PLAN_CLOSED,
        EventKind.UPLOAD_BEGUN,
        EventKind.UPLOAD_ENDED,
    )
)

#: Columns of words that an event states or not: NULL where it does not.
_STATED = (
    "reported_by", "done_by", "approved_by", "change", "plan", "source", "component", "kind", "model", "parent",
    "name", "version", "family", "bundle", "sha256", "reading",
)  # fmt: skip
_EXTRA = ("deviations", "anyway", "note", "reason", "document", "before", "after", "scope", "complete")
_EXTRA_OF = attrgetter(*_EXTRA)
COLUMNS = (
    "seq", "id", "what", "at", "day", "turn", "evidence", "method", "bank", "zone",
    *(f'"{c}"' for c in _STATED), "tags", *PLACES, *SEEN, "undoes", "extra", "void", "seal",
)  # fmt: skip
EVENT_COLUMNS = ", ".join(COLUMNS)
PLACE_OF = {name.strip('"'): place for place, name in enumerate(COLUMNS)}  # in a row
INSERT = f"INSERT INTO event ({EVENT_COLUMNS}) VALUES ({', '.join('?' * len(COLUMNS))})"  # noqa: S608  (our own names)
_STATED_OF = attrgetter(*_STATED)
_FIRST_PLACE = 10 + len(_STATED)
_VOID = PLACE_OF["void"]
_NUMBERS = itemgetter(0, *range(2, _VOID - 2))  # all whole numbers or NULL; then `undoes`, `extra`, `void`, `seal`


class Words:
    """The table of words; what was read of it is kept in memory."""

    def __init__(self, connection: sqlite3.Connection, *, trusting: bool = False) -> None:
        """With `trusting`, seals are not checked: for callers that compare each event with its id."""
        self._connection = connection
        self._trusting = trusting
        self._numbers: dict[str, int] = {}
        self._texts: dict[int, str] = {}

    def number(self, text: str) -> int:
        """The word's number; a new word gets one (inside the caller's transaction). Raises DamagedError."""
        found = self._numbers.get(text) or self.find(text)
        if found is None:
            self.learn([text])
            found = self._numbers[text]
        return found

    def numbers(self, texts: Iterable[str | None]) -> list[int | None]:
        """The words' numbers, None for None; new words get one, as by `number`."""
        get = self._numbers.get
        return [None if text is None else get(text) or self.number(text) for text in texts]

    def find(self, text: str) -> int | None:
        """The word's number, None where no event ever had it. Raises DamagedError."""
        found = self._numbers.get(text)
        if found is None:
            if not _is_unicode(text):
                return None
            row = self._connection.execute(
                "SELECT id, text, seal FROM word INDEXED BY sqlite_autoindex_word_1 WHERE text = ?", (text,)
            ).fetchone()
            if row is None:
                return None
            self._keep([row])
            found = self._numbers[text] = int(row[0])
        return found

    def surely(self, text: str) -> int | None:
        """As `find`, but a second index is asked about a missing word. Raises DamagedError where that one has it."""
        found = self.find(text)
        if found is None and _is_unicode(text):
            select = "SELECT 1 FROM word INDEXED BY word_text WHERE text = ?"
            if self._connection.execute(select, (text,)).fetchone() is not None:
                raise DATABASE.damaged("the index of its words lacks one")
        return found

    def learn(self, texts: Collection[str]) -> None:
        """Read many words' numbers into memory with few questions; new words get numbers, as `number` gives them."""
        missing = [text for text in texts if text not in self._numbers]
        for start in range(0, len(missing), 500):
            batch = missing[start : start + 500]
            marks = ",".join("?" * len(batch))
            select = f"SELECT id, text, seal FROM word INDEXED BY sqlite_autoindex_word_1 WHERE text IN ({marks})"  # noqa: S608  (question marks only)
            rows = self._connection.execute(select, batch).fetchall()
            self._keep(rows)
            self._numbers.update((text, number) for number, text, _ in rows)
        new = [text for text in missing if text not in self._numbers]
        if new:
            (last,) = self._connection.execute("SELECT max(id) FROM word").fetchone()
            rows = [(number, text, seals.word_seal(number, text)) for number, text in enumerate(new, last + 1)]
            self._connection.executemany("INSERT INTO word (id, text, seal) VALUES (?, ?, ?)", rows)
            self._numbers.update((text, number) for number, text, _ in rows)

    def text(self, number: int) -> str:
        """The text of a word. Raises DamagedError where there is no such word, or it is not what it was."""
        found = self._texts.get(number)
        if found is None:
            self.fetch({number})
            found = self._texts[number]
        return found

    def maybe(self, number: int | None) -> str | None:
        """The text of a word, None for none."""
        return None if number is None else self.text(number)

    def fetch(self, numbers: set[int]) -> None:
        """Read many words into memory with few questions. Raises DamagedError where one is not what it was."""
        missing = [number for number in numbers if number not in self._texts]
        for start in range(0, len(missing), 500):
            batch = missing[start : start + 500]
            marks = ",".join("?" * len(batch))
            select = f"SELECT id, text, seal FROM word WHERE id IN ({marks})"  # noqa: S608  (question marks only)
            self._keep(self._connection.execute(select, batch).fetchall())
        lost = next((number for number in missing if number not in self._texts), None)
        if lost is not None:
            raise DATABASE.damaged(f"no word has the number {lost}")

    def _keep(self, rows: Iterable[tuple[Any, Any, Any]]) -> None:
        for number, text, seal in rows:
            if not isinstance(text, str) or not (self._trusting or seals.word_seal(number, text) == seal):
                raise DATABASE.damaged(f"word {number} is not what it was")
            self._texts[number] = text

    def forget(self) -> None:
        """Forget what is in memory, because a transaction was rolled back and its numbers may be given again."""
        self._numbers.clear()
        self._texts.clear()


def _is_unicode(text: str) -> bool:
    """False where a byte of an argument was no UTF-8 (PEP 383)."""
    return text.isascii() or not any("\ud800" <= char <= "\udfff" for char in text)


def is_void(row: tuple[Any, ...]) -> bool:
    """True when the event of this row in the order of COLUMNS does not count."""
    return bool(row[_VOID])


def states(row: tuple[Any, ...]) -> bool:
    """True when an event's row states something of its component: not of another event, a plan or a store."""
    return row[PLACE_OF["what"]] not in _OF_OTHERS


def counts(row: tuple[Any, ...]) -> bool:
    """True when an event's row states something of its component, and is not void."""
    return not row[_VOID] and states(row)


def insist_on_events(connection: sqlite3.Connection, component: int | None) -> None:
    """Insist that two indexes have the same events of a component. Raises DamagedError; sqlite3.Error."""
    select = "SELECT count(*), total(seq) FROM event INDEXED BY {} WHERE component = ?"
    one, other = (
        connection.execute(select.format(index), (component,)).fetchone()
        for index in ("event_component", "event_learned")
    )
    if one != other:
        raise DATABASE.damaged("events of a component are missing")


def events_of(connection: sqlite3.Connection, component: int, until: int | None = None) -> list[tuple[Any, ...]]:
    """Rows in the order of COLUMNS of one component's events, the latest first; with `until` those up to that moment.

    Raises DamagedError for a row that is not what was written, or where one of two indexes lacks one; sqlite3.Error.
    """
    insist_on_events(connection, component)
    # all of them by the index that has no times: one that a damaged cell dates elsewhere would not be missed
    select = f"SELECT {EVENT_COLUMNS} FROM event INDEXED BY event_learned WHERE component = ?"  # noqa: S608
    rows = sorted(sealed(connection.execute(select, (component,))), key=itemgetter(PLACE_OF["at"]), reverse=True)
    return rows if until is None else [row for row in rows if row[PLACE_OF["at"]] <= until]


def to_row(event: Event, seq: int, event_id: bytes, void: int, words: Words) -> tuple[Any, ...]:
    """The event as a row in the order of COLUMNS; new words get numbers."""
    number = words.number
    seen, place = event.seen, event.place
    where = (None,) * len(PLACES) if place is None else PLACES_OF(place)
    boot_files = None if seen.boot_files is None else _listed(seen.boot_files, words)
    if event.what is EventKind.INVENTORY:  # so that components that the reading does not list are found by its words
        number(event_id.hex())
        for row in event.scope:
            for text in row:
                number(text)
    values = _EXTRA_OF(event)
    extra = {key: value for key, value in zip(_EXTRA, values, strict=True) if value} if any(values) else None
    cells = (
        seq, event_id, WHAT_CODE[event.what], event.at.at_us, int(event.at.is_day), event.order,
        EVIDENCE_CODE[event.evidence], METHOD_CODE[event.method], BANK_CODE[event.bank], number(event.at.zone),
        *[words.number(text) if text else None for text in _STATED_OF(event)],
        _listed(event.tags, words) if event.tags else None,
        *words.numbers((*where, seen.active, seen.pending, seen.spare)), boot_files,
        None if seen.staged is None else number(seen.staged), None if seen.healthy is None else int(seen.healthy),
        bytes.fromhex(event.undoes) if event.undoes else None,
        json.dumps(extra, sort_keys=True, ensure_ascii=False) if extra else None, void,
    )  # fmt: skip
    return (*cells, _seal(cells))


def _listed(texts: Sequence[str], words: Words) -> int:
    """The number of a JSON list; each of its texts is a word as well, so that replaying finds its number."""
    for text in texts:
        words.number(text)
    return words.number(json.dumps(texts, ensure_ascii=False))


def _seal(row: tuple[Any, ...]) -> int:
    """The seal of an event's row. Raises struct.error, TypeError, AttributeError for a row that none can be of."""
    undoes, extra, void = row[_VOID - 2 : _VOID + 1]
    more = row[1] + (undoes or b"") + (extra.encode() if extra is not None else b"")
    return seals.seal(_NUMBERS(row), more) * 2 + (1 if void else 0)


def marked(row: tuple[Any, ...], void: bool) -> tuple[int, int]:
    """The last two cells, mark and seal, that an event's row should have. Raises as `_seal`."""
    return int(void), _seal((*row[:_VOID], int(void)))


def is_sealed(row: tuple[Any, ...]) -> bool:
    """True when a row in the order of COLUMNS is as it was written."""
    try:
        return _seal(row) == row[_VOID + 1] and row[_VOID] in (0, 1)
    except (error, TypeError, AttributeError, UnicodeEncodeError):
        return False


def sealed(rows: Iterable[tuple[Any, ...]]) -> Iterator[tuple[Any, ...]]:
    """Rows in the order of COLUMNS, each as it was written. Raises DamagedError at the first that is not."""
    for row in rows:
        if not is_sealed(row):
            raise DATABASE.damaged(f"event {row[0]} is not what it was")
        yield row


def from_row(row: tuple[Any, ...], words: Words) -> Event:
    """The event of a row in the order of COLUMNS. Raises DamagedError where it can be none."""
    try:
        return _from_row(row, words)
    except (DamagedError, KeyError, IndexError, TypeError, ValueError, AttributeError) as e:
        raise DATABASE.damaged(f"event {row[0]} cannot be read") from e


def _from_row(row: tuple[Any, ...], words: Words) -> Event:
    stated: dict[str, Any] = {
        key: words.text(n) for key, n in zip(_STATED, row[10:_FIRST_PLACE], strict=True) if n is not None
    }
    tags, site, domain, chassis, slot, *seen, undoes, extra, _, _ = row[_FIRST_PLACE:]
    active, pending, spare, boot_files, staged, healthy = seen
    more = json.loads(extra) if extra else {}
    for key in ("before", "after", "scope"):
        if key in more:
            more[key] = tuple(tuple(texts) for texts in more[key])
    if "complete" in more:
        more["complete"] = tuple(more["complete"])
    maybe = words.maybe
    return Event(
        what=WHATS[row[2]],
        at=Moment(row[3], bool(row[4]), words.text(row[9])),
        order=row[5],
        evidence=EVIDENCES[row[6]],
        method=_METHODS[row[7]],
        bank=_BANKS[row[8]],
        place=None if site is None else Place(words.text(site), maybe(domain), maybe(chassis), maybe(slot)),
        seen=Seen(
            maybe(active),
            maybe(pending),
            maybe(spare),
            None if boot_files is None else tuple(json.loads(words.text(boot_files))),
            maybe(staged),
            None if healthy is None else bool(healthy),
        ),
        tags=() if tags is None else tuple(json.loads(words.text(tags))),
        undoes="" if undoes is None else undoes.hex(),
        **stated,
        **more,
    )
