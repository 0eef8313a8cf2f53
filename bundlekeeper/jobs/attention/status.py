"""What needs attention today, over the store, the ledger, the kept plans and the media sets.

Rules: one session, one snapshot; no bundle is read; a part that is damaged is an item of its own, and the other parts
are still asked; a store without anything in it answers that there is nothing yet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import datetime
from pathlib import Path

from bundlekeeper.errors import DamagedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.attention import of_ledger, of_plans, of_sets, of_store
from bundlekeeper.jobs.attention.items import AttentionItem, Concern, Matter, items
from bundlekeeper.jobs.following.open_plans import under_way
from bundlekeeper.jobs.session import LEDGER, Session
from bundlekeeper.jobs.store.listing import StoreList, store_list

_ENDED = Matter("acceptance that ended", "acceptances that ended", "bundlekeeper store list --accepted")
_LEDGER_DAMAGE = Matter("damaged ledger", "damaged ledgers", "bundlekeeper ledger verify")
_DAMAGE = Matter("part damaged", "parts damaged", "bundlekeeper help store")


@dataclass(frozen=True, slots=True)
class Attention:
    """The items, worst first; `findings` are all that they are made from, `stored` what the store's part is.

    `verified` counts bundles, of those `in_store`; those that are `missing` are not in it.
    """

    root: Path
    at: datetime
    manifest: str
    in_store: int
    verified: int
    missing: int
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
    damaged: dict[str, Concern] = {}
    asks: tuple[Callable[[], Iterable[Concern]], ...] = (
        lambda: of_ledger.concerns(session), lambda: of_sets.concerns(session),
        lambda: of_plans.concerns(under_way(session)),
    )  # fmt: skip
    with _one_ledger(session):
        for ask in asks:
            try:
                found += [*ask()]
            except DamagedError as error:
                matter = _LEDGER_DAMAGE if error.where.endswith(LEDGER) else _DAMAGE
                told = finding("damaged", error.where, error.message, error.hint)
                damaged.setdefault(error.where, Concern(told, matter))
    found = [concern for concern in found if concern.finding.subject not in damaged] + [*damaged.values()]
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
        counts["missing"],
        counts["bytes"],
        bool(damaged) or session.ledger_is_there,
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


@contextmanager
def _one_ledger(session: Session) -> Iterator[None]:
    """One snapshot of the ledger for all questions; a damaged one is reported by what asks it first."""
    with ExitStack() as stack:
        with suppress(DamagedError):
            if session.ledger_is_there:
                stack.enter_context(session.ledger.reading())
        yield
