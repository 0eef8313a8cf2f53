"""The ledger's file: SQLite opened so that every acknowledged event stays, or refused with the way out.

Rules: a rollback journal, not WAL, so that a copy of the one file is whole and a read-only medium can be read;
`synchronous=EXTRA` (FULL, and the folder is fsynced after the journal is unlinked: sqlite.org/pragma.html); a file
that is not ours, is newer than we are or is damaged is refused; a migration and the record that it ran are one
transaction; SQLite's errors come out as ours; every value reaches SQL as a parameter.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from bundlekeeper.errors import DamagedError, KeeperError, LockedError, UnfinishedError

APPLICATION_ID = 0x424B4C44  # "BKLD", at offset 68 of the file (sqlite.org/fileformat2.html)
VERSION = 3
BUSY_S = 60.0
MIGRATIONS = Path(__file__).parent / "migrations"
_CHECKED_BYTES = 64 * 1024 * 1024  # a larger ledger's pages are checked after a crash and by `check --ledger` only

DAMAGE_HINT = (
    "nothing was written. Keep the file, and put the last copy back, or save what can be read into a new ledger "
    "(bundlekeeper ledger salvage FILE); what other stores exchanged with this one can be merged again"
)


def connect(path: Path, *, write: bool) -> sqlite3.Connection:
    """Open the ledger at `path`, bringing an older one up to date when `write`.

    Raises DamagedError when it is absent, not ours, newer than we are or damaged; UnfinishedError when it cannot be
    opened; LockedError when others hold it for over a minute.
    """
    where = str(path)
    if not path.is_file():
        raise DamagedError("there is no ledger", where=where, hint="a ledger is made by the first command that records")
    with wrapped(where):
        crashed = write and Path(f"{path}-journal").exists()  # a writer was killed; SQLite rolls it back on reading
        connection = _connect(path, "rw" if write else "ro")
        try:
            _insist_on_ours(connection, where)
            if write:
                if crashed or path.stat().st_size <= _CHECKED_BYTES:
                    check_pages(connection, where)
                migrate(connection)
        except BaseException:
            connection.close()
            raise
    return connection


def create(path: Path, first: str, values: tuple[object, ...]) -> None:
    """Make a new ledger at `path` unless there is one, running the statement `first` in it.

    It appears whole or not at all. Raises UnfinishedError.
    """
    temporary = path.with_name(f".{path.name}.part-{os.urandom(8).hex()}")
    with wrapped(str(path)):
        try:
            os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o644))
            connection = _connect(temporary, "rw")
            try:
                migrate(connection)
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


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=BUSY_S, isolation_level=None
    )
    # Cell sizes are checked as pages are read; functions in a foreign schema are not run (sqlite.org/security.html).
    connection.execute("PRAGMA cell_size_check = ON")
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA synchronous = EXTRA")
    connection.execute("PRAGMA cache_size = -65536")  # 64 MiB, taken only as it is used
    return connection


def _insist_on_ours(connection: sqlite3.Connection, where: str) -> None:
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise DamagedError("the ledger is empty or not a ledger of ours", where=where, hint=DAMAGE_HINT)
    found = connection.execute("PRAGMA user_version").fetchone()[0]
    if found > VERSION:
        says = f"the ledger has format {found}; this bundlekeeper knows formats up to {VERSION}"
        raise DamagedError(says, where=where, hint="use the newer bundlekeeper that wrote it")


def check_pages(connection: sqlite3.Connection, where: str, *, whole: bool = False, table: str = "") -> None:
    """Let SQLite check its pages, with `whole` also every index against its table, or those of one `table` only.

    Raises DamagedError.
    """
    pragma = f"integrity_check({table or 1})" if whole or table else "quick_check(1)"
    with wrapped(where):
        found = connection.execute(f"PRAGMA {pragma}").fetchone()[0]
        if found != "ok":
            raise DamagedError(f"the ledger is damaged: {found}", where=where, hint=DAMAGE_HINT)


def migrate(connection: sqlite3.Connection, folder: Path = MIGRATIONS) -> None:
    """Run the numbered SQL files that this database has not had, each with its number in one transaction.

    Raises sqlite3.Error; the caller wraps it.
    """
    for path in sorted(folder.glob("[0-9]*.sql")):
        number = int(path.name.partition("_")[0])
        if number <= connection.execute("PRAGMA user_version").fetchone()[0]:
            continue
        script = path.read_text("utf-8")
        stamp = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {number};"
        try:
            connection.executescript(f"BEGIN IMMEDIATE;\n{script}\n{stamp}\nCOMMIT;")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


@contextmanager
def writing(connection: sqlite3.Connection, where: str) -> Iterator[None]:
    """One transaction, alone among writers: all of the block or nothing of it. Raises KeeperErrors only."""
    with wrapped(where):
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            connection.execute("COMMIT")
        except BaseException:
            # SQLite itself rolls back after some errors (disk full); then there is nothing left to roll back.
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


@contextmanager
def reading(connection: sqlite3.Connection, where: str) -> Iterator[None]:
    """One snapshot for several questions; inside a transaction, that one. Raises KeeperErrors only."""
    with wrapped(where):
        if connection.in_transaction:
            yield
            return
        connection.execute("BEGIN")
        try:
            yield
        finally:
            if connection.in_transaction:
                connection.execute("COMMIT")


@contextmanager
def wrapped(where: str) -> Iterator[None]:
    """Turn SQLite's and the file system's errors into ours."""
    try:
        yield
    except KeeperError:
        raise
    except sqlite3.Error as e:
        raise _ours(e, where) from e
    except OSError as e:
        raise UnfinishedError(f"the ledger cannot be used: {e.strerror or e}", where=where) from e


def _ours(error: sqlite3.Error, where: str) -> KeeperError:
    name: str = getattr(error, "sqlite_errorname", "")
    damage = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT", "SQLITE_MISMATCH")
    if name.startswith(damage) or "Could not decode" in str(error):  # a text that is no text any more
        return DamagedError(f"the ledger is damaged: {error}", where=where, hint=DAMAGE_HINT)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return LockedError("other processes are writing the ledger", where=where, hint="try again")
    hints = {
        "SQLITE_FULL": "make room and run the same command again; nothing of this command was recorded",
        "SQLITE_READONLY_ROLLBACK": "a writer was killed; run a writing command once where the store can be written",
        "SQLITE_READONLY": "the store cannot be written: check the owner, the mode and how it is mounted",
        "SQLITE_CANTOPEN": "check that the store's .keeper folder can be read and entered",
        "SQLITE_IOERR": "the device failed: look at the system's log",
    }
    hint = next((text for start, text in hints.items() if name.startswith(start)), "")
    return UnfinishedError(f"the ledger cannot be used: {error}", where=where, hint=hint)
