"""The receipt of a media set: what arrived, proven how, what is missing, and the ledger's events, in one signed file.

Rules: a receipt claims nothing that was not read here; it is a header, one line of canonical JSON, and after it the
lines of `ledger.exchange` word for word; the signature (SSHSIG, purpose receipts) is over the whole file; whoever reads
it believes nothing before that is good, and merges the very bytes that were verified; twice is the same as once, in any
order. All events go along unless the user asks for fewer: an earlier receipt may never have arrived.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.json_fields import JsonReader
from bundlekeeper.media.set.records import Arrived, ReceivedSet
from bundlekeeper.media.set.withdrawal_notice import Withdrawn
from bundlekeeper.model.media.index import MAX_FILES, SetIndex

SCHEMA = "bundlekeeper.receipt/1"
#: What is said of a file that arrived, with the date of its proof, where it was deleted or put into quarantine since.
NOT_HELD = "proven at the destination, not held there now"
_KEYS = {
    *("schema", "made", "site", "by", "set", "began", "completed", "volumes", "arrived", "missing", "withdrawn"),
    *("manifest", "standing", "ledger", "events"),
}
_SET_KEYS = {"id", "name", "issuer", "sequence", "index", "for", "volumes"}
_WITHDRAWN_KEYS = {"family", "version", "file", "sha256", "why"}
_STANDING_KEYS = {"site", "domain", "parts", "staged", "differs"}


@dataclass(frozen=True, slots=True)
class MissingBundle:
    """A file of the set that did not arrive, and the volumes that hold what is missing of it."""

    path: str
    sha256: str
    volumes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Stands:
    """How a domain stood when the receipt was written: parts, how many have something pending, how many differ."""

    site: str
    domain: str
    parts: int
    staged: int
    differs: int


@dataclass(frozen=True, slots=True)
class Receipt:
    """What a receipt says before its events. `head` is the ledger's head after `count` events, of which those after
    number `after` follow where `events` is true; `manifest` the sequence and SHA-256 of the manifest in force there."""

    made: datetime
    site: str
    by: str
    set_id: str
    name: str
    issuer: str
    sequence: int
    index: str
    meant_for: str
    volumes: int
    began: datetime
    completed: datetime | None
    came: Mapping[int, datetime]
    arrived: tuple[Arrived, ...]
    missing: tuple[MissingBundle, ...]
    book: str
    count: int
    head: str
    after: int
    events: bool
    manifest: tuple[int, str] | None = None
    withdrawn: tuple[Withdrawn, ...] = ()
    standing: tuple[Stands, ...] = field(default=())

    @property
    def held(self) -> Mapping[str, int]:
        """How many files arrived in which way, of those that were held when the receipt was written."""
        return Counter(file.how for file in self.arrived if file.how != NOT_HELD)

    @property
    def not_held(self) -> tuple[Arrived, ...]:
        """What arrived and was not held any more when the receipt was written."""
        return tuple(each for each in self.arrived if each.how == NOT_HELD)


def receipt_of(
    index: SetIndex,
    received: ReceivedSet,
    *,
    made: datetime,
    site: str,
    by: str,
    **rest: Any,  # noqa: ANN401
) -> Receipt:
    """The receipt of a set as it came; `rest` are the ledger's and the manifest's fields."""
    missing = []
    for each in index.files:
        if each.path not in received.arrived:
            parts = each.parts[:1] if each.common else [p for p in each.parts if p.path not in received.parts]
            missing.append(MissingBundle(each.path, each.sha256, tuple(sorted({p.volume for p in parts}))))
    return Receipt(
        made=made,
        site=site,
        by=by,
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
        arrived=tuple(received.arrived[f.path] for f in index.files if f.path in received.arrived),
        missing=tuple(missing),
        **rest,
    )


def write_header(receipt: Receipt) -> bytes:
    """The header's line."""
    document = {
        "schema": SCHEMA,
        "made": receipt.made.isoformat(),
        "site": receipt.site,
        "by": receipt.by,
        "set": {
            "id": receipt.set_id,
            "name": receipt.name,
            "issuer": receipt.issuer,
            "sequence": receipt.sequence,
            "index": receipt.index,
            "for": receipt.meant_for,
            "volumes": receipt.volumes,
        },
        "began": receipt.began.isoformat(),
        "completed": receipt.completed.isoformat() if receipt.completed else None,
        "volumes": {str(number): at.isoformat() for number, at in sorted(receipt.came.items())},
        "arrived": [
            {"path": a.path, "sha256": a.sha256, "how": a.how, "at": a.at.isoformat()} for a in receipt.arrived
        ],
        "missing": [{"path": m.path, "sha256": m.sha256, "volumes": list(m.volumes)} for m in receipt.missing],
        "withdrawn": [
            {"family": w.family, "version": w.version, "file": w.file, "sha256": w.sha256, "why": w.why}
            for w in receipt.withdrawn
        ],
        "manifest": None
        if receipt.manifest is None
        else {"sequence": receipt.manifest[0], "sha256": receipt.manifest[1]},
        "standing": [
            {"site": s.site, "domain": s.domain, "parts": s.parts, "staged": s.staged, "differs": s.differs}
            for s in receipt.standing
        ],
        "ledger": {"book": receipt.book, "count": receipt.count, "head": receipt.head, "after": receipt.after},
        "events": receipt.events,
    }
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode() + b"\n"


