"""The catalogue: which bundle files the store holds, by which manifest, and what proved them. SQLite.

Rules: it claims nothing that is not on the disk already, so a row is written last; one call is one transaction; a
database that is not ours, is newer than we are or is damaged is refused with the way out, never repaired in silence;
it can be rebuilt from the tree, the proofs cannot; every value reaches SQL as a parameter.
Journal: a rollback journal, not WAL, so that a store on a read-only medium can be read and two files never part;
`synchronous=EXTRA` (FULL, and the folder is fsynced after the journal is unlinked: sqlite.org/pragma.html).
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from bundlekeeper.errors import DamagedError, KeeperError, LockedError, UnfinishedError
from bundlekeeper.store.facts import Facts
from bundlekeeper.store.records import UNKNOWN_SIGNATURE, Accepted, Fingerprint, Held, HeldImage, Proof, Stated

_T = TypeVar("_T")
_Row = tuple[Any, ...]

APPLICATION_ID = 0x424B4341  # "BKCA", at offset 68 of the file (sqlite.org/fileformat2.html)
VERSION = 2
BUSY_S = 10.0
_MIGRATIONS = Path(__file__).parent / "migrations"

REBUILD_HINT = (
    "move it aside and run `bundlekeeper take` or `bundlekeeper check` again: the catalogue is rebuilt from the files "
    "that are there, and each counts as unproven until it is read again"
)

_HELD = "place, family, version, name, size, sha256, platform, sequence, digest_from, standing, why, build, taken_at, \
taken_from, way_in, images, released, signature"
_PROOF = "place, sha256, proven_at, size, mtime_ns, ctime_ns, inode, device, trustworthy, digests"


class Catalogue:
    """One open catalogue. Use as a context manager, or `close` it."""

    def __init__(self, connection: sqlite3.Connection, where: str) -> None:
        self._connection = connection
        self._where = where

    @classmethod
    def open(cls, path: Path, *, write: bool) -> Self:
        """Open the catalogue at `path`, bringing an older one up to date when `write`.

        Raises DamagedError when it is absent, not ours, newer than we are or damaged; UnfinishedError when it cannot
        be opened; LockedError when another process holds it for too long.
        """
        where = str(path)
        if not path.is_file():
            raise DamagedError("the store's catalogue is missing", where=where, hint=REBUILD_HINT.partition(" and ")[2])
        with _wrapped(where):
            connection = _connect(path)
            try:
                _check_identity(connection, where)
                if write:
                    _check_pages(connection, where)
                    _migrate(connection)
                else:
                    connection = _brought_up(connection)
                    connection.execute("PRAGMA query_only = ON")
            except BaseException:
                connection.close()
                raise
        return cls(connection, where)

    @classmethod
    def create(cls, path: Path) -> Self:
        """Make an empty catalogue in the empty file at `path`. Raises UnfinishedError, DamagedError."""
        with _wrapped(str(path)):
            connection = _connect(path)
            try:
                connection.execute("PRAGMA synchronous = OFF")  # it has no name yet; the caller syncs it whole
                _migrate(connection)
            except BaseException:
                connection.close()
                raise
        return cls(connection, str(path))

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
        with _wrapped(self._where):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                # SQLite itself rolls back after some errors (disk full); then there is nothing left to roll back.
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    # Manifests

    def accept(self, accepted: Accepted, facts: Iterable[Facts]) -> None:
        """Remember an accepted manifest as the latest, and give the files held already what it says of them.

        Raises UnfinishedError, LockedError, DamagedError.
        """
        with self._writing() as connection:
            connection.execute(
                "INSERT INTO manifest "
                "(platform, sequence, sha256, place, issued, expires, accepted_at, signed_by, signed_key, turn) "
                "SELECT ?, ?, ?, ?, ?, ?, ?, ?, ?, coalesce(max(turn), 0) + 1 FROM manifest WHERE true "
                "ON CONFLICT (platform, sequence) DO UPDATE SET turn = excluded.turn, "
                "signed_by = iif(excluded.signed_by = '', signed_by, excluded.signed_by), "
                "signed_key = iif(excluded.signed_by = '', signed_key, excluded.signed_key)",
                (
                    accepted.platform,
                    accepted.sequence,
                    accepted.sha256,
                    accepted.place,
                    accepted.issued.isoformat(),
                    accepted.expires.isoformat() if accepted.expires else None,
                    accepted.accepted_at.isoformat(),
                    accepted.signed_by,
                    accepted.signed_key,
                ),
            )
            connection.executemany(
                "UPDATE held SET platform = ?, sequence = ?, digest_from = ?, standing = ?, why = ?, build = ?, "
                "images = ?, released = ?, signature = ? WHERE family = ? AND version = ? AND name = ? AND sha256 = ?",
                ((*_said(each), each.family, each.version, each.name, each.sha256) for each in facts),
            )

    def accepted(self) -> list[Accepted]:
        """Every accepted manifest, in the order of acceptance: the last one counts. Raises as `held`."""
        columns = "platform, sequence, sha256, place, issued, expires, accepted_at, signed_by, signed_key"
        return self._rows(f"SELECT {columns} FROM manifest ORDER BY turn", _accepted_from)  # noqa: S608

    def record_exception(self, at: datetime, what: str, subject: str, why: str) -> None:
        """Record what was let through against the rules, and on whose word. Raises as `accept`."""
        with self._writing() as connection:
            connection.execute(
                "INSERT INTO exception (at, what, subject, why) VALUES (?, ?, ?, CAST(? AS TEXT))",
                (at.isoformat(), what, subject, _raw(why)),
            )

    def exceptions(self) -> list[tuple[datetime, str, str, str]]:
        """What was let through: when, what, subject, why; oldest first. Raises as `held`."""
        query = "SELECT at, what, subject, why FROM exception ORDER BY number"
        return self._rows(query, lambda row: (datetime.fromisoformat(row[0]), row[1], row[2], row[3]))

    # Files

    def record_held(self, held: Held, proof: Proof | None) -> None:
        """Record a file and its proof in one transaction; without a proof its place counts as unproven.

        Raises UnfinishedError, LockedError, DamagedError.
        """
        with self._writing() as connection:
            _put_held(connection, held)
            if proof is None:
                connection.execute("DELETE FROM proof WHERE place = CAST(? AS TEXT)", (_raw(held.place),))
            else:
                _put_proofs(connection, {held.place: proof})

    def record_linked(self, held: Sequence[Held], link: Callable[[], Mapping[str, Proof]]) -> None:
        """Record files whose places `link` makes, and every proof that `link` returns.

        Of all but the first of `held` those are recorded that it returns a proof of. A link changes the fingerprint of
        the file's other names, so it is made when the journal stands already: where that cannot be written, nothing is
        linked. Raises as `record_held`, and what `link` raises.
        """
        first, *others = held
        with self._writing() as connection:
            _put_held(connection, first)
            proofs = link()
            for each in others:
                if each.place in proofs:
                    _put_held(connection, each)
            _put_proofs(connection, proofs)

    def record_proof(self, place: str, proof: Proof) -> None:
        """Record one proof. Raises UnfinishedError, LockedError, DamagedError."""
        self.record_proofs({place: proof})

    def record_proofs(self, proofs: Mapping[str, Proof]) -> None:
        """Record many proofs in one transaction. Raises UnfinishedError, LockedError, DamagedError."""
        with self._writing() as connection:
            _put_proofs(connection, proofs)

    def forget(self, place: str) -> None:
        """Drop the row and the proof of a place; the file, if there is one, is not touched. Raises as `accept`."""
        with self._writing() as connection:
            connection.execute("DELETE FROM held WHERE place = CAST(? AS TEXT)", (_raw(place),))
            connection.execute("DELETE FROM proof WHERE place = CAST(? AS TEXT)", (_raw(place),))

    def proofs(self) -> dict[str, Proof]:
        """Every proof by its place. Raises DamagedError, LockedError, UnfinishedError."""
        return dict(self._rows(f"SELECT {_PROOF} FROM proof", _proof_from))  # noqa: S608

    def held(self, family: str | None = None) -> list[Held]:
        """The files held, of one family or of all, by place. Raises DamagedError, LockedError, UnfinishedError."""
        query = f"SELECT {_HELD} FROM held"  # noqa: S608
        if family is None:
            return self._rows(query + " ORDER BY place", _held_from)
        return self._rows(query + " WHERE family = ? ORDER BY place", _held_from, (family,))

    def _rows(self, query: str, make: Callable[[_Row], _T], values: tuple[Any, ...] = ()) -> list[_T]:
        with _wrapped(self._where):
            try:
                return [make(row) for row in self._connection.execute(query, values)]
            except (ValueError, TypeError, AttributeError, OverflowError) as error:  # no row that we could have written
                says = f"the store's catalogue holds a bad value: {error}"
                raise DamagedError(says, where=self._where, hint=REBUILD_HINT) from error


def _raw(text: str) -> bytes:
    """Text as the bytes SQLite keeps, also where a file name was no UTF-8 (PEP 383)."""
    return text.encode("utf-8", "surrogateescape")


def _signed(number: int) -> int:
    """An unsigned 64-bit number as the signed one that SQLite can hold; `% 2**64` turns it back."""
    return number - 2**64 if number >= 2**63 else number


def _said(facts: Facts) -> tuple[Any, ...]:
    """What a manifest says of a bundle beyond its name and bytes, in the order of `Catalogue.accept`."""
    return (
        facts.platform,
        facts.sequence,
        facts.digest_from,
        facts.standing,
        facts.why,
        facts.build,
        _images_text(facts.images),
        facts.released.isoformat() if facts.released else None,
        _signature_text(facts.signature),
    )


def _signature_text(stated: Stated | None) -> str | None:
    if stated == UNKNOWN_SIGNATURE:
        return None
    return json.dumps([stated.file, stated.form, stated.key], separators=(",", ":")) if stated else ""


def _stated_from(text: str | None) -> Stated | None:
    if text is None:
        return UNKNOWN_SIGNATURE
    return Stated(*json.loads(text)) if text else None


def _images_text(images: Iterable[HeldImage]) -> str:
    return json.dumps([[i.kind, list(i.models), i.version] for i in images], separators=(",", ":"))


def _held_row(held: Held) -> tuple[Any, ...]:
    return (
        _raw(held.place),
        held.family,
        held.version,
        held.name,
        held.size,
        held.sha256,
        held.platform,
        held.sequence,
        held.digest_from,
        held.standing,
        held.why,
        held.build,
        held.taken_at.isoformat(),
        _raw(held.taken_from),
        held.way_in,
        _images_text(held.images),
        held.released.isoformat() if held.released else None,
        _signature_text(held.signature),
    )


def _held_from(row: _Row) -> Held:
    *plain, taken_at, taken_from, way_in, images, released, signature = row
    read_images = tuple(HeldImage(kind, tuple(models), version) for kind, models, version in json.loads(images))
    read_released = date.fromisoformat(released) if released else None
    taken: tuple[Any, ...] = (datetime.fromisoformat(taken_at), taken_from, way_in)
    said: tuple[Any, ...] = (read_images, read_released, _stated_from(signature))
    return Held(*plain, *taken, *said)


def _accepted_from(row: _Row) -> Accepted:
    platform, sequence, sha256, place, issued, expires, at, signed_by, signed_key = row
    until = date.fromisoformat(expires) if expires else None
    since = datetime.fromisoformat(at)
    return Accepted(platform, sequence, sha256, place, date.fromisoformat(issued), until, since, signed_by, signed_key)


def _proof_from(row: _Row) -> tuple[str, Proof]:
    place, sha256, at, size, mtime_ns, ctime_ns, inode, device, trusted, digests = row
    fingerprint = Fingerprint(size, mtime_ns, ctime_ns, inode % 2**64, device % 2**64)
    extra = tuple((name, digest) for name, _, digest in (each.partition(":") for each in digests.split()))
    return place, Proof(sha256, datetime.fromisoformat(at), fingerprint, trusted == 1, extra)


def _put_held(connection: sqlite3.Connection, held: Held) -> None:
    marks = "CAST(? AS TEXT), " + "?, " * 12 + "CAST(? AS TEXT), ?, ?, ?, ?"
    connection.execute(f"INSERT OR REPLACE INTO held ({_HELD}) VALUES ({marks})", _held_row(held))  # noqa: S608


def _put_proofs(connection: sqlite3.Connection, proofs: Mapping[str, Proof]) -> None:
    connection.executemany(
        f"INSERT OR REPLACE INTO proof ({_PROOF}) VALUES (CAST(? AS TEXT), ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
        (
            (
                _raw(place),
                proof.sha256,
                proof.proven_at.isoformat(),
                proof.fingerprint.size,
                proof.fingerprint.mtime_ns,
                proof.fingerprint.ctime_ns,
                _signed(proof.fingerprint.inode),
                _signed(proof.fingerprint.device),
                int(proof.trustworthy),
                " ".join(f"{name}:{digest}" for name, digest in proof.extra),
            )
            for place, proof in proofs.items()
        ),
    )


def _connect(path: Path) -> sqlite3.Connection:
    # Read-write also for readers, where the file allows it: they may have to roll back what a killed writer left.
    uri = f"{path.absolute().as_uri()}?mode=rw"
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)
    connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    # Cell sizes are checked as pages are read; functions in a foreign schema are not run (sqlite.org/security.html).
    connection.execute("PRAGMA cell_size_check = ON")
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA synchronous = EXTRA")
    return connection


def _check_identity(connection: sqlite3.Connection, where: str) -> None:
    identity = connection.execute("PRAGMA application_id").fetchone()[0]
    if identity != APPLICATION_ID:
        raise DamagedError("the store's catalogue is empty or not a catalogue of ours", where=where, hint=REBUILD_HINT)
    found = connection.execute("PRAGMA user_version").fetchone()[0]
    if found > VERSION:
        says = f"the store's catalogue has format {found}; this bundlekeeper knows formats up to {VERSION}"
        raise DamagedError(says, where=where, hint="use the newer bundlekeeper that wrote it")


def _brought_up(connection: sqlite3.Connection) -> sqlite3.Connection:
    """The same, or for a database of an older format a copy of it in memory that has the present one."""
    if connection.execute("PRAGMA user_version").fetchone()[0] >= VERSION:
        return connection
    copy = sqlite3.connect(":memory:", isolation_level=None)
    copy.text_factory = connection.text_factory
    try:
        connection.backup(copy)
        _migrate(copy)
    except BaseException:
        copy.close()
        raise
    connection.close()
    return copy


def _check_pages(connection: sqlite3.Connection, where: str) -> None:
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise DamagedError(f"the store's catalogue is damaged: {found}", where=where, hint=REBUILD_HINT)


def _migrate(connection: sqlite3.Connection) -> None:
    """Run the numbered SQL files that this database has not had; each with its number in one transaction."""
    at = connection.execute("PRAGMA user_version").fetchone()[0]
    if at >= VERSION:
        return
    for path in sorted(_MIGRATIONS.glob("[0-9]*.sql")):
        number = int(path.name.partition("_")[0])
        if number <= at:
            continue
        script = path.read_text("utf-8")
        stamp = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {number};"
        try:
            connection.executescript(f"BEGIN IMMEDIATE;\n{script}\n{stamp}\nCOMMIT;")
        finally:
            if connection.in_transaction:
                connection.execute("ROLLBACK")


@contextmanager
def _wrapped(where: str) -> Iterator[None]:
    """Turn SQLite's errors into ours."""
    try:
        yield
    except KeeperError:
        raise
    except sqlite3.Error as error:
        raise _ours(error, where) from error


def _ours(error: sqlite3.Error, where: str) -> KeeperError:
    name: str = getattr(error, "sqlite_errorname", "")
    # SQLITE_ERROR is a table or column that is not there: our own statements are right by test.
    if name == "SQLITE_ERROR" or name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT")):
        return DamagedError(f"the store's catalogue is damaged: {error}", where=where, hint=REBUILD_HINT)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return LockedError("another process is writing the store's catalogue", where=where, hint="try again")
    hints = {
        "SQLITE_FULL": "make room and run the same command again; what was finished stays",
        "SQLITE_READONLY_ROLLBACK": "a writer was killed; run a writing command once where the store can be written",
        "SQLITE_READONLY": "the store cannot be written: check the owner, the mode and how it is mounted",
        "SQLITE_CANTOPEN": "check that the store's .keeper folder can be read and entered",
        "SQLITE_IOERR": "the device failed: look at the system's log",
    }
    hint = next((text for start, text in hints.items() if name.startswith(start)), "")
    return UnfinishedError(f"the store's catalogue cannot be used: {error}", where=where, hint=hint)
