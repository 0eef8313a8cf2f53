"""The ledger's file: made whole or not at all, opened so that every acknowledged event stays."""

from __future__ import annotations

import os
import sqlite3
from contextlib import suppress
from pathlib import Path

from bundlekeeper.formats.sqlite import Database

DAMAGE_HINT = (
    "nothing was written. Keep the file. Restore the last copy, or save what can be read into a new ledger "
    "(bundlekeeper ledger salvage FILE). What other stores exported can be merged again"
)
DATABASE = Database(
    noun="the ledger",
    thing="a ledger",
    application_id=0x424B4C44,  # "BKLD"
    schema=Path(__file__).parent / "ledger.sql",
    absent=("there is no ledger", "the first command that records makes one"),
    damage_hint=DAMAGE_HINT,
    full_hint="free some space (df -h, df -i) and run the same command again; nothing of this command was recorded",
    busy="other processes are writing the ledger",
    busy_s=60.0,
    checked_bytes=64 * 1024 * 1024,  # a larger ledger's pages are checked after a crash and by `ledger verify` only
    cache_kib=64 * 1024,
)


def connect(path: Path, *, write: bool) -> sqlite3.Connection:
    """Open the ledger at `path`. Raises as `Database.open`; DamagedError, too, for a schema that is not ours."""
    connection = DATABASE.open(path, write=write)
    try:
        with DATABASE.wrapped(str(path)):
            _insist_on_schema(connection, str(path))
    except BaseException:
        connection.close()
        raise
    return connection


def _insist_on_schema(connection: sqlite3.Connection, where: str) -> None:
    """Insist that the schema is ours: SQLite keeps each statement as it was written (sqlite.org/schematab.html).

    One changed word, say in an index's condition, would leave out rows without an error.
    """
    script = DATABASE.schema.read_text("utf-8")
    found = connection.execute("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL").fetchall()
    if len(found) != f"\n{script}".count("\nCREATE ") or any(sql not in script for (sql,) in found):
        raise DATABASE.damaged("its schema is not that of its format", where)


def create(path: Path, first: str, values: tuple[object, ...]) -> None:
    """Make a new ledger at `path` unless there is one, running the statement `first` in it.

    It appears whole or not at all. Raises UnfinishedError.
    """
    temporary = path.with_name(f".{path.name}.part-{os.urandom(8).hex()}")
    with DATABASE.on_disk(str(path)):
        try:
            os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o644))
            connection = DATABASE.make(temporary)
            try:
                connection.execute(first, values)
            finally:
                connection.close()
            with suppress(FileExistsError):  # another process was first: theirs is the ledger
                _publish(temporary, path)
        finally:
            temporary.unlink(missing_ok=True)


def _publish(temporary: Path, path: Path) -> None:
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if path.exists():
            raise FileExistsError(str(path)) from None
        temporary.rename(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
