"""minisign's public keys (its documented file format, jedisct1.github.io/minisign): read, and refused when weak."""

from __future__ import annotations

from cryptography.hazmat.primitives.asymmetric import ed25519

from bundlekeeper.errors import InputError
from bundlekeeper.verification.encodings.wire import strict_base64
from bundlekeeper.verification.keys.public_key import PublicKey, checked, refuse_weak_point

LEGACY = b"Ed"
UNTRUSTED = b"untrusted comment: "


def read_public_key(data: bytes, *, where: str = "") -> PublicKey:
    """Read a minisign public key: its file of two lines, or the bare base64 line.

    Raises InputError when it is none, RefusedError when the key is weak.
    """
    lines = lines_of(data)
    if len(lines) == 2 and lines[0].startswith(UNTRUSTED):
        del lines[0]
    raw = strict_base64(lines[0]) if len(lines) == 1 and len(lines[0]) < 100 else None
    if raw is None or len(raw) != 42 or raw[:2] != LEGACY:
        raise InputError("not a minisign public key", where=where, hint="give the .pub file that minisign -G wrote")
    refuse_weak_point(raw[10:])
    return checked(ed25519.Ed25519PublicKey.from_public_bytes(raw[10:]), key_id=raw[2:10])


def lines_of(data: bytes) -> list[bytes]:
    """The lines of a file of minisign, without their ends."""
    return [line.removesuffix(b"\r") for line in data.removesuffix(b"\n").split(b"\n")]
