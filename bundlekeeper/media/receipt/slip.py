"""A receipt short enough for printed: what arrived of a set, when, and the state of the ledger there. Pure.

Rules: the code shows that it was copied correctly; only a signature in it shows who wrote it, and a signature is
optional (Ed25519, 64 bytes, over the same bytes in the namespace of receipts); it has no events, only counts: events
come in a file; what is too long is given as a count and never left out in silence.
Form, before it becomes lines: version, flags, set id, sequence, beginning of the index's SHA-256, minutes since 1970,
site, number of files, which are missing, the ledger's count and the beginning of its head, counts for each domain, four
bytes of SHA-256 over all that, the signature.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime

from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import visible
from bundlekeeper.frozen import dataclass
from bundlekeeper.media.receipt.typed_lines import from_lines, to_lines

VERSION = 1
SIGNATURE_BYTES = 64
#: What is signed begins so: the bytes of a printed receipt never pass for a receipt's file.
SIGNED_PREFIX = b"bundlekeeper printed receipt 1\n"
_CHECK = 4
_ALL, _BITMAP, _LIST, _COUNT = range(4)
_MOST_BYTES = 200  # for the list of missing files: 16 lines
_MAX_FILES = 100_000
MAX_DOMAINS = 12
_MAX_NAME = 40  # bytes of a site's or domain's name


@dataclass(frozen=True, slots=True)
class DomainCount:
    """A domain: its components, on how many something is staged, how many differ from the ledger."""

    domain: str
    components: int
    staged: int
    differs: int


@dataclass(frozen=True, slots=True)
class Slip:
    """What a printed receipt says. `missing` are the numbers of files in the index's order, from 0, or None where only
    `missing_count` fitted; `index` and `head` are beginnings: 8 and 16 hexadecimal digits; `made` is to the minute."""

    set_id: str
    sequence: int
    index: str
    made: datetime
    site: str
    files: int
    missing: tuple[int, ...] | None
    missing_count: int
    ledger_count: int
    head: str
    domains: tuple[DomainCount, ...] = ()
    more_domains: int = 0
    signature: bytes = b""


def signed_bytes(slip: Slip) -> bytes:
    """What the signature is over."""
    return SIGNED_PREFIX + _body(slip)


def lines_of(slip: Slip) -> list[str]:
    """The code's lines. Raises InputError for what cannot be in it."""
    body = _body(slip)
    return to_lines(body + hashlib.sha256(body).digest()[:_CHECK] + slip.signature)


def read(text: str) -> Slip:
    """The slip of typed or scanned lines. Raises InputError with every line that is wrong among its problems."""
    data = from_lines(text)
    reader = _Reader(data)
    slip = reader.slip()
    body, check = data[: reader.at], reader.bytes_(_CHECK)
    if hashlib.sha256(body).digest()[:_CHECK] != check:
        raise InputError("the lines do not belong together", hint="are they from two receipts?")
    rest = data[reader.at :]
    if len(rest) not in (0, SIGNATURE_BYTES) or bool(rest) != reader.signed:
        raise InputError("the code does not end where it must")
    return _with(slip, rest)


def cut(name: str) -> str:
    """A site's or domain's name, cut to what fits on printed."""
    return name.encode()[:_MAX_NAME].decode("utf-8", "ignore")


def _with(slip: Slip, signature: bytes) -> Slip:
    from dataclasses import replace

    return replace(slip, signature=signature)


