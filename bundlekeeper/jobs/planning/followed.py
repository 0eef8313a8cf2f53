"""A plan's document beside today: what changed that the plan did not, how far it is, and what is left of it.

Rules: today's facts are those that a plan is made from; entries of the ledger count from the moment when the plan was
made, and those that bear its digest at any time; with an inventory of a file nothing of the ledger counts.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import RefusedError
from bundlekeeper.findings import Finding
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.formats.moments import Moment
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.ledger.record.ledger import LedgerEntry
    from bundlekeeper.model.route.dated_windows import DatedWindow
    from bundlekeeper.model.route.document import RouteDocument
    from bundlekeeper.model.route.planned_work import PlannedWork
    from bundlekeeper.planning.progress.rest import PlanRest
    from bundlekeeper.planning.progress.types import Heard, PlanProgress

_HEARD = frozenset({"staged", "activated", "observed", "failed", "no-answer", "skipped"})


@dataclass(frozen=True, slots=True)
class Followed:
    """A document with what became of it; `changed` are the differences that it did not make itself."""

    document: RouteDocument
    work: PlannedWork
    changed: tuple[Finding, ...]
    progress: PlanProgress

    @property
    def rest(self) -> PlanRest:
        """What is left of the plan."""
        from bundlekeeper.planning.progress.rest import rest_of

        return rest_of(self.document.plan, self.work, self.progress.items)

    @property
    def is_begun(self) -> bool:
        """True when something of the plan was done, or tried, or left out."""
        from bundlekeeper.planning.progress.types import Outcome

        return any(row.outcome is not Outcome.LEFT for row in self.progress.items)

    @property
    def dated(self) -> dict[int, DatedWindow]:
        """The dates of the windows that are still to come, by number: what is tried again has none of its own."""
        next_window = self.progress.next_window or len(self.work.windows) + 1
        return {w.number: w.dated for w in self.work.windows if w.dated is not None and w.number >= next_window}


def follow(session: Session, given: Inputs, document: RouteDocument, *, from_ledger: bool) -> Followed:
    """What became of a document. Raises InputError for one that is not whole; as `read_inputs`."""
    from bundlekeeper.model.route.document import differences, inventory_facts, manifest_facts
    from bundlekeeper.model.route.planned_work import planned_work
    from bundlekeeper.planning.fleet.manifest_index import ManifestIndex
    from bundlekeeper.planning.progress.compare import followed
    from bundlekeeper.planning.progress.judge import progress

    work, index = planned_work(document), ManifestIndex(given.manifest)
    heard = _heard(session, work, document) if from_ledger else {}

    def same(kind: str, a: str, b: str) -> bool:
        return index.scale(kind).same(a, b)

    inventory = inventory_facts(given.inventory, document.plan.domain, index.by_policy)
    now = {"manifest": manifest_facts(given.manifest, given.manifest_sha256), "inventory": inventory}
    touched = {key for key, rows in heard.items() if any(row.own for row in rows)}
    then = {**document.inputs, "inventory": followed(document.inputs["inventory"], inventory, work, same, touched)}
    changed = tuple(differences(then, now))
    return Followed(document, work, changed, progress(work, inventory["components"], heard, same))


def insist_unchanged(followed: Followed, name: str, more: str = "") -> None:
    """Refuse a document of which something changed that it did not change itself; `more` is added to the hint.

    Raises RefusedError with every difference.
    """
    if followed.changed:
        plan = followed.document.plan
        message = "the plan was made from other inputs than there are now"
        hint = f"bundlekeeper route {plan.domain} --to {plan.release} --continues {shlex.quote(name)} makes it again"
        raise RefusedError(message, hint=hint + more, where=name, problems=followed.changed)


def _heard(session: Session, work: PlannedWork, document: RouteDocument) -> dict[str, list[Heard]]:
    """What the ledger has about each component of the plan since it was made, in the order in which it happened."""
    if not session.is_there or not session.ledger_is_there:
        return {}
    from bundlekeeper.ledger.ask.where import history

    made_us = made_at(document).at_us
    found: dict[str, list[Heard]] = {}
    for key in work.of:
        rows = [entry for entry in history(session.ledger, key) if not entry.void and entry.event.what in _HEARD]
        found[key] = list(_since(rows, made_us, document.sha256))
    return found


def _since(rows: Iterable[LedgerEntry], made_us: int, sha256: str) -> Iterable[Heard]:
    from bundlekeeper.planning.progress.types import Heard

    for entry in rows:
        event = entry.event
        own = event.plan == sha256
        if own or event.at.at_us >= made_us:
            version = (event.seen.active or "") if event.what == "observed" else event.version
            yield Heard(event.what.value, version, event.at.text(), event.reported_by, event.reason, own)


def made_at(document: RouteDocument) -> Moment:
    """When a plan was made; 1970 where it does not say so."""
    from bundlekeeper.formats import moments

    made = document.raw.get("made_at")
    try:
        return moments.at(datetime.fromisoformat(str(made)))
    except ValueError:
        return moments.Moment(0, is_day=False, zone="UTC")
