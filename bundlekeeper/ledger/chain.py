"""The hash chain of one store: what was learned, in which order, and that nothing of it was taken away since.

Rules: head(0) is the SHA-256 of a line and the book's own random id, head(n) the SHA-256 of head(n-1) and the id of
event n; when an event was learned is not in it; a head that was printed once is found again in every later state of
the same chain, and in no chain that forked before it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

_PREFIX = b"bundlekeeper ledger 1\n"


@dataclass(frozen=True, slots=True)
class Head:
    """The state of a chain: whose, how many events, and the digest over all of them. All hexadecimal."""

    book: str
    count: int
    digest: str


@dataclass(frozen=True, slots=True)
class Fork:
    """Two chains of one book that part: after `common` events they agree no more (None: it cannot be told where)."""

    book: str
    common: int | None
    says: str


def genesis(book: bytes) -> bytes:
    """The head of an empty chain."""
    return hashlib.sha256(_PREFIX + book).digest()


def link(head: bytes, event_id: bytes) -> bytes:
    """The head after one more event."""
    return hashlib.sha256(head + event_id).digest()


def walk(head: bytes, ids: Iterable[bytes]) -> Iterator[bytes]:
    """The head after each of the ids."""
    for event_id in ids:
        head = link(head, event_id)
        yield head


def fork_of(book: str, ours: Sequence[bytes], theirs: Sequence[bytes], offset: int = 0) -> Fork | None:
    """Compare two lists of event ids of one book, both after its first `offset` events, on which both agree.

    None where one list continues the other.
    """
    common = next((i for i, (a, b) in enumerate(zip(ours, theirs, strict=False)) if a != b), None)
    if common is None:
        return None
    here, there = len(ours) - common, len(theirs) - common
    says = (
        f"this ledger and the other are copies of one that went on separately: they agree on {common + offset} events, "
        f"then {here} follow here and {there} there"
    )
    return Fork(book, common + offset, says)