def read_header(line: bytes, where: str = "") -> Receipt:
    """Read a header strictly. Raises InputError: too large, no receipt, another format, a value that can't be."""
    if len(line) > limits.RECEIPT_HEADER_BYTES:
        raise InputError(f"the receipt's first line is longer than {limits.RECEIPT_HEADER_BYTES} bytes", where=where)
    found = json_read.loads(line, where)
    schema = found.get("schema") if isinstance(found, dict) else None
    if not isinstance(found, dict) or not isinstance(schema, str) or not schema.startswith("bundlekeeper.receipt/"):
        raise InputError("this is no receipt", where=where, hint="bundlekeeper media receipt --out FILE writes one")
    if schema != SCHEMA:
        raise InputError(f"the receipt is of format {visible(schema)[:80]}, this version reads {SCHEMA}", where=where)
    receipt = _read(JsonReader("the receipt", where), found)
    if write_header(receipt) != line:
        raise InputError("the receipt is not written as one is: its bytes were changed", where=where)
    return receipt


def _read(reader: JsonReader, found: object) -> Receipt:
    table = reader.table(found, "", _KEYS)
    of_set = reader.table(table["set"], "/set", _SET_KEYS)
    ledger = reader.table(table["ledger"], "/ledger", {"book", "count", "head", "after"})
    return Receipt(
        made=reader.moment(table["made"], "/made"),
        site=reader.text(table["site"], "/site", empty=True),
        by=reader.text(table["by"], "/by", empty=True),
        set_id=reader.hexadecimal(of_set["id"], "/set/id", 16),
        name=reader.text(of_set["name"], "/set/name", empty=True),
        issuer=reader.hexadecimal(of_set["issuer"], "/set/issuer", None),
        sequence=reader.number(of_set["sequence"], "/set/sequence"),
        index=reader.hexadecimal(of_set["index"], "/set/index", 64),
        meant_for=reader.text(of_set["for"], "/set/for", empty=True),
        volumes=reader.number(of_set["volumes"], "/set/volumes"),
        began=reader.moment(table["began"], "/began"),
        completed=None if table["completed"] is None else reader.moment(table["completed"], "/completed"),
        came={n: reader.moment(at, place) for n, place, at in reader.numbered(table["volumes"], "/volumes", MAX_FILES)},
        arrived=tuple(_arrived(*row) for row in _rows(reader, table, "arrived", {"path", "sha256", "how", "at"})),
        missing=tuple(_missing(*row) for row in _rows(reader, table, "missing", {"path", "sha256", "volumes"})),
        withdrawn=tuple(_withdrawn(*row) for row in _rows(reader, table, "withdrawn", _WITHDRAWN_KEYS)),
        manifest=_manifest(reader, table["manifest"]),
        standing=tuple(_stands(*row) for row in _rows(reader, table, "standing", _STANDING_KEYS)),
        book=reader.hexadecimal(ledger["book"], "/ledger/book", None),
        count=reader.number(ledger["count"], "/ledger/count"),
        head=reader.hexadecimal(ledger["head"], "/ledger/head", 64),
        after=reader.number(ledger["after"], "/ledger/after"),
        events=table["events"] is True,
    )


_Row = tuple[JsonReader, str, Mapping[str, object]]


def _rows(reader: JsonReader, table: Mapping[str, object], key: str, keys: set[str]) -> Iterator[_Row]:
    """The objects of an array, each with its place."""
    for number, row in enumerate(reader.array(table[key], f"/{key}", MAX_FILES)):
        at = f"/{key}/{number}"
        yield reader, at, reader.table(row, at, keys)


def _manifest(reader: JsonReader, found: object) -> tuple[int, str] | None:
    if found is None:
        return None
    table = reader.table(found, "/manifest", {"sequence", "sha256"})
    sequence = reader.number(table["sequence"], "/manifest/sequence")
    return sequence, reader.hexadecimal(table["sha256"], "/manifest/sha256", 64)


def _arrived(reader: JsonReader, at: str, row: Mapping[str, object]) -> Arrived:
    return Arrived(
        reader.text(row["path"], f"{at}/path", empty=True),
        reader.hexadecimal(row["sha256"], f"{at}/sha256", 64),
        reader.text(row["how"], f"{at}/how", empty=True),
        reader.moment(row["at"], f"{at}/at"),
    )


def _missing(reader: JsonReader, at: str, row: Mapping[str, object]) -> MissingBundle:
    volumes = reader.array(row["volumes"], f"{at}/volumes", MAX_FILES)
    return MissingBundle(
        reader.text(row["path"], f"{at}/path", empty=True),
        reader.hexadecimal(row["sha256"], f"{at}/sha256", 64),
        tuple(reader.number(n, f"{at}/volumes/{i}") for i, n in enumerate(volumes)),
    )


def _withdrawn(reader: JsonReader, at: str, row: Mapping[str, object]) -> Withdrawn:
    family, version, file, why = (
        reader.text(row[key], f"{at}/{key}", empty=True) for key in ("family", "version", "file", "why")
    )
    return Withdrawn(family, version, file, reader.hexadecimal(row["sha256"], f"{at}/sha256", 64), why)


def _stands(reader: JsonReader, at: str, row: Mapping[str, object]) -> Stands:
    site, domain = (reader.text(row[key], f"{at}/{key}", empty=True) for key in ("site", "domain"))
    parts, staged, differs = (reader.number(row[key], f"{at}/{key}") for key in ("parts", "staged", "differs"))
    return Stands(site, domain, parts, staged, differs)


__all__ = ["NOT_HELD", "MissingBundle", "Receipt", "Stands", "read_header", "receipt_of", "write_header"]
