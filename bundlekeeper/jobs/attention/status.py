"""What needs attention today, over the store, the ledger, the kept plans and the media sets.

Rules: one session, one snapshot; no bundle is read; a part that is damaged is an item of its own, and the other parts
are still asked; a store without anything in it answers that there is nothing yet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from bundlekeeper.errors import DamagedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.jobs.attention import of_ledger, of_plans, of_sets, of_store
from bundlekeeper.jobs.attention.items import AttentionItem, Concern, Matter, items
from bundlekeeper.jobs.session import Session
from bundlekeeper.jobs.store.listing import StoreList, store_list

_ENDED = Matter("acceptance that ended", "acceptances that ended", "bundlekeeper store list --accepted")
_DAMAGE = Matter("part damaged", "parts damaged", "bundlekeeper help store")


@dataclass(frozen=True, slots=True)
class Attention:
    """The items, worst first; `findings` are all that they are made from. `verified` counts bundles, of `in_store`;
    `stored` is what the store's part was made from."""

    root: Path
    at: datetime
    manifest: str
    in_store: int
    verified: int
    bytes: int
    components_known: bool
    items: list[AttentionItem]
    findings: list[Finding]
    stored: StoreList

    @property
    def is_empty(self) -> bool:
        """True where nothing was put into the store and nothing recorded."""
        return not (self.in_store or self.manifest or self.components_known or self.findings)

    @property
    def accepted(self) -> int:
        """How many findings were accepted."""
        return sum(bool(found.accepted) for found in self.findings)


def status(session: Session) -> Attention:
    """What needs attention. Raises InputError where there is no store; LockedError, RefusedError, UnfinishedError."""
    stored = store_list(session)
    found = [*of_store.concerns(session, stored)]
    for ask in (lambda: of_ledger.concerns(session), lambda: of_sets.concerns(session), lambda: of_plans.concerns(())):
        found += _asked(ask)
    judged = session.judged(concern.finding for concern in found)
    found = [concern.judged(finding_) for concern, finding_ in zip(found, judged, strict=True)]
    found += (Concern(ended, _ENDED) for ended in _ended(session))
    counts = stored.counts
    newest = stored.manifests[-1] if stored.manifests else None
    return Attention(
        session.root,
        session.now(),
        f"{newest.platform}, sequence {newest.sequence}" if newest is not None else "",
        counts["in_store"],
        counts["verified"],
        counts["bytes"],
        session.ledger_is_there,
        items(found),
        [concern.finding for concern in found],
        stored,
    )


def _ended(session: Session) -> Iterator[Finding]:
    """The acceptances that count no more. Their findings count again wherever they are still found."""
    for entry in session.acceptances:
        if entry not in session.acceptances_now:
            message = f"ended on {entry.until}: {entry.reason}"
            hint = f"look at it again; accept it again, or take its entry out of {session.root / 'store.toml'}"
            yield finding("acceptance-ended", f"{entry.code}: {entry.subject}", message, hint)


def _asked(ask: Callable[[], Iterable[Concern]]) -> Iterator[Concern]:
    try:
        yield from [*ask()]
    except DamagedError as error:
        yield Concern(finding("damaged", error.where, error.message, error.hint), _DAMAGE)
