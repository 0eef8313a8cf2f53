"""The store database: which bundle files are in the store, by which manifest, and when they were verified. SQLite.

Rules: a row is written last, when everything that it states is on the disk; one call is one transaction; the database
can be rebuilt from the tree, the verifications cannot; a row that is not what was written is never believed, and
neither is a table that lost one: every row has a checksum, every table a total (`row_checksums`), compared on each
read.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from bundlekeeper.errors import DamagedError
from bundlekeeper.findings import finding
from bundlekeeper.formats.sqlite import Database
from bundlekeeper.frozen import dataclass
from bundlekeeper.store.database.row_checksums import (
    EXCEPTION,
    MANIFEST,
    STORED,
    TABLES,
    VERIFICATION,
    Exempt,
    RowTable,
    T,
    Values,
    raw,
)
from bundlekeeper.store.database.rows import Admitted, BundleFacts, StoredBundle, Verification

_REPAIR = (
    "run `bundlekeeper verify` or `bundlekeeper store add` where the store can be written, to make the store database "
    "again from the kept manifests; a file without its row counts as unverified until it is read again"
)
DATABASE = Database(
    noun="the store database",
    thing="a store database",
    application_id=0x424B4341,  # "BKCA"
    schema=Path(__file__).parent / "store.sql",
    absent=("the store database is missing", _REPAIR),
    damage_hint=_REPAIR.replace("to make the store database", "to rename it and make it"),
    full_hint="free some space (df -h, df -i) and run the same command again; what was finished stays",
    busy="another process is writing the store database",
    busy_s=10.0,
)

_NAMED = 5  # broken rows of one table that are named; the rest are counted


@dataclass(frozen=True, slots=True)
class Sound:
    """What is still right in a damaged store database; `lost` says in sentences what is not."""

    manifests: tuple[Admitted, ...] = ()  # in the order of admission
    stored: tuple[StoredBundle, ...] = ()
    verifications: tuple[tuple[str, Verification], ...] = ()
    exceptions: tuple[Exempt, ...] = ()
    lost: tuple[str, ...] = ()


NOTHING = Sound()


class StoreDatabase:
    """One open store database. Use as a context manager, or `close` it."""

    def __init__(self, connection: sqlite3.Connection, where: str) -> None:
        connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
        self._connection = connection
        self._where = where
        self._read: dict[str, list[Any]] = {}  # what `verify` read, until it is asked for

    @classmethod
    def open(cls, path: Path, *, write: bool) -> Self:
        """Open the store database at `path`.

        Raises DamagedError when it is absent, not ours, of another format or damaged; UnfinishedError when it cannot
        be opened; LockedError when another process locks it for too long.
        """
        return cls(DATABASE.open(path, write=write), str(path))

    @classmethod
    def create(cls, path: Path) -> Self:
        """Make an empty store database in the empty file at `path`. Raises UnfinishedError, DamagedError."""
        return cls(DATABASE.make(path, durable=False), str(path))  # it has no name yet; the caller syncs it whole

    @classmethod
    def in_memory(cls) -> Self:
        """An empty store database that only this process sees. Raises UnfinishedError."""
        with DATABASE.wrapped(":memory:"):
            connection = sqlite3.connect(":memory:", isolation_level=None)
            connection.executescript(DATABASE.schema.read_text("utf-8"))
        return cls(connection, ":memory:")

    def copied(self) -> Self:
        """The whole store database as it is now, page by page, in memory. Raises DamagedError, LockedError."""
        with DATABASE.wrapped(self._where):
            connection = sqlite3.connect(":memory:", isolation_level=None)
            self._connection.backup(connection)
        return type(self)(connection, self._where)

    def close(self) -> None:
        """Close the database. Raises nothing."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of the block or nothing of it."""
        self._read.clear()
        with DATABASE.writing(self._connection, self._where):
            yield self._connection

    # Manifests

    def admit(self, admitted: Admitted, facts: Iterable[BundleFacts]) -> None:
        """Record an admitted manifest as the latest, and give the stored files' rows its facts about them.

        Raises UnfinishedError, LockedError, DamagedError.
        """
        with self._writing() as connection:
            known = self._rows(MANIFEST)
            same = (admitted.platform, admitted.sequence)
            before = next((row for _, row in known if (row.platform, row.sequence) == same), None)
            if before is not None:
                vouched = admitted if admitted.signed_by else before
                admitted = replace(before, signed_by=vouched.signed_by, signed_key=vouched.signed_key)
            turn = max((turn for turn, _ in known), default=0) + 1
            _put(connection, MANIFEST, [(turn, admitted)])
            stated = {(bundle.family, bundle.version, bundle.name, bundle.sha256): bundle for bundle in facts}
            rows = [
                (bundle, stated.get((bundle.family, bundle.version, bundle.name, bundle.sha256)))
                for bundle in self._rows(STORED)
            ]
            _put(connection, STORED, [_with_facts(row, now) for row, now in rows if now is not None])

    def admitted(self) -> list[Admitted]:
        """Every admitted manifest, in the order of admission: the last one counts. Raises as `stored`."""
        return [admitted for _, admitted in sorted(self._rows(MANIFEST), key=lambda row: row[0])]

    def record_exception(self, at: datetime, what: str, subject: str, reason: str) -> None:
        """Record an exception that was allowed, with its reason. Raises as `admit`."""
        with self._writing() as connection:
            last: int = connection.execute("SELECT coalesce(max(number), 0) FROM exception").fetchone()[0]
            _put(connection, EXCEPTION, [(last + 1, (at, what, subject, reason))])

    def exceptions(self) -> list[Exempt]:
        """The exceptions that were allowed: when, what, subject, reason; oldest first. Raises as `stored`."""
        return [exempt for _, exempt in self._rows(EXCEPTION)]

    # Files

    def record_stored(self, stored: StoredBundle, verification: Verification | None) -> None:
        """Record a file and its verification in one transaction; without a verification its place counts as unverified.

        Raises UnfinishedError, LockedError, DamagedError.
        """
        with self._writing() as connection:
            _put(connection, STORED, [stored])
            if verification is None:
                connection.execute("DELETE FROM verification WHERE place = CAST(? AS TEXT)", (raw(stored.place),))
            else:
                _put(connection, VERIFICATION, [(stored.place, verification)])

    def record_all(self, added: Sequence[tuple[StoredBundle, Verification]]) -> None:
        """Record files that were added together, each with its verification, in one transaction. Raises as `admit`."""
        with self._writing() as connection:
            _put(connection, STORED, (stored for stored, _ in added))
            _put(connection, VERIFICATION, ((stored.place, verification) for stored, verification in added))

    def record_linked(self, stored: Sequence[StoredBundle], link: Callable[[], Mapping[str, Verification]]) -> None:
        """Record files whose places `link` makes, and every verification that `link` returns.

        The first of `stored` is always recorded, the others where `link` returns a verification of them. A link changes
        the fingerprint of the file's other names, so it is made after the journal is written: where that cannot be
        written, nothing is linked. Raises as `record_stored`, and what `link` raises.
        """
        first, *others = stored
        with self._writing() as connection:
            _put(connection, STORED, [first])
            verifications = link()
            _put(connection, STORED, [bundle for bundle in others if bundle.place in verifications])
            _put(connection, VERIFICATION, verifications.items())

    def record_verifications(self, verifications: Mapping[str, Verification]) -> None:
        """Record many verifications in one transaction. Raises UnfinishedError, LockedError, DamagedError."""
        with self._writing() as connection:
            _put(connection, VERIFICATION, verifications.items())

    def forget(self, place: str) -> None:
        """Delete the row and the verification of a place; a file there is not touched. Raises as `admit`."""
        with self._writing() as connection:
            connection.execute("DELETE FROM bundle WHERE place = CAST(? AS TEXT)", (raw(place),))
            connection.execute("DELETE FROM verification WHERE place = CAST(? AS TEXT)", (raw(place),))

    def verifications(self) -> dict[str, Verification]:
        """Every verification by its place. Raises DamagedError, LockedError, UnfinishedError."""
        return dict(self._rows(VERIFICATION))

    def stored(self, family: str | None = None) -> list[StoredBundle]:
        """The stored files of one family or of all, by place. Raises DamagedError, LockedError, UnfinishedError."""
        rows = self._rows(STORED)  # all of them: only a whole table shows that nothing is missing
        return rows if family is None else [bundle for bundle in rows if bundle.family == family]

    # What may be believed

    def verify(self) -> None:
        """Read everything once and compare it with its checksums; what was read serves the next question.

        Raises DamagedError with a problem per table, LockedError, UnfinishedError.
        """
        damage: list[str] = []
        with DATABASE.reading(self._connection, self._where):
            if self._schema() != _schema():
                raise _damaged(["its schema is not what was written"], self._where)
            for table in TABLES:
                try:
                    self._read[table.name] = self._rows(table)
                except DamagedError as error:
                    if not error.problems:  # of a page, not of rows: nothing more can be asked
                        raise
                    damage += [problem.message for problem in error.problems]
        if damage:
            raise _damaged(damage, self._where)

    def sound(self) -> Sound:
        """Every row that is still what was written, whatever else is broken. Raises LockedError, UnfinishedError."""
        kept: dict[str, list[Any]] = {}
        lost: list[str] = []
        for table in TABLES:
            kept[table.name], missing = self._salvaged(table)
            lost += missing
        manifests = tuple(admitted for _, admitted in sorted(kept["manifest"], key=lambda row: row[0]))
        exceptions = tuple(exempt for _, exempt in sorted(kept["exception"]))
        return Sound(manifests, tuple(kept["bundle"]), tuple(kept["verification"]), exceptions, tuple(lost))

    def _rows(self, table: RowTable[T]) -> list[T]:
        """All rows of a table. Raises DamagedError where one is not what was written, or missing."""
        if table.name in self._read:
            return self._read.pop(table.name)
        with DATABASE.reading(self._connection, self._where):
            total = self._total(table)
            found = self._connection.execute(table.select()).fetchall()
        broken = [row for row in found if not table.is_whole(row[:-1], row[-1])]
        if broken or total != _total_of(found):
            raise _damaged([_damage_of(table, broken, found, total)], self._where)
        return [table.make(row[:-1]) for row in found]

    def _salvaged(self, table: RowTable[T]) -> tuple[list[T], list[str]]:
        """The rows of a table that are what was written, and what is lost of it, read from both ends."""
        found: dict[Values, Values] = {}
        broken: dict[Values, Values] = {}
        trouble = ""
        for backwards in (False, True):
            try:
                with DATABASE.wrapped(self._where):
                    for row in self._connection.execute(table.select(backwards=backwards)):
                        whole = table.is_whole(row[:-1], row[-1])
                        (found if whole else broken)[table.key_of(row[:-1])] = row
                break
            except DamagedError as error:
                trouble = error.message
        try:
            with DATABASE.wrapped(self._where):
                total = self._total(table)
        except DamagedError:
            total = None
        lost = []
        if trouble:
            lost.append(f"{table.name}: {len(found)} rows of {total[0] if total else 'an unknown number'}: {trouble}")
        elif broken or total != _total_of(found.values()):
            lost.append(_damage_of(table, list(broken.values()), list(found.values()), total))
        return [table.make(row[:-1]) for row in found.values()], lost

    def _total(self, table: RowTable[Any]) -> Values | None:
        query = "SELECT rows, checksums FROM total WHERE of = ?"
        row: Values | None = self._connection.execute(query, (table.name,)).fetchone()
        return row

    def _schema(self) -> list[Values]:
        return self._connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_schema").fetchall()


