"""The hash chain of one store: what was learned, in which order, and that nothing of it was removed since.

Rules: head(0) is the SHA-256 of a line and the ledger's own random id; head(n) is the SHA-256 of head(n-1) and the id
of event n; the time when an event was learned is not in it; a head that was printed once is in every later state of
the same chain, and in no chain that forked before it.
"""

from __future__ import annotations

import hashlib

from bundlekeeper.frozen import dataclass

_PREFIX = b"bundlekeeper ledger 1\n"


@dataclass(frozen=True, slots=True)
class Head:
    """The state of a chain: whose, how many events, and the digest over all of them. All hexadecimal."""

    ledger: str
    count: int
    digest: str


@dataclass(frozen=True, slots=True)
class Fork:
    """Two chains of one ledger that part: they agree on `common` events and on no later one (None: not known)."""

    ledger: str
    common: int | None
    message: str


def genesis(ledger: bytes) -> bytes:
    """The head of an empty chain."""
    return hashlib.sha256(_PREFIX + ledger).digest()


def link(head: bytes, event_id: bytes) -> bytes:
    """The head after one more event."""
    return hashlib.sha256(head + event_id).digest()