def _body(slip: Slip) -> bytes:
    mode, missing = _missing_out(slip)
    found = bytearray((VERSION, mode | bool(slip.signature) << 7))
    found += bytes.fromhex(slip.set_id) + _number(slip.sequence) + bytes.fromhex(slip.index)
    found += _number(int(slip.made.timestamp()) // 60) + _text(cut(slip.site).encode())
    found += _number(slip.files) + missing + _number(slip.ledger_count) + bytes.fromhex(slip.head)
    domains = slip.domains[:MAX_DOMAINS]
    found += _number(len(domains)) + _number(slip.more_domains + len(slip.domains) - len(domains))
    for count in domains:
        found += _text(cut(count.domain).encode())
        found += _number(count.components) + _number(count.staged) + _number(count.differs)
    return bytes(found)


def _missing_out(slip: Slip) -> tuple[int, bytes]:
    """The shortest form of the list of missing files."""
    if slip.missing_count == 0:
        return _ALL, b""
    if slip.missing is None:
        return _COUNT, _number(slip.missing_count)
    bitmap = bytearray(-(-slip.files // 8))
    for number in slip.missing:
        bitmap[number // 8] |= 128 >> number % 8
    steps = [b - a for a, b in zip((-1, *slip.missing), slip.missing, strict=False)]
    listed = _number(len(steps)) + b"".join(_number(step) for step in steps)
    forms: Sequence[tuple[int, bytes]] = [(_BITMAP, bytes(bitmap)), (_LIST, listed)]
    mode, shortest = min(forms, key=lambda form: len(form[1]))
    return (mode, shortest) if len(shortest) <= _MOST_BYTES else (_COUNT, _number(slip.missing_count))


def _number(value: int) -> bytes:
    """Seven bits in a byte; the highest bit says that more bytes follow."""
    found = [value & 127]
    while value := value >> 7:
        found.append(value & 127 | 128)
    return bytes(reversed(found))


def _text(data: bytes) -> bytes:
    return bytes((len(data),)) + data


class _Reader:
    """Reads a slip's bytes; impossible values are refused."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.at = 0
        self.signed = False

    def bytes_(self, count: int) -> bytes:
        piece = self._data[self.at : self.at + count]
        if len(piece) != count:
            raise InputError("the code is too short")
        self.at += count
        return piece

    def number(self, most: int = 2**62) -> int:
        value = 0
        while True:
            (byte,) = self.bytes_(1)
            value = value << 7 | byte & 127
            if value > most:
                raise InputError("the code has an impossible number")
            if byte < 128:
                return value

    def text(self) -> str:
        data = self.bytes_(self.bytes_(1)[0])
        try:
            return visible(data.decode())
        except UnicodeDecodeError as e:
            raise InputError("the code has a name that is no text") from e

    def slip(self) -> Slip:
        version, flags = self.bytes_(2)
        if version != VERSION:
            raise InputError(f"the code has version {version}; this bundlekeeper reads version {VERSION}")
        self.signed, mode = bool(flags & 128), flags & 127
        set_id, sequence, index = self.bytes_(8).hex(), self.number(), self.bytes_(4).hex()
        made = datetime.fromtimestamp(self.number(253_402_300_799 // 60) * 60, UTC)  # to the year 9999
        site, files = self.text(), self.number(_MAX_FILES)
        missing, count = self._missing(mode, files)
        ledger_count, head = self.number(), self.bytes_(8).hex()
        shown, more = self.number(MAX_DOMAINS), self.number()
        domains = tuple(DomainCount(self.text(), self.number(), self.number(), self.number()) for _ in range(shown))
        return Slip(set_id, sequence, index, made, site, files, missing, count, ledger_count, head, domains, more)

    def _missing(self, mode: int, files: int) -> tuple[tuple[int, ...] | None, int]:
        if mode == _ALL:
            return (), 0
        if mode == _COUNT:
            return None, self.number(files)
        if mode == _BITMAP:
            bitmap = self.bytes_(-(-files // 8))
            found = tuple(n for n in range(files) if bitmap[n // 8] & 128 >> n % 8)
        elif mode == _LIST:
            steps, at, rows = self.number(files), -1, []
            for _ in range(steps):
                at += self.number(files)
                rows.append(at)
            found = tuple(rows)
        else:
            raise InputError("the code lists missing files in an unknown form")
        if any(number >= files for number in found):
            raise InputError("the code names a file that the set does not have")
        return found, len(found)
