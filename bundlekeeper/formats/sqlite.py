"""The one SQLite shell: each database of ours is opened, checked, written and read through it, or refused.

Rules: a rollback journal, not WAL, so that a copy of the one file is whole and a read-only medium can be read;
`synchronous=EXTRA` (FULL, and the folder is fsynced after the journal is unlinked: sqlite.org/pragma.html); a file that
is not ours, is of another format or is damaged is refused with the way out, never repaired in silence; a schema and the
number of its format are one transaction; SQLite's errors come out as ours; every value reaches SQL as a parameter.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bundlekeeper.errors import DamagedError, KeeperError, LockedError, RefusedError, UnfinishedError
from bundlekeeper.frozen import dataclass

#: The number of the format, of each of our databases.
FORMAT = 1


@dataclass(frozen=True, slots=True)
class Database:
    """One of our databases: how it is recognised, its words in messages, and what helps when it fails.

    `noun` is "the ledger", `thing` is "a ledger"; `absent` is the message and the hint where there is no file; a writer
    has the pages of a file of up to `checked_bytes` checked on opening (after a crash: of any size).
    """

    noun: str
    thing: str
    application_id: int  # at offset 68 of the file (sqlite.org/fileformat2.html)
    schema: Path
    absent: tuple[str, str]
    damage_hint: str
    full_hint: str
    busy: str
    busy_s: float
    checked_bytes: int | None = None
    cache_kib: int | None = None

    # Opening

    def open(self, path: Path, *, write: bool) -> sqlite3.Connection:
        """Open the database at `path`; without `write` the connection refuses to change anything.

        Raises DamagedError when it is absent, not ours, of another format or damaged; RefusedError when it is a link;
        UnfinishedError when it cannot be opened; LockedError when another process locks it for longer than `busy_s`.
        """
        where = str(path)
        if not path.is_file():
            message, hint = self.absent
            raise DamagedError(message, where=where, hint=hint)
        if path.is_symlink():  # its target is not the store's, and nobody checked who may write it
            raise RefusedError(f"{self.noun} is a symbolic link", where=where, hint="put the file itself in its place")
        with self.on_disk(where):
            crashed = Path(f"{path}-journal").exists()  # a writer was killed; SQLite rolls it back on reading
            connection = self._connect(path)
            try:
                self._insist_on_ours(connection, where)
                if not write:
                    connection.execute("PRAGMA query_only = ON")
                elif crashed or self.checked_bytes is None or path.stat().st_size <= self.checked_bytes:
                    self.check_pages(connection, where)
            except BaseException:
                connection.close()
                raise
        return connection

    def make(self, path: Path, *, durable: bool = True) -> sqlite3.Connection:
        """Make the database in the empty file at `path`. Without `durable` the caller syncs it whole.

        Raises UnfinishedError, DamagedError.
        """
        with self.on_disk(str(path)):
            connection = self._connect(path)
            try:
                if not durable:
                    connection.execute("PRAGMA synchronous = OFF")
                stamp = f"PRAGMA application_id = {self.application_id}; PRAGMA user_version = {FORMAT};"
                connection.executescript(f"BEGIN IMMEDIATE;\n{self.schema.read_text('utf-8')}\n{stamp}\nCOMMIT;")
            except BaseException:
                connection.close()
                raise
        return connection

    def _connect(self, path: Path) -> sqlite3.Connection:
        # Read-write also for readers, where the file allows it: they may have to roll back what a killed writer left.
        uri = f"{path.absolute().as_uri()}?mode=rw"
        connection = sqlite3.connect(uri, uri=True, timeout=self.busy_s, isolation_level=None)
        # Cell sizes are checked as pages are read; no functions of a foreign schema are run (sqlite.org/security.html).
        connection.execute("PRAGMA cell_size_check = ON")
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA synchronous = EXTRA")
        if self.cache_kib is not None:
            connection.execute(f"PRAGMA cache_size = -{self.cache_kib}")  # used only as needed
        return connection

    def _insist_on_ours(self, connection: sqlite3.Connection, where: str) -> None:
        if connection.execute("PRAGMA application_id").fetchone()[0] != self.application_id:
            message = f"{self.noun} is empty or not {self.thing} of bundlekeeper's"
            raise DamagedError(message, where=where, hint=self.damage_hint)
        found = connection.execute("PRAGMA user_version").fetchone()[0]
        if found != FORMAT:
            message = f"{self.noun} has format {found}; this bundlekeeper knows format {FORMAT}"
            hint = "use the bundlekeeper that wrote it" if found > FORMAT else self.damage_hint
            raise DamagedError(message, where=where, hint=hint)

    def check_pages(self, connection: sqlite3.Connection, where: str, *, whole: bool = False, table: str = "") -> None:
        """Let SQLite check its pages, with `whole` also every index against its table, or those of one `table` only.

        Raises DamagedError, LockedError, UnfinishedError.
        """
        pragma = f"integrity_check({table or 1})" if whole or table else "quick_check(1)"
        with self.wrapped(where):
            found = connection.execute(f"PRAGMA {pragma}").fetchone()[0]
            if found != "ok":
                raise self.damaged(found, where)

    # Using

    @contextmanager
    def writing(self, connection: sqlite3.Connection, where: str) -> Iterator[None]:
        """One transaction, alone among writers: all of the block or nothing of it. Raises as `wrapped`."""
        with self.wrapped(where):
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
    def reading(self, connection: sqlite3.Connection, where: str) -> Iterator[None]:
        """One snapshot for several questions; inside a transaction, that one. Raises as `wrapped`."""
        with self.wrapped(where):
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
    def wrapped(self, where: str) -> Iterator[None]:
        """Raises DamagedError, LockedError, UnfinishedError for SQLite's errors; other errors pass."""
        try:
            yield
        except KeeperError:
            raise
        except sqlite3.Error as error:
            raise self._ours(error, where) from error
        except UnicodeDecodeError as error:  # a text that is no longer text: of a row, or of the schema page
            raise self.damaged(str(error), where) from error

    @contextmanager
    def on_disk(self, where: str) -> Iterator[None]:
        """For a block that handles the file itself. Raises as `wrapped`, and UnfinishedError for an OSError, too."""
        with self.wrapped(where):
            try:
                yield
            except OSError as error:
                raise UnfinishedError(f"{self.noun} cannot be used: {error.strerror or error}", where=where) from error

    def damaged(self, message: str, where: str = "") -> DamagedError:
        """The refusal of a file that is damaged in this way, with the way out."""
        return DamagedError(f"{self.noun} is damaged: {message}", where=where, hint=self.damage_hint)

    def _ours(self, error: sqlite3.Error, where: str) -> KeeperError:
        name: str = getattr(error, "sqlite_errorname", "")
        # SQLITE_ERROR is a table or column that is not there: our own statements are right by test.
        damage = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT", "SQLITE_MISMATCH")
        if name == "SQLITE_ERROR" or name.startswith(damage) or "Could not decode" in str(error):
            return self.damaged(str(error), where)
        if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            return LockedError(self.busy, where=where, hint="try again")
        hints = {
            "SQLITE_FULL": self.full_hint,
            "SQLITE_READONLY_DBMOVED": "the store was moved away meanwhile: name it where it is now, and run it again",
            "SQLITE_READONLY_ROLLBACK": "a writer was killed; run a writing command where the store can be written",
            "SQLITE_READONLY": "the store cannot be written: check the owner, the mode and how it is mounted",
            "SQLITE_CANTOPEN": "check that .keeper is there and can be entered, and that inodes are left (df -i)",
            "SQLITE_IOERR": "the device failed (look at the system's log), or files may not be so large (ulimit -f)",
        }
        hint = next((text for start, text in hints.items() if name.startswith(start)), "")
        return UnfinishedError(f"{self.noun} cannot be used: {error}", where=where, hint=hint)
