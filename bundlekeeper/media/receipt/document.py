"""The receipt of a media set: what arrived, verified how, what is missing, and the ledger's events, in one signed file.

Rules: a receipt claims nothing that was not read here; it is a header, one line of canonical JSON, and after it the
lines of `ledger.exchange`, unchanged; the signature (SSHSIG, purpose receipts) covers the whole file; the reader uses
nothing before the signature is good, and merges exactly the bytes that were verified; reading a receipt twice, or
receipts in another order, gives the same result. It has all events unless the user asks for fewer: an earlier receipt
may never have arrived.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import field
from datetime import datetime
from typing import Any, NamedTuple

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import (
    JsonDocument,
    array,
    converted,
    flag,
    hexadecimal,
    mapping,
    moment,
    named,
    nested,
    optional,
    table,
    text,
    whole,
)
from bundlekeeper.frozen import dataclass
from bundlekeeper.media.set.records import Arrived, ReceivedSet
from bundlekeeper.media.set.withdrawal_notice import Withdrawn
from bundlekeeper.model.media.index import DIGEST, MAX_FILES, SetIndex

#: The text for a file that arrived, with the date of its verification, but was deleted or put into quarantine since.
NOT_IN_STORE = "verified at the destination, not in the store there now"
_WORDS = text(empty=True)


@dataclass(frozen=True, slots=True)
class MissingFile:
    """A file of the set that did not arrive whole, and the volumes with what is missing of it."""

    path: str = field(metadata=_WORDS)
    sha256: str = field(metadata=DIGEST)
    volumes: tuple[int, ...] = field(metadata=array(whole(), MAX_FILES))


@dataclass(frozen=True, slots=True)
class DomainSummary:
    """A domain when the receipt was written: its components, on how many something is staged, how many differ from
    their record."""

    site: str = field(metadata=_WORDS)
    domain: str = field(metadata=_WORDS)
    components: int = field(metadata=whole())
    staged: int = field(metadata=whole())
    differs: int = field(metadata=whole())


class _Manifest(NamedTuple):
    sequence: int
    sha256: str


_IN_FORCE = converted(table(_Manifest, {"sequence": whole(), "sha256": DIGEST}), tuple, lambda pair: _Manifest(*pair))


@dataclass(frozen=True, slots=True)
class Receipt:
    """What a receipt says before its events.

    `head` is the ledger's head after `count` events; those after number `after` follow where `events` is true.
    `manifest` is the sequence and SHA-256 of the manifest in force there, `reported_by` the person who wrote the
    receipt.
    """

    made: datetime = field(metadata=moment())
    site: str = field(metadata=_WORDS)
    reported_by: str = field(metadata=_WORDS)
    set_id: str = field(metadata=named("set/id", hexadecimal(16)))
    name: str = field(metadata=named("set/name", _WORDS))
    issuer: str = field(metadata=named("set/issuer", hexadecimal()))
    sequence: int = field(metadata=named("set/sequence", whole()))
    index: str = field(metadata=named("set/index", DIGEST))
    meant_for: str = field(metadata=named("set/for", _WORDS))
    volumes: int = field(metadata=named("set/volumes", whole()))
    began: datetime = field(metadata=moment())
    completed: datetime | None = field(metadata=optional(moment()))
    came: Mapping[int, datetime] = field(metadata=named("volumes", mapping(moment(), MAX_FILES, numbered=True)))
    arrived: tuple[Arrived, ...] = field(metadata=array(nested(Arrived), MAX_FILES))
    missing: tuple[MissingFile, ...] = field(metadata=array(nested(MissingFile), MAX_FILES))
    ledger: str = field(metadata=named("ledger/id", hexadecimal()))
    count: int = field(metadata=named("ledger/count", whole()))
    head: str = field(metadata=named("ledger/head", DIGEST))
    after: int = field(metadata=named("ledger/after", whole()))
    events: bool = field(metadata=flag())
    manifest: tuple[int, str] | None = field(default=None, metadata=optional(_IN_FORCE))
    withdrawn: tuple[Withdrawn, ...] = field(default=(), metadata=array(nested(Withdrawn), MAX_FILES))
    domains: tuple[DomainSummary, ...] = field(default=(), metadata=array(nested(DomainSummary), MAX_FILES))

    @property
    def stored(self) -> Mapping[str, int]:
        """How many files arrived, by level of verification, of those in the store when the receipt was written."""
        return Counter(file.how for file in self.arrived if file.how != NOT_IN_STORE)

    @property
    def not_in_store(self) -> tuple[Arrived, ...]:
        """What arrived but was no longer in the store when the receipt was written."""
        return tuple(arrived for arrived in self.arrived if arrived.how == NOT_IN_STORE)


def receipt_of(
    index: SetIndex,
    received: ReceivedSet,
    *,
    made: datetime,
    site: str,
    reported_by: str,
    **rest: Any,  # noqa: ANN401
) -> Receipt:
    """The receipt of a set as it was received; `rest` are the fields about the ledger and the manifest."""
    missing = []
    for file in index.files:
        if file.path not in received.arrived:
            parts = file.parts[:1] if file.common else [part for part in file.parts if part.path not in received.parts]
            missing.append(MissingFile(file.path, file.sha256, tuple(sorted({part.volume for part in parts}))))
    return Receipt(
        made=made,
        site=site,
        reported_by=reported_by,
        set_id=index.set_id,
        name=index.name,
        issuer=index.issuer,
        sequence=index.sequence,
        index=received.index,
        meant_for=index.meant_for,
        volumes=index.volumes,
        began=received.began,
        completed=received.completed,
        came=dict(received.volumes),
        arrived=tuple(received.arrived[file.path] for file in index.files if file.path in received.arrived),
        missing=tuple(missing),
        **rest,
    )


_RECEIPT = JsonDocument(
    Receipt,
    "bundlekeeper.receipt/1",
    what="the receipt's header",
    kind="receipt",
    hint="write one with: bundlekeeper receipt write --out FILE --key KEY",
    limit=limits.RECEIPT_HEADER_BYTES,
)


def write_header(receipt: Receipt) -> bytes:
    """The header's line."""
    return _RECEIPT.write(receipt)


def read_header(line: bytes, where: str = "") -> Receipt:
    """Read a header strictly. Raises InputError: as `JsonDocument.read`, and for one in another form."""
    receipt = _RECEIPT.read(line, where)
    if write_header(receipt) != line:
        raise InputError("the receipt's header is not in the form in which it is written: it was changed", where=where)
    return receipt
