"""What several tests share with those of verification/signatures/test_minisign.py."""

from __future__ import annotations

import base64
import hashlib

from cryptography.hazmat.primitives.asymmetric import ed25519

from bundlekeeper.verification.keys import minisign_key
from bundlekeeper.verification.keys.public_key import PublicKey
from bundlekeeper.verification.signatures import minisign
from tests.kits.signing_world import digests, private

MESSAGE = b"marram-blade-6.1.0.bin\n" * 30


KEY_ID = b"marram26"


COMMENT = b"holm main site, release 6.1"


def public_file(which: int = 0, key_id: bytes = KEY_ID, raw: bytes | None = None) -> bytes:
    key = private("ed25519", which)
    assert isinstance(key, ed25519.Ed25519PrivateKey)
    point = raw or key.public_key().public_bytes_raw()
    return b"untrusted comment: minisign public key\n" + base64.b64encode(b"Ed" + key_id + point) + b"\n"


def signed(
    message: bytes = MESSAGE, *, kind: bytes = b"ED", key_id: bytes = KEY_ID, comment: bytes = COMMENT, which: int = 0
) -> bytes:
    """A signature file, made by the format's description alone."""
    key = private("ed25519", which)
    assert isinstance(key, ed25519.Ed25519PrivateKey)
    first = key.sign(hashlib.blake2b(message).digest() if kind == b"ED" else message)
    second = key.sign(first + comment)
    lines = [
        b"untrusted comment: made in a test",
        base64.b64encode(kind + key_id + first),
        b"trusted comment: " + comment,
        base64.b64encode(second),
        b"",
    ]
    return b"\n".join(lines)


def verify(data: bytes, message: bytes = MESSAGE, key: PublicKey | None = None) -> None:
    minisign.verify(
        minisign.parse(data),
        key=key or minisign_key.read_public_key(public_file()),
        digests=digests(message),
        whole=lambda _limit: message,
    )
