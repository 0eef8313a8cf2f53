"""Where a digest comes from: the words for one that was computed from the file that it is meant to verify."""

from __future__ import annotations

OWN_COPY = "own copy"  # a manifest's `digest_from`


def is_own_copy(digest_from: str | None) -> bool:
    """True when a `digest_from` states that the digest is the file's own; blanks around and case do not matter."""
    return (digest_from or "").strip().casefold() == OWN_COPY
