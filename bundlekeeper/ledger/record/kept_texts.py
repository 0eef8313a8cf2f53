"""The texts of inventories that a ledger keeps, compressed, under their SHA-256."""

from __future__ import annotations

import hashlib
import zlib
from codecs import getincrementaldecoder
from collections.abc import Iterator

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits

_PIECE_BYTES = 256 * 1024
LOAD_HINT = (
    "load the same inventory again (bundlekeeper inventory load FILE): its text is stored again, nothing else changes"
)


def inventory_wrong(digest: str) -> str:
    """The message about a kept text that is not what it was."""
    return f"the text of the inventory {digest[:12]}… is not what it was"


def unpacked(packed: object, digest: str) -> str | None:
    """The text of a row of `document`; None where it is not the text with this SHA-256."""
    try:
        data = zlib.decompress(packed) if isinstance(packed, bytes) else b""
        return data.decode() if hashlib.sha256(data).hexdigest() == digest else None
    except (zlib.error, UnicodeDecodeError):
        return None


def digest_of(packed: bytes) -> str:
    """The SHA-256 of a compressed text. Raises InputError for one that is too large, ValueError, zlib.error."""
    digest, decoder, total = hashlib.sha256(), getincrementaldecoder("utf-8")(), 0
    for piece in _pieces(packed):
        total += len(piece)
        if total > limits.INVENTORY_BYTES * 2:
            raise InputError("it has a document that is larger than an inventory can be")
        digest.update(piece)
        decoder.decode(piece)
    decoder.decode(b"", final=True)
    return digest.hexdigest()


def _pieces(packed: bytes) -> Iterator[bytes]:
    """The text piece by piece, so that it is never whole in memory. Raises ValueError, zlib.error."""
    unpacking = zlib.decompressobj()
    while not unpacking.eof:
        piece = unpacking.decompress(packed, _PIECE_BYTES)
        packed = unpacking.unconsumed_tail
        if not piece and not packed and not unpacking.eof:
            raise ValueError("it is cut short")
        yield piece
    if unpacking.unused_data:
        raise ValueError("something follows it")