def _schema() -> list[Values]:
    """The schema as SQLite keeps it."""
    fresh = sqlite3.connect(":memory:")
    try:
        fresh.executescript(DATABASE.schema.read_text("utf-8"))
        return fresh.execute("SELECT type, name, tbl_name, sql FROM sqlite_schema").fetchall()
    finally:
        fresh.close()


def _total_of(rows: Collection[Values]) -> Values:
    """How many rows, and the sum of their checksums."""
    return len(rows), sum(row[-1] for row in rows)


def _damage_of(table: RowTable[Any], broken: Sequence[Values], found: Sequence[Values], total: Values | None) -> str:
    """What is wrong with a table, in a sentence."""
    if broken:
        names = [" ".join(str(value) for value in table.key_of(row[:-1])) for row in broken]
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        return f"{table.noun}: not what was written: {', '.join(names[:_NAMED])}{more}"
    if total is None:
        return f"{table.noun}: the number of rows is lost"
    return f"{table.noun}: {len(found)} rows are there, {total[0]} were written" + (
        ", or others" if len(found) == total[0] else ""
    )


def _damaged(sentences: Sequence[str], where: str) -> DamagedError:
    """The error for a store database that is damaged in these ways."""
    error = DATABASE.damaged(
        sentences[0] if len(sentences) == 1 else f"rows of {len(sentences)} tables are not what was written", where
    )
    error.problems = tuple(
        finding("damaged", "the store database", message, DATABASE.damage_hint) for message in sentences
    )
    return error


def _with_facts(row: StoredBundle, facts: BundleFacts) -> StoredBundle:
    """The row with a manifest's facts about its bundle beyond its name and bytes."""
    return replace(
        row,
        platform=facts.platform,
        sequence=facts.sequence,
        digest_from=facts.digest_from,
        lifecycle=facts.lifecycle,
        reason=facts.reason,
        variant=facts.variant,
        images=facts.images,
        released=facts.released,
        signature=facts.signature,
    )


def _put(connection: sqlite3.Connection, table: RowTable[T], rows: Iterable[T]) -> None:
    """Write rows, each over the one of its key."""
    connection.executemany(table.put, (table.bound(row) for row in rows))
