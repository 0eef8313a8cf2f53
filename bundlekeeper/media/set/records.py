"""The records of media sets as types, and their form on the disk: strict JSON with its own checksum.

Rules: no file is touched here; a record that is not exactly what was written is refused as damaged, with the way out;
what it holds is bounded. Form: one line with the SHA-256 of what follows, then JSON with sorted keys.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar

from bundlekeeper.errors import DamagedError, InputError
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.json_fields import JsonReader
from bundlekeeper.model.media.index import MAX_VOLUMES

#: The end of the name of a folder that the user put aside because its record could not be read.
ASIDE = ".damaged"
#: The level of proof that reading at the place where the set is used gives; no other word is used for it.
PROVEN = "proven at the destination"
#: The same of a bundle that was there before the set came; nothing was read from a volume then.
HELD = "held before, proven at the destination"
_T = TypeVar("_T")
_SENT, _RECEIVED = "bundlekeeper.set-sent/1", "bundlekeeper.set-received/1"


@dataclass(frozen=True, slots=True)
class Sent:
    """A set that this store sends: `plan` is the SHA-256 of its plan, `written` when each volume was proven."""

    set_id: str
    sequence: int
    issuer: str
    plan: str
    platform: str
    meant_for: str
    volumes: int
    manifest: str
    begun: datetime
    written: Mapping[int, datetime] = field(default_factory=dict)

    @property
    def whole(self) -> bool:
        """True when every volume was written and proven."""
        return len(self.written) == self.volumes


@dataclass(frozen=True, slots=True)
class Arrived:
    """A file of a set that arrived and was proven here; `how` is one of the words for that, `at` when."""

    path: str
    sha256: str
    how: str
    at: datetime


@dataclass(frozen=True, slots=True)
class ReceivedSet:
    """A set that comes, or came, here.

    `index` is the SHA-256 of its index, `volumes` when each volume was first seen whole, `parts` the parts of split
    files that are in and proven (path of the part, when), `arrived` the files by their path in the set, `rollback` why
    an older set was let in, `receipts` when receipts were written and after how many events of the ledger.
    """

    set_id: str
    sequence: int
    issuer: str
    index: str
    began: datetime
    signed_by: str = ""
    signed_key: str = ""
    volumes: Mapping[int, datetime] = field(default_factory=dict)
    parts: Mapping[str, datetime] = field(default_factory=dict)
    arrived: Mapping[str, Arrived] = field(default_factory=dict)
    completed: datetime | None = None
    rollback: str = ""
    receipts: tuple[tuple[datetime, int], ...] = ()


def damaged(says: str, where: str) -> DamagedError:
    """The error for the record at `where`, which can't be read: the way out of it."""
    folder = where.rpartition("/")[0]
    return DamagedError(
        f"what is known of a media set cannot be read: {says}",
        where=where,
        hint=f"put it aside, its number stays used: mv {folder} {folder}{ASIDE}; then write or receive the set again",
    )


def write_sent(sent: Sent) -> bytes:
    """The record's bytes."""
    return _pack(
        {
            "schema": _SENT,
            "set": sent.set_id,
            "sequence": sent.sequence,
            "issuer": sent.issuer,
            "plan": sent.plan,
            "platform": sent.platform,
            "for": sent.meant_for,
            "volumes": sent.volumes,
            "manifest": sent.manifest,
            "begun": sent.begun.isoformat(),
            "written": {str(n): at.isoformat() for n, at in sorted(sent.written.items())},
        }
    )


def read_sent(data: bytes, where: str) -> Sent:
    """The record of these bytes. Raises DamagedError with the way out."""
    with_problems = _Fields(_unpack(data, _SENT, where), where)
    return with_problems.made(
        lambda f: Sent(
            set_id=f.hexadecimal("set", 16),
            sequence=f.number("sequence"),
            issuer=f.hexadecimal("issuer"),
            plan=f.hexadecimal("plan", 64),
            platform=f.text("platform"),
            meant_for=f.text("for"),
            volumes=f.number("volumes"),
            manifest=f.hexadecimal("manifest", 64),
            begun=f.moment("begun"),
            written=f.numbered_moments("written"),
        )
    )


