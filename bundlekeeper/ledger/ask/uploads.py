"""Uploads that were begun, and what became of them: those of which nobody knows it are still open.

Rules: an upload is open until an entry says how it ended, and "nobody knows" is no end; an entry that was undone does
not count; a file that was begun is never taken for one that arrived.
"""

from __future__ import annotations

from typing import Any

from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, WHAT_CODE, from_row, is_void, sealed
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.upload import UploadResult

INTENT, OUTCOME = "intent", "outcome"  # keys of what an end states: the id of what was begun, what became of it
_FIRST = WHAT_CODE[EventKind.UPLOAD_BEGUN] - 1


@dataclass(frozen=True, slots=True)
class OpenUpload:
    """An upload that was begun, by the id of its entry; `reason` is why nobody knows what became of it, "" where the
    process just ended."""

    id: str
    event: Event
    reason: str = ""


def open_uploads(ledger: Ledger, component: str | None = None) -> list[OpenUpload]:
    """The uploads that are open, of one component or of all, in the order in which they were begun.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    with ledger.reading():
        events = [from_row(row, ledger.words) for row in _rows(ledger) if not is_void(row)]
    found: dict[str, OpenUpload] = {}
    for event in events:
        if event.what is EventKind.UPLOAD_BEGUN:
            found[event.id()] = OpenUpload(event.id(), event)
    for event in events:
        begun = found.get(dict(event.before).get(INTENT, ""))
        if event.what is not EventKind.UPLOAD_ENDED or begun is None:
            continue
        if dict(event.after).get(OUTCOME) == UploadResult.UNKNOWN:
            found[begun.id] = OpenUpload(begun.id, begun.event, event.reason)
        else:
            del found[begun.id]
    return [one for one in found.values() if component in (None, one.event.component)]


def _rows(ledger: Ledger) -> list[tuple[Any, ...]]:
    found = []
    for index in ("event_upload", "event_upload_too"):
        # The condition as the indexes have it, word for word, so that they can be used.
        select = f"SELECT {EVENT_COLUMNS} FROM event INDEXED BY {index} WHERE what > {_FIRST} ORDER BY seq"  # noqa: S608
        found.append(list(sealed(ledger.connection.execute(select))))
    if found[0] != found[1]:
        raise DATABASE.damaged("events of uploads are missing")
    return found[0]
