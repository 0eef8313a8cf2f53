"""Bounded, strict readers for the small binary and text encodings that keys and signatures come in.

Rules: every length is checked before it is used; what is left over is an error; base64 and integers are read in
their one canonical spelling only, so that two different files never mean the same signature. The SSH types are
those of RFC 4251 §5.
"""

from __future__ import annotations

import base64
import binascii
import re
from typing import NamedTuple

from bundlekeeper.errors import InputError

_PEM = re.compile(
    rb"^-----BEGIN ([A-Z0-9 ]{1,40})-----[ \t]*\r?\n(.*?)^-----END \1-----[ \t]*\r?$", re.DOTALL | re.MULTILINE
)


class WireReader:
    """Reads bytes, and RFC 4251 strings and numbers, off a blob, front to back."""

    def __init__(self, blob: bytes) -> None:
        self._blob = blob
        self._at = 0

    def take(self, count: int) -> bytes:
        """The next `count` bytes. Raises InputError when fewer are left."""
        if count > len(self._blob) - self._at:
            raise InputError(f"ends {count - (len(self._blob) - self._at)} bytes too early")
        self._at += count
        return self._blob[self._at - count : self._at]

    def uint32(self) -> int:
        """The next four bytes as a number. Raises InputError at the end."""
        return int.from_bytes(self.take(4), "big")

    def string(self) -> bytes:
        """The next length-prefixed string. Raises InputError when it is longer than what is left."""
        return self.take(self.uint32())

    def mpint(self) -> int:
        """The next positive multiple-precision integer in its shortest form. Raises InputError for any other."""
        raw = self.string()
        value = int.from_bytes(raw, "big")
        if not raw or raw[0] & 0x80 or ssh_mpint(value)[4:] != raw:
            raise InputError("has a number that is zero, negative or padded")
        return value

    @property
    def at(self) -> int:
        """How many bytes were read."""
        return self._at

    @property
    def at_end(self) -> bool:
        """True when nothing is left."""
        return self._at == len(self._blob)

    def end(self) -> None:
        """Raises InputError when anything is left."""
        if self._at != len(self._blob):
            raise InputError(f"has {len(self._blob) - self._at} bytes after its end")


def ssh_string(value: bytes) -> bytes:
    """`value` with its length before it (RFC 4251 §5)."""
    return len(value).to_bytes(4, "big") + value


def ssh_mpint(value: int) -> bytes:
    """A positive number as an mpint (RFC 4251 §5)."""
    return ssh_string(value.to_bytes(value.bit_length() // 8 + 1, "big"))


def strict_base64(text: bytes) -> bytes | None:
    """Decode base64 (RFC 4648 §4) broken into lines or not; None for anything but its canonical spelling."""
    lines = [line.removesuffix(b"\r") for line in text.removesuffix(b"\n").split(b"\n")]
    if not all(lines):
        return None  # no program writes an empty line
    joined = b"".join(lines)
    try:
        decoded = base64.b64decode(joined, validate=True)
    except (binascii.Error, ValueError):
        return None
    return decoded if base64.b64encode(decoded) == joined else None


def pem_blocks(data: bytes) -> list[tuple[str, bytes]]:
    """Every PEM block (RFC 7468) as label and bytes, in order; text between the blocks is allowed.

    Raises InputError for a block whose body is not base64, or a begin line without its end.
    """
    found: list[tuple[str, bytes]] = []
    for match in _PEM.finditer(data):
        body = strict_base64(match[2])
        if body is None:
            raise InputError(f"the block {match[1].decode('ascii')} is not base64")
        found.append((match[1].decode("ascii"), body))
    if len(found) != data.count(b"-----BEGIN "):
        raise InputError("a BEGIN line has no END line of its own")
    return found


class Der(NamedTuple):
    """One element: its tag, its content, and all of it."""

    tag: int
    body: bytes
    whole: bytes


def der_parts(data: bytes) -> list[Der]:
    """The elements that follow each other in `data`, by DER (X.690 §10.1: definite lengths only).

    Raises InputError for long tags, indefinite or padded lengths, and for an element that is longer than what is left.
    """
    found: list[Der] = []
    reader = WireReader(data)
    while not reader.at_end:
        start = reader.at
        tag, length = reader.take(1)[0], reader.take(1)[0]
        if tag & 0x1F == 0x1F or length == 0x80:
            raise InputError("is not DER (long tags or indefinite lengths)")
        if length > 0x80:
            encoded = reader.take(length & 0x7F)
            length = int.from_bytes(encoded, "big")
            if encoded[0] == 0 or length < 0x80:
                raise InputError("is not DER (a padded length)")
        body = reader.take(length)
        found.append(Der(tag, body, data[start : reader.at]))
    return found
