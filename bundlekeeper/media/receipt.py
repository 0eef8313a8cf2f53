"""The receipt of a media set: what arrived, proven how, what is missing, and the ledger's events, in one signed file.

Rules: a receipt claims nothing that was not read here; it is a header, one line of canonical JSON, and after it the
lines of `ledger.exchange` word for word; the signature (SSHSIG, purpose receipts) is over the whole file; whoever reads
it believes nothing before that is good, and merges the very bytes that were verified; twice is the same as once, in any
order. All events go along unless the user asks for fewer: an earlier receipt may never have arrived.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.media.notice import Withdrawn
from bundlekeeper.media.set_records import Arrived, Received
from bundlekeeper.model import strict_json
from bundlekeeper.model.media import MAX_FILES, SetIndex
from bundlekeeper.model.text import visible

SCHEMA = "bundlekeeper.receipt/1"
MAX_HEADER_BYTES = 64 * 1024 * 1024
MAX_RECEIPT_BYTES = 8 * 1024 * 1024 * 1024
_HEX = re.compile(r"[0-9a-f]+")
_KEYS = {
    *("schema", "made", "site", "by", "set", "began", "completed", "volumes", "arrived", "missing", "withdrawn"),
    *("manifest", "standing", "ledger", "events"),
}
_SET_KEYS = {"id", "name", "issuer", "sequence", "index", "for", "volumes"}


@dataclass(frozen=True, slots=True)
class Missing:
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
    missing: tuple[Missing, ...]
    book: str
    count: int
    head: str
    after: int
    events: bool
    manifest: tuple[int, str] | None = None
    withdrawn: tuple[Withdrawn, ...] = ()
    standing: tuple[Stands, ...] = field(default=())


def receipt_of(
    index: SetIndex,
    received: Received,
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
            missing.append(Missing(each.path, each.sha256, tuple(sorted({p.volume for p in parts}))))
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
    if len(line) > MAX_HEADER_BYTES:
        raise InputError(f"the receipt's first line is longer than {MAX_HEADER_BYTES} bytes", where=where)
    found = strict_json.loads(line, where)
    schema = found.get("schema") if isinstance(found, dict) else None
    if not isinstance(found, dict) or not isinstance(schema, str) or not schema.startswith("bundlekeeper.receipt/"):
        raise InputError("this is no receipt", where=where, hint="bundlekeeper media receipt --out FILE writes one")
    if schema != SCHEMA:
        raise InputError(f"the receipt is of format {visible(schema)[:80]}, this version reads {SCHEMA}", where=where)
    try:
        receipt = _read(found)
    except (KeyError, TypeError, ValueError) as error:
        says = f"{type(error).__name__}: {visible(str(error))[:120]}"
        raise InputError(f"the receipt does not hold together: {says}", where=where) from error
    if write_header(receipt) != line:
        raise InputError("the receipt is not written as one is: its bytes were changed", where=where)
    return receipt


def _read(found: Mapping[str, Any]) -> Receipt:
    _keys(found, _KEYS)
    of_set, ledger, manifest = found["set"], found["ledger"], found["manifest"]
    _keys(of_set, _SET_KEYS)
    _keys(ledger, {"book", "count", "head", "after"})
    if manifest is not None:
        _keys(manifest, {"sequence", "sha256"})
    return Receipt(
        made=_moment(found["made"]),
        site=_text(found["site"]),
        by=_text(found["by"]),
        set_id=_hexadecimal(of_set["id"], 16),
        name=_text(of_set["name"]),
        issuer=_hexadecimal(of_set["issuer"]),
        sequence=_whole(of_set["sequence"]),
        index=_hexadecimal(of_set["index"], 64),
        meant_for=_text(of_set["for"]),
        volumes=_whole(of_set["volumes"]),
        began=_moment(found["began"]),
        completed=None if found["completed"] is None else _moment(found["completed"]),
        came={int(number): _moment(at) for number, at in _table(found["volumes"]).items()},
        arrived=tuple(_arrived(row) for row in _array(found["arrived"])),
        missing=tuple(_missing(row) for row in _array(found["missing"])),
        withdrawn=tuple(_withdrawn(row) for row in _array(found["withdrawn"])),
        manifest=None if manifest is None else (_whole(manifest["sequence"]), _hexadecimal(manifest["sha256"], 64)),
        standing=tuple(_stands(row) for row in _array(found["standing"])),
        book=_hexadecimal(ledger["book"]),
        count=_whole(ledger["count"]),
        head=_hexadecimal(ledger["head"], 64),
        after=_whole(ledger["after"]),
        events=found["events"] is True,
    )


def _arrived(row: Mapping[str, Any]) -> Arrived:
    _keys(row, {"path", "sha256", "how", "at"})
    return Arrived(_text(row["path"]), _hexadecimal(row["sha256"], 64), _text(row["how"]), _moment(row["at"]))


def _missing(row: Mapping[str, Any]) -> Missing:
    _keys(row, {"path", "sha256", "volumes"})
    return Missing(
        _text(row["path"]), _hexadecimal(row["sha256"], 64), tuple(_whole(n) for n in _array(row["volumes"]))
    )


def _withdrawn(row: Mapping[str, Any]) -> Withdrawn:
    _keys(row, {"family", "version", "file", "sha256", "why"})
    return Withdrawn(
        _text(row["family"]),
        _text(row["version"]),
        _text(row["file"]),
        _hexadecimal(row["sha256"], 64),
        _text(row["why"]),
    )


def _stands(row: Mapping[str, Any]) -> Stands:
    _keys(row, {"site", "domain", "parts", "staged", "differs"})
    return Stands(
        _text(row["site"]), _text(row["domain"]), _whole(row["parts"]), _whole(row["staged"]), _whole(row["differs"])
    )


def _keys(found: object, keys: set[str]) -> None:
    if not isinstance(found, dict) or set(found) != keys:
        raise ValueError(f"the keys {', '.join(sorted(keys))} are due")


def _table(found: object) -> Mapping[str, Any]:
    if not isinstance(found, dict) or len(found) > MAX_FILES:
        raise TypeError("an object is due")
    return found


def _array(found: object) -> Sequence[Any]:
    if not isinstance(found, list) or len(found) > MAX_FILES:
        raise TypeError("an array is due")
    return found


def _text(found: object) -> str:
    if not isinstance(found, str) or len(found) > 4096:
        raise TypeError("a text is due")
    return found


def _whole(found: object) -> int:
    if not isinstance(found, int) or isinstance(found, bool) or found < 0:
        raise TypeError("a whole number is due")
    return found


def _hexadecimal(found: object, digits: int | None = None) -> str:
    text = _text(found)
    if not _HEX.fullmatch(text) or len(text) > 128 or (digits and len(text) != digits):
        raise ValueError("hexadecimal digits are due")
    return text


def _moment(found: object) -> datetime:
    moment = datetime.fromisoformat(_text(found))
    if moment.tzinfo is None:
        raise ValueError("a time without a zone")
    return moment


__all__ = ["Missing", "Receipt", "Stands", "read_header", "receipt_of", "write_header"]
