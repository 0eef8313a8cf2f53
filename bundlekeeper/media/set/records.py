"""The records of media sets as types, and their form on the disk: strict JSON with its own checksum.

Rules: no file is touched here; a record that is not exactly what was written is refused as damaged, and the hint says
what to do; its size has a limit. Form: one line with the SHA-256 of what follows, then JSON with sorted keys.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import field
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
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.media.index import DIGEST, MAX_FILES, MAX_VOLUMES

#: The end of the name that the user gives to a folder whose record cannot be read.
DAMAGED = ".damaged"
#: The level of verification of a file that was read at the place where the set is used; no other words are used for it.
VERIFIED_HERE = "verified at the destination"
#: The same for a bundle that was in the store before the set came: it was not read from a volume.
IN_STORE_BEFORE = "already in the store, verified at the destination"
_T = TypeVar("_T")
_WORDS = text(empty=True, most=limits.SET_RECORD_BYTES)
_MOMENTS = mapping(moment(), MAX_VOLUMES, numbered=True)


@dataclass(frozen=True, slots=True)
class Sent:
    """A set that this store sends: `packing` is the SHA-256 of its packing, `written` when each volume was verified,
    `kept` the SHA-256 of its index and of the signature as they were kept; () until then."""

    set_id: str = field(metadata=named("set", hexadecimal(16)))
    sequence: int = field(metadata=whole(1))
    issuer: str = field(metadata=hexadecimal())
    packing: str = field(metadata=DIGEST)
    platform: str = field(metadata=_WORDS)
    meant_for: str = field(metadata=named("for", _WORDS))
    volumes: int = field(metadata=whole(1))
    manifest: str = field(metadata=DIGEST)
    begun: datetime = field(metadata=moment())
    written: Mapping[int, datetime] = field(default_factory=dict, metadata=_MOMENTS)
    kept: tuple[str, ...] = field(default=(), metadata=array(DIGEST, 2))

    @property
    def whole(self) -> bool:
        """True when every volume was written and verified."""
        return len(self.written) == self.volumes


@dataclass(frozen=True, slots=True)
class Arrived:
    """A file of a set that arrived and was verified here; `how` is one of the texts for that, `at` says when."""

    path: str = field(metadata=text(empty=True))
    sha256: str = field(metadata=DIGEST)
    how: str = field(metadata=text(empty=True))
    at: datetime = field(metadata=moment())


_ARRIVED = converted(
    mapping(row(DIGEST, _WORDS, moment()), MAX_FILES),
    lambda rows: {path: Arrived(path, *fields) for path, fields in rows.items()},
    lambda arrived: {path: (file.sha256, file.how, file.at) for path, file in arrived.items()},
)


@dataclass(frozen=True, slots=True)
class ReceivedSet:
    """A set that this store receives, or received.

    `index` is the SHA-256 of its index, `volumes` says when each volume was first seen whole, `parts` the parts of
    split files that were received and verified (path of the part, when), `arrived` the files by their path in the set,
    `rollback` the reason for which an older set was allowed, `receipts` when receipts were written and after how many
    events of the ledger.
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
    """The error for the record at `where`, which cannot be read; its hint says what to do."""
    folder = where.rpartition("/")[0]
    return DamagedError(
        f"the record of a media set cannot be read: {message}",
        where=where,
        hint=f"rename its folder: mv {folder} {folder}{DAMAGED}; its number stays used; then write or receive it again",
    )


def write_sent(sent: Sent) -> bytes:
    """The record's bytes."""
    return _packed(_SENT.write(sent))


def read_sent(data: bytes, where: str) -> Sent:
    """The record of these bytes. Raises DamagedError, whose hint says what to do."""
    return _unpacked(_SENT, data, where)


def write_received(received: ReceivedSet) -> bytes:
    """The record's bytes."""
    return _packed(_RECEIVED.write(received))


def read_received(data: bytes, where: str) -> ReceivedSet:
    """The record of these bytes. Raises DamagedError, whose hint says what to do."""
    return _unpacked(_RECEIVED, data, where)


def _packed(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def _unpacked(document: JsonDocument[_T], data: bytes, where: str) -> _T:
    checksum, _, body = data.partition(b"\n")
    if hashlib.sha256(body).hexdigest().encode() != checksum:
        raise damaged("it is not what was written", where)
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
    kind="record of a set that was received",
    limit=limits.SET_RECORD_BYTES,
)
