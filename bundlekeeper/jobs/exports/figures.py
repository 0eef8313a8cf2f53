"""The figures for monitoring: what `status` and `store list` know, as numbers.

Rules: no bundle is read; what could not be asked has no figure, because nothing is not zero.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from bundlekeeper.jobs.attention.status import Attention, status
from bundlekeeper.jobs.exports.origin import ExportOrigin
from bundlekeeper.jobs.session import Session

#: By finding code: what is still to be done or found out about a component.
_OPEN = ("not-activated", "not-read-back", "activation-failed", "no-answer")


@dataclass(frozen=True, slots=True)
class Figures:
    """What needs attention; by finding code how many components, None where the ledger did not answer; when the last
    entry of the ledger was learned, None where there is none."""

    attention: Attention
    components: Mapping[str, int] | None
    last_entry: datetime | None


def figures(session: Session, origin: ExportOrigin) -> Figures:
    """The figures as of now. Raises InputError where there is no store; LockedError, RefusedError, UnfinishedError."""
    found = status(session)
    head = origin.head
    if head is None or any(problem.code == "damaged" for problem in found.findings):
        return Figures(found, None, None)
    counts = Counter(problem.code for problem in found.findings)
    last = next(session.ledger.entries(after=head.count - 1), None) if head.count else None
    return Figures(found, {code: counts[code] for code in _OPEN}, last.learned.utc() if last is not None else None)
