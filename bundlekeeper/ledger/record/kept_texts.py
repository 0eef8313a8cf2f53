"""The texts of inventories that a ledger keeps, compressed, under their SHA-256."""

from __future__ import annotations

import hashlib
import zlib

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
