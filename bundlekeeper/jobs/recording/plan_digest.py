"""The digest of the plan that an entry is about, by whatever the plan is named."""

from __future__ import annotations

import hashlib
import re

from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.session import Session

_DIGEST = re.compile(r"[0-9a-f]{64}")


def plan_digest(session: Session, word: str) -> str:
    """The SHA-256 of a plan: of a kept name or the first digits of a digest, else of a file; a whole digest and the
    empty word are themselves.

    Raises InputError for what is neither; DamagedError, UnfinishedError.
    """
    if not word or _DIGEST.fullmatch(word):
        return word
    kept = session.plans.find(word) if "/" not in word else None
    if kept is not None:
        return kept.sha256
    return hashlib.sha256(read_bounded(word, limits.ROUTE_BYTES, "the plan")).hexdigest()