def write_received(received: ReceivedSet) -> bytes:
    """The record's bytes."""
    return _pack(
        {
            "schema": _RECEIVED,
            "set": received.set_id,
            "sequence": received.sequence,
            "issuer": received.issuer,
            "index": received.index,
            "began": received.began.isoformat(),
            "signed_by": received.signed_by,
            "signed_key": received.signed_key,
            "volumes": {str(n): at.isoformat() for n, at in sorted(received.volumes.items())},
            "parts": {path: at.isoformat() for path, at in received.parts.items()},
            "arrived": {p: [a.sha256, a.how, a.at.isoformat()] for p, a in received.arrived.items()},
            "completed": received.completed.isoformat() if received.completed else None,
            "rollback": received.rollback,
            "receipts": [[at.isoformat(), count] for at, count in received.receipts],
        }
    )


def read_received(data: bytes, where: str) -> ReceivedSet:
    """The record of these bytes. Raises DamagedError with the way out."""
    with_problems = _Fields(_unpack(data, _RECEIVED, where), where)
    return with_problems.made(
        lambda f: ReceivedSet(
            set_id=f.hexadecimal("set", 16),
            sequence=f.number("sequence"),
            issuer=f.hexadecimal("issuer"),
            index=f.hexadecimal("index", 64),
            began=f.moment("began"),
            signed_by=f.text("signed_by"),
            signed_key=f.text("signed_key"),
            volumes=f.numbered_moments("volumes"),
            parts={path: f.as_moment(at, "/parts") for path, at in f.table("parts").items()},
            arrived={path: _arrived(f, path, row) for path, row in f.table("arrived").items()},
            completed=f.moment("completed") if f.found["completed"] is not None else None,
            rollback=f.text("rollback"),
            receipts=tuple((f.as_moment(at, "/receipts"), int(count)) for at, count in f.array("receipts")),
        )
    )


def _arrived(fields: _Fields, path: str, row: Any) -> Arrived:  # noqa: ANN401 - any JSON value
    sha256, how, at = row
    return Arrived(path, str(sha256), str(how), fields.as_moment(at, "/arrived"))


def _pack(document: Mapping[str, Any]) -> bytes:
    body = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode() + b"\n"
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def _unpack(data: bytes, schema: str, where: str) -> Mapping[str, Any]:
    checksum, _, body = data.partition(b"\n")
    if hashlib.sha256(body).hexdigest().encode() != checksum:
        raise damaged("its record is not what was written", where)
    try:
        found = json_read.loads(body, where)
    except InputError as error:
        raise damaged(error.says, where) from error
    if not isinstance(found, dict) or found.get("schema") != schema:
        raise damaged("its record is of another format: a newer bundlekeeper may have written it", where)
    return found


class _Fields:
    """Values of one record, by their names."""

    def __init__(self, found: Mapping[str, Any], where: str) -> None:
        self.found, self._where = found, where
        self._reader = JsonReader("its record", where)

    def made(self, make: Callable[[_Fields], _T]) -> _T:
        """What `make` makes of the fields. Raises DamagedError where it cannot be."""
        try:
            return make(self)
        except (InputError, KeyError, TypeError, ValueError) as error:
            says = error.says if isinstance(error, InputError) else f"{type(error).__name__}: {str(error)[:120]}"
            problem: DamagedError = damaged(f"its record does not hold together ({says})", self._where)
            raise problem from error

    def text(self, key: str) -> str:
        return self._reader.text(self.found[key], f"/{key}", empty=True, most=limits.SET_RECORD_BYTES)

    def hexadecimal(self, key: str, digits: int | None = None) -> str:
        return self._reader.hexadecimal(self.found[key], f"/{key}", digits)

    def number(self, key: str) -> int:
        return self._reader.number(self.found[key], f"/{key}", least=1)

    def moment(self, key: str) -> datetime:
        return self._reader.moment(self.found[key], f"/{key}")

    def numbered_moments(self, key: str) -> dict[int, datetime]:
        rows = self._reader.numbered(self.found[key], f"/{key}", MAX_VOLUMES)
        return {number: self.as_moment(at, place) for number, place, at in rows}

    def as_moment(self, value: object, at: str) -> datetime:
        return self._reader.moment(value, at)

    def table(self, key: str) -> Mapping[str, Any]:
        return self._reader.mapping(self.found[key], f"/{key}", 1_000_000)

    def array(self, key: str) -> list[Any]:
        return self._reader.array(self.found[key], f"/{key}", limits.SET_RECORD_BYTES)
