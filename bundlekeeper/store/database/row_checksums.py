"""The rows of the store database as SQLite keeps them: columns, checksums, and our types from values and back.

Rules: a row's checksum is the CRC-32 (RFC 1952 §8) of the table's name and the values as text (null as `None`), joined
by NUL; it finds every turned bit and all but one in four billion other changes, and needs no hashlib, which every
command would have to load; a row is made into a type only after its checksum was found right, so a value that cannot
be read then is an internal error, not damage. A checksum finds accidental damage; it keeps nobody out.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from typing import Any, Generic, TypeVar

from bundlekeeper.frozen import dataclass
from bundlekeeper.store.database.rows import Admitted, Stated, StoredBundle, StoredImage, Verification
from bundlekeeper.store.disk.files import Fingerprint

T = TypeVar("T")
Values = tuple[Any, ...]
#: An exception that was allowed: when, what, subject, reason.
Exempt = tuple[datetime, str, str, str]


@dataclass(frozen=True, slots=True)
class RowTable(Generic[T]):
    """One table: its name, its columns without the checksum, those of its key, and how its rows are made.

    `noun` is the word for a row; `raw` are the columns whose text may be no UTF-8 (names of files).
    """

    name: str
    noun: str
    columns: tuple[str, ...]
    key: tuple[str, ...]
    values: Callable[[T], Values]
    make: Callable[[Values], T]
    raw: frozenset[str] = frozenset()

    def select(self, *, backwards: bool = False) -> str:
        """The query for every row in the order of the key: the columns, then the checksum."""
        order = ", ".join(f"{column} DESC" if backwards else column for column in self.key)
        return f"SELECT {', '.join(self.columns)}, checksum FROM {self.name} ORDER BY {order}"  # noqa: S608

    def key_of(self, values: Sequence[Any]) -> Values:
        """The key among a row's values."""
        return tuple(v for c, v in zip(self.columns, values, strict=True) if c in self.key)

    @property
    def put(self) -> str:
        """The statement that writes a row, over the one of its key if there is one; `bound` gives its values."""
        marks = ", ".join("CAST(? AS TEXT)" if column in self.raw else "?" for column in (*self.columns, "checksum"))
        rest = ", ".join(f"{c} = excluded.{c}" for c in (*self.columns, "checksum") if c not in self.key)
        return (
            f"INSERT INTO {self.name} ({', '.join(self.columns)}, checksum) VALUES ({marks}) "  # noqa: S608
            f"ON CONFLICT ({', '.join(self.key)}) DO UPDATE SET {rest}"
        )

    def bound(self, row: T) -> Values:
        """The row's values with its checksum, as `put` binds them."""
        values = self.values(row)
        pairs = zip(self.columns, values, strict=True)
        return (*(raw(v) if c in self.raw else v for c, v in pairs), checksum(self.name, values))

    def is_whole(self, values: Sequence[Any], found: object) -> bool:
        """True when the checksum that was read is that of the values that were read."""
        return checksum(self.name, values) == found


def checksum(table: str, values: Sequence[Any]) -> int:
    """A row's checksum."""
    return zlib.crc32("\0".join((table, *map(str, values))).encode("utf-8", "surrogatepass"))


def raw(text: str) -> bytes:
    """Text as the bytes SQLite keeps, also where a file name was no UTF-8 (PEP 383)."""
    return text.encode("utf-8", "surrogateescape")


def _signed(number: int) -> int:
    """An unsigned 64-bit number as the signed one that SQLite can hold; `% 2**64` turns it back."""
    return number - 2**64 if number >= 2**63 else number


def _signature_text(stated: Stated | None) -> str:
    return json.dumps([stated.file, stated.form, stated.key], separators=(",", ":")) if stated else ""


def _stated_from(text: str) -> Stated | None:
    return Stated(*json.loads(text)) if text else None


def _images_text(images: Iterable[StoredImage]) -> str:
    return json.dumps([[i.kind, list(i.models), i.version] for i in images], separators=(",", ":"))


def _images_from(text: str) -> tuple[StoredImage, ...]:
    return tuple(StoredImage(kind, tuple(models), version) for kind, models, version in json.loads(text))


