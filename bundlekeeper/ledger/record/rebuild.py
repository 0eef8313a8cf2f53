"""Makes everything that is derived from the events again, and counts how much of it was wrong.

Rules: the events are read and never changed, except the mark that they are undone, which is derived as well; one
transaction, so that an answer comes from the old rows or the new ones, never from half; an event that is not what it
was is refused before anything is deleted.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from bundlekeeper.errors import DamagedError
from bundlekeeper.ledger.event.database import DAMAGE_HINT, DATABASE
from bundlekeeper.ledger.event.events import EventKind
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, PLACE_OF, WHAT_CODE, marked
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.verify import broken, wrong_events
from bundlekeeper.ledger.state.projection import STATE_COLUMNS, Projection

_BANKS = ("active", "pending", "spare", "staged", "tried", "ran_before", "recorded", "image")
_IMAGE = "(SELECT version || '/' || family || '/' || bundle || '/' || sha256 FROM image WHERE id = {0}) AS {0}"


def _columns(names: str) -> str:
    """The columns by name, images by their words, because they may get other numbers."""
    return ", ".join(_IMAGE.format(column) if column in _BANKS else column for column in names.split(", "))


#: What `where` answers from, in columns that do not depend on the order in which it was made.
_ANSWERS = {
    "state": f"SELECT {_columns(STATE_COLUMNS.removesuffix(', seal'))} FROM state",  # noqa: S608  (our own names)
    "boot_files": f"SELECT {_columns('component, image, since, until, event')} FROM boot_files",  # noqa: S608
    "tagged": "SELECT component, tag FROM tagged",
}


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """How many events were read, of how many components, and how many derived rows were wrong before.

    `differing` counts rows of the derived tables that were wrong, missing or too many. `texts` are the SHA-256 of
    inventories whose kept texts are not what they were: no event can give such a text back.
    """

    events: int
    components: int
    differing: int
    texts: tuple[str, ...] = ()


def rebuild(ledger: Ledger) -> Rebuilt:
    """Make everything derived from the events again; `ledger` is open for writing.

    Raises DamagedError when an event is not what it was, or the file cannot be read; LockedError, UnfinishedError.
    """
    connection = ledger.connection
    try:
        with DATABASE.writing(connection, ledger.where):
            _insist_on_events(ledger)
            for table, select in _ANSWERS.items():
                connection.execute(f"CREATE TEMP TABLE before_{table} AS {select}")
            wrong = {table: broken(ledger, table) for table in _ANSWERS}
            differing = _mark_void(connection, ledger)
            Projection(connection, ledger.words, ledger.images).rebuild()
            for table, select in _ANSWERS.items():
                differing += max(wrong[table], _differing(connection, table, select))
            for table in _ANSWERS:
                connection.execute(f"DROP TABLE temp.before_{table}")
            (components,) = connection.execute("SELECT count(DISTINCT component) FROM event").fetchone()
            return Rebuilt(ledger.head().count, components, differing, tuple(ledger.wrong_documents()))
    except BaseException:
        ledger.words.forget()
        ledger.images.forget()
        raise


def _insist_on_events(ledger: Ledger) -> None:
    wrong = wrong_events(ledger)
    if wrong:
        message = f"the ledger was altered or is damaged: {wrong[0]}"
        more = f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""
        hint = f"nothing can be rebuilt from such events; {DAMAGE_HINT}"
        raise DamagedError(message + more, where=ledger.where, hint=hint)


def _differing(connection: sqlite3.Connection, table: str, select: str) -> int:
    old = f"SELECT * FROM temp.before_{table}"  # noqa: S608  (our own names)
    (count,) = connection.execute(
        f"SELECT max((SELECT count(*) FROM (SELECT * FROM ({select}) EXCEPT {old})), "  # noqa: S608
        f"(SELECT count(*) FROM ({old} EXCEPT SELECT * FROM ({select}))))"
    ).fetchone()
    return int(count)


def _mark_void(connection: sqlite3.Connection, ledger: Ledger) -> int:
    """Mark again every event that is undone, and every event of a reading that is undone.

    Returns how many had a wrong mark, or a wrong seal.
    """
    rows = connection.execute("SELECT id, undoes FROM event WHERE what = ?", (WHAT_CODE[EventKind.UNDONE],)).fetchall()
    targets: dict[bytes, bytes] = dict(rows)
    undone = undone_ids(targets)
    readings = {ledger.words.find(event_id.hex()) for event_id in undone} - {None}  # a reading's id is a word
    reading = PLACE_OF["reading"]
    changed = []
    for row in connection.execute(f"SELECT {EVENT_COLUMNS} FROM event"):  # noqa: S608  (our own names)
        now = marked(row, row[1] in undone or row[reading] in readings)
        if now != row[-2:]:
            changed.append((*now, row[0]))
    connection.executemany("UPDATE event SET void = ?, seal = ? WHERE seq = ?", changed)
    return len(changed)


def undone_ids(targets: Mapping[bytes, bytes]) -> set[bytes]:
    """The ids of the events that are undone; `targets` maps each event of the kind undone to the one that it undoes.

    An id is computed from the content, which includes the id of what it undoes. So these events form no ring, and
    every series of them ends in one that nothing undoes, which counts.
    """
    undone_by: dict[bytes, set[bytes]] = {}
    for undoing, target in targets.items():
        undone_by.setdefault(target, set()).add(undoing)
    undone: set[bytes] = set()
    unsettled = {target: set(undoing) for target, undoing in undone_by.items()}
    settled = [undoing for undoing in targets if undoing not in undone_by]
    while settled:
        undoing = settled.pop()
        target = targets[undoing]
        if undoing not in undone:
            undone.add(target)
        unsettled[target].discard(undoing)
        if not unsettled[target] and target in targets:
            settled.append(target)
    return undone
