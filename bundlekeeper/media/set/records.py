"""The records of media sets as types, and their form on the disk: strict JSON with its own checksum.

Rules: no file is touched here; a record that is not exactly what was written is refused as damaged, with the way out;
what it holds is bounded. Form: one line with the SHA-256 of what follows, then JSON with sorted keys.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeVar

from bundlekeeper.errors import DamagedError, InputError
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import (
    JsonDocument,
    array,
    converted,
    hexadecimal,
    mapping,
    moment,
    named,
    optional,
    row,
    text,
    whole,
)
from bundlekeeper.model.media.index import DIGEST, MAX_FILES, MAX_VOLUMES

#: The end of the name of a folder that the user put aside because its record could not be read.
ASIDE = ".damaged"
#: The level of verification that reading at the place where the set is used gives; no other word is used for it.
PROVEN = "verified at the destination"
#: The same of a bundle that was there before the set came; nothing was read from a volume then.
STORED = "in the store before, verified at the destination"
_T = TypeVar("_T")
_WORDS = text(empty=True, most=limits.SET_RECORD_BYTES)
_MOMENTS = mapping(moment(), MAX_VOLUMES, numbered=True)


@dataclass(frozen=True, slots=True)
class Sent:
    """A set that this store sends: `plan` is the SHA-256 of its plan, `written` when each volume was verified."""

    set_id: str = field(metadata=named("set", hexadecimal(16)))
    sequence: int = field(metadata=whole(1))
    issuer: str = field(metadata=hexadecimal())
    plan: str = field(metadata=DIGEST)
    platform: str = field(metadata=_WORDS)
    meant_for: str = field(metadata=named("for", _WORDS))
    volumes: int = field(metadata=whole(1))
    manifest: str = field(metadata=DIGEST)
    begun: datetime = field(metadata=moment())
    written: Mapping[int, datetime] = field(default_factory=dict, metadata=_MOMENTS)

    @property
    def whole(self) -> bool:
        """True when every volume was written and verified."""
        return len(self.written) == self.volumes


@dataclass(frozen=True, slots=True)
class Arrived:
    """A file of a set that arrived and was verified here; `how` is one of the words for that, `at` when."""

    path: str = field(metadata=text(empty=True))
    sha256: str = field(metadata=DIGEST)
    how: str = field(metadata=text(empty=True))
    at: datetime = field(metadata=moment())


_ARRIVED = converted(
    mapping(row(DIGEST, _WORDS, moment()), MAX_FILES),
    lambda rows: {path: Arrived(path, *told) for path, told in rows.items()},
    lambda arrived: {path: (each.sha256, each.how, each.at) for path, each in arrived.items()},
)


@dataclass(frozen=True, slots=True)
class ReceivedSet:
    """A set that comes, or came, here.

    `index` is the SHA-256 of its index, `volumes` when each volume was first seen whole, `parts` the parts of split
    files that are in and verified (path of the part, when), `arrived` the files by their path in the set, `rollback` why
    an older set was let in, `receipts` when receipts were written and after how many events of the ledger.
    """

    set_id: str = field(metadata=named("set", hexadecimal(16)))
    sequence: int = field(metadata=whole(1))
    issuer: str = field(metadata=hexadecimal())
    index: str = field(metadata=DIGEST)
    began: datetime = field(metadata=moment())
    signed_by: str = field(default="", metadata=_WORDS)
    signed_key: str = field(default="", metadata=_WORDS)
    volumes: Mapping[int, datetime] = field(default_factory=dict, metadata=_MOMENTS)
    parts: Mapping[str, datetime] = field(default_factory=dict, metadata=mapping(moment(), 1_000_000))
    arrived: Mapping[str, Arrived] = field(default_factory=dict, metadata=_ARRIVED)
    completed: datetime | None = field(default=None, metadata=optional(moment()))
    rollback: str = field(default="", metadata=_WORDS)
    receipts: tuple[tuple[datetime, int], ...] = field(default=(), metadata=array(row(moment(), whole()), 1_000_000))


def damaged(message: str, where: str) -> DamagedError:
    """The error for the ledger at `where`, which can't be read: the way out of it."""
    folder = where.rpartition("/")[0]
    return DamagedError(
        f"what is known of a media set cannot be read: {message}",
        where=where,
        hint=f"put it aside, its number stays used: mv {folder} {folder}{ASIDE}; then write or receive the set again",
    )


def write_sent(sent: Sent) -> bytes:
    """The ledger's bytes."""
    return _packed(_SENT.write(sent))


def read_sent(data: bytes, where: str) -> Sent:
    """The record of these bytes. Raises DamagedError with the way out."""
    return _unpacked(_SENT, data, where)


def write_received(received: ReceivedSet) -> bytes:
    """The ledger's bytes."""
    return _packed(_RECEIVED.write(received))


def read_received(data: bytes, where: str) -> ReceivedSet:
    """The record of these bytes. Raises DamagedError with the way out."""
    return _unpacked(_RECEIVED, data, where)


def _packed(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def _unpacked(document: JsonDocument[_T], data: bytes, where: str) -> _T:
    checksum, _, body = data.partition(b"\n")
    if hashlib.sha256(body).hexdigest().encode() != checksum:
        raise damaged("its record is not what was written", where)
    try:
        return document.read(body, where)
    except InputError as error:
        raise damaged(error.message, where) from error


_SENT = JsonDocument(
    Sent,
    "bundlekeeper.set-sent/1",
    what="its record",
    kind="record of a set that was sent",
    limit=limits.SET_RECORD_BYTES,
)
_RECEIVED = JsonDocument(
    ReceivedSet,
    "bundlekeeper.set-received/1",
    what="its record",
    kind="record of a set that came",
    limit=limits.SET_RECORD_BYTES,
)
