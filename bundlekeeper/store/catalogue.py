"""The catalogue: which bundle files the store holds, by which manifest, and what proved them. SQLite.

Rules: it claims nothing that is not on the disk already, so a row is written last; one call is one transaction; it can
be rebuilt from the tree, the proofs cannot.
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

from bundlekeeper.formats.sqlite import Database
from bundlekeeper.store.facts import Facts
from bundlekeeper.store.records import UNKNOWN_SIGNATURE, Accepted, Fingerprint, Held, HeldImage, Proof, Stated

_T = TypeVar("_T")
_Row = tuple[Any, ...]

_REBUILD = (
    "run `bundlekeeper take` or `bundlekeeper check` again: the catalogue is rebuilt from the files "
    "that are there, and each counts as unproven until it is read again"
)
DATABASE = Database(
    noun="the store's catalogue",
    thing="a catalogue",
    application_id=0x424B4341,  # "BKCA"
    schema=Path(__file__).parent / "catalogue.sql",
    absent=("the store's catalogue is missing", _REBUILD),
    damage_hint=f"move it aside and {_REBUILD}",
    full_hint="make room (df -h, df -i) and run the same command again; what was finished stays",
    busy="another process is writing the store's catalogue",
    busy_s=10.0,
)

_HELD = "place, family, version, name, size, sha256, platform, sequence, digest_from, standing, why, build, taken_at, \
taken_from, way_in, images, released, signature"
_PROOF = "place, sha256, proven_at, size, mtime_ns, ctime_ns, inode, device, trustworthy, digests"


class Catalogue:
    """One open catalogue. Use as a context manager, or `close` it."""

    def __init__(self, connection: sqlite3.Connection, where: str) -> None:
        connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
        self._connection = connection
        self._where = where

    @classmethod
    def open(cls, path: Path, *, write: bool) -> Self:
        """Open the catalogue at `path`.

        Raises DamagedError when it is absent, not ours, of another format or damaged; UnfinishedError when it cannot
        be opened; LockedError when another process holds it for too long.
        """
        return cls(DATABASE.open(path, write=write), str(path))

    @classmethod
    def create(cls, path: Path) -> Self:
        """Make an empty catalogue in the empty file at `path`. Raises UnfinishedError, DamagedError."""
        return cls(DATABASE.make(path, durable=False), str(path))  # it has no name yet; the caller syncs it whole

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
        with DATABASE.writing(self._connection, self._where):
            yield self._connection

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
        with DATABASE.wrapped(self._where):
            try:
                return [make(row) for row in self._connection.execute(query, values)]
            except (ValueError, TypeError, AttributeError, OverflowError) as error:  # no row that we could have written
                raise DATABASE.damaged(f"it holds a bad value: {error}", self._where) from error


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