#: Columns of a stored bundle whose text differs from the value: how it is written, how it is read.
_STORED_FORMS: dict[str, tuple[Callable[[Any], object], Callable[[Any], Any]]] = {
    "added_at": (datetime.isoformat, datetime.fromisoformat),
    "images": (_images_text, _images_from),
    "released": (lambda day: day.isoformat() if day else None, lambda text: date.fromisoformat(text) if text else None),
    "signature": (_signature_text, _stated_from),
}


def _stored_row(stored: StoredBundle) -> Values:
    plain = ((name, getattr(stored, name)) for name in STORED.columns)
    return tuple(_STORED_FORMS[name][0](value) if name in _STORED_FORMS else value for name, value in plain)


def _stored_from(row: Values) -> StoredBundle:
    cells: dict[str, Any] = dict(zip(STORED.columns, row, strict=True))
    return StoredBundle(
        **{name: _STORED_FORMS[name][1](cell) if name in _STORED_FORMS else cell for name, cell in cells.items()}
    )


def _manifest_row(row: tuple[int, Admitted]) -> Values:
    turn, admitted = row
    return (
        admitted.platform,
        admitted.sequence,
        admitted.sha256,
        admitted.place,
        admitted.issued.isoformat(),
        admitted.expires.isoformat() if admitted.expires else None,
        admitted.admitted_at.isoformat(),
        admitted.signed_by,
        admitted.signed_key,
        turn,
    )


def _manifest_from(row: Values) -> tuple[int, Admitted]:
    platform, sequence, sha256, place, issued, expires, at, signed_by, signed_key, turn = row
    until, since = date.fromisoformat(expires) if expires else None, datetime.fromisoformat(at)
    dates = date.fromisoformat(issued), until, since
    return turn, Admitted(platform, sequence, sha256, place, *dates, signed_by, signed_key)


def _verification_row(row: tuple[str, Verification]) -> Values:
    place, verification = row
    stamp = verification.fingerprint
    return (
        place,
        verification.sha256,
        verification.verified_at.isoformat(),
        stamp.size,
        stamp.mtime_ns,
        stamp.ctime_ns,
        _signed(stamp.inode),
        _signed(stamp.device),
        int(verification.trustworthy),
        " ".join(f"{name}:{digest}" for name, digest in verification.extra),
    )


def _verification_from(row: Values) -> tuple[str, Verification]:
    place, sha256, at, size, mtime_ns, ctime_ns, inode, device, trusted, digests = row
    fingerprint = Fingerprint(size, mtime_ns, ctime_ns, inode % 2**64, device % 2**64)
    extra = tuple((name, digest) for name, _, digest in (pair.partition(":") for pair in digests.split()))
    return place, Verification(sha256, datetime.fromisoformat(at), fingerprint, trusted == 1, extra)


def _exception_row(row: tuple[int, Exempt]) -> Values:
    number, (at, what, subject, reason) = row
    return number, at.isoformat(), what, subject, reason


def _exception_from(row: Values) -> tuple[int, Exempt]:
    number, at, what, subject, reason = row
    return number, (datetime.fromisoformat(at), what, subject, reason)


def _columns(names: str) -> tuple[str, ...]:
    return tuple(names.split())


STORED = RowTable(
    "bundle",
    "bundle",
    _columns(
        "place family version name size sha256 platform sequence digest_from lifecycle reason variant "
        "added_at added_from way_in images released signature"
    ),
    ("place",),
    _stored_row,
    _stored_from,
    frozenset({"place", "added_from"}),
)
MANIFEST = RowTable(
    "manifest",
    "manifest",
    _columns("platform sequence sha256 place issued expires admitted_at signed_by signed_key turn"),
    ("platform", "sequence"),
    _manifest_row,
    _manifest_from,
)
VERIFICATION = RowTable(
    "verification",
    "verification",
    _columns("place sha256 verified_at size mtime_ns ctime_ns inode device trustworthy digests"),
    ("place",),
    _verification_row,
    _verification_from,
    frozenset({"place"}),
)
EXCEPTION = RowTable(
    "exception",
    "exception",
    _columns("number at what subject reason"),
    ("number",),
    _exception_row,
    _exception_from,
    frozenset({"subject", "reason"}),
)
TABLES: tuple[RowTable[Any], ...] = (MANIFEST, STORED, VERIFICATION, EXCEPTION)
