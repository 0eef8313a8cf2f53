"""Plans that are kept: put into the store, listed, closed."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Finding
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.planning.followed import Followed, follow, insist_unchanged
from bundlekeeper.jobs.planning.inputs import InputFiles, read_inputs
from bundlekeeper.jobs.planning.plan_file import plan_data
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.model.route.document import RouteDocument
    from bundlekeeper.model.route.planned_work import PlannedWork
    from bundlekeeper.store.contents.kept_plans import KeptPlan


@dataclass(frozen=True, slots=True)
class Keeping:
    """What is said of a plan that is to be kept."""

    name: str = ""
    change: str = ""
    approved_by: str = ""
    reported_by: str | None = None


@dataclass(frozen=True, slots=True)
class PlanKept:
    """A plan that is kept; `is_new` is False where it was kept before. `findings` are about its rules and inputs,
    `continued` is the plan that was closed because this one goes on with it."""

    plan: KeptPlan
    is_new: bool
    findings: tuple[Finding, ...]
    continued: KeptPlan | None = None


@dataclass(frozen=True, slots=True)
class ListedPlan:
    """A kept plan with how far it is; None, and the reason, where that cannot be said."""

    plan: KeptPlan
    followed: Followed | None
    reason: str = ""


def keep_plan(session: Session, file: str, keeping: Keeping, files: InputFiles) -> PlanKept:
    """Keep a route document under its digest, once it is what this store would make of today.

    Raises InputError for what is no route document or a name that is in use, RefusedError for one whose inputs changed
    or that was edited; as `read_inputs`.
    """
    from bundlekeeper.formats import limits
    from bundlekeeper.model.route.document import read_document
    from bundlekeeper.store.contents.kept_plans import KeptPlan, name_of

    data = read_bounded(file, limits.ROUTE_BYTES, "the plan")
    if not data.strip():
        raise InputError("the file is empty", where=file, hint="bundlekeeper route DOMAIN --to RELEASE --out FILE")
    document = read_document(data, file)
    if document is None:
        hint = "bundlekeeper route DOMAIN --to RELEASE --out FILE writes one that has windows"
        raise InputError("a plan that was made by hand has no windows, and is not kept", where=file, hint=hint)
    given = read_inputs(session, files)
    followed = follow(session, given, document, from_ledger=files.inventory is None)
    insist_unchanged(followed, file)
    if not followed.work.steps:
        message = "there is nothing to do in this plan, so it is not kept"
        raise InputError(message, where=file, hint=f"bundlekeeper gaps {document.plan.domain} says what is open")
    findings = _insist_on_own(session, given, document, followed, file, files)
    digest, plan = hashlib.sha256(data).hexdigest(), document.plan
    kept = KeptPlan(
        digest, keeping.name or name_of(f"{plan.domain}-{plan.release}"), plan.domain, plan.release, session.now(),
        reporter(keeping.reported_by), keeping.change, keeping.approved_by, str(document.raw.get("continues") or ""),
    )  # fmt: skip
    plans = session.plans
    is_new = plans.keep(kept, data)
    kept = kept if is_new else plans.find(digest) or kept
    continued = close_continued(session, kept)
    mine = {digest, kept.continues}
    beside = [p.name for p in session.plans.kept() if p.is_open and p.domain == plan.domain and p.sha256 not in mine]
    if beside:
        session.tell(f"note: also open for {plan.domain}: plan {', '.join(beside)}; bundlekeeper plan close ends one")
    return PlanKept(kept, is_new, findings, continued)


def close_continued(session: Session, plan: KeptPlan) -> KeptPlan | None:
    """Close the plan that an open one goes on with, so that only one of them is due; None where it is not kept, or
    closed already. As `Session.ledger`."""
    before = next((other for other in session.plans.kept() if other.sha256 == plan.continues), None)
    if before is None or not (before.is_open and plan.is_open):
        return None
    return _closed(session, before, f"continued by {plan.name}", plan.reported_by)


def _insist_on_own(
    session: Session, given: Inputs, document: RouteDocument, followed: Followed, file: str, files: InputFiles
) -> tuple[Finding, ...]:  # fmt: skip
    """What is found of a plan whose windows are those that are made of its steps today.

    Raises RefusedError where they are not: somebody edited it.
    """
    from bundlekeeper.jobs.planning.report import findings_of_plan
    from bundlekeeper.jobs.planning.route import options_in, scheduled
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.progress.rest import judged

    fleet = Fleet(given.manifest, given.inventory)
    verdict = judged(fleet, followed.rest, given.holdings)
    options = options_in(document)
    planned = scheduled(given, fleet, verdict.route, options, followed)
    made = [(w.step, [(a.verb, a.key, a.version) for a in w.actions]) for w in planned.timeline.windows]
    rows = (document.raw.get("timeline") or {}).get("windows", ())
    said = [(w["step"], [(a["verb"], a["key"], a["version"]) for a in w["actions"]]) for w in rows]
    if not followed.is_begun and made != said:
        plan = document.plan
        hint = f"bundlekeeper route {plan.domain} --to {plan.release} --out FILE makes it again"
        raise RefusedError("its windows are not those of its steps: it was edited", where=file, hint=hint)
    return findings_of_plan(session, given, fleet, planned, options, files)


def listed_plans(session: Session, files: InputFiles, *, closed: bool) -> list[ListedPlan]:
    """The kept plans with how far they are, the open ones, or with `closed` all; newest first. As `read_inputs`."""
    from bundlekeeper.model.route.document import read_document

    plans = session.plans
    rows = [plan for plan in plans.kept() if plan.is_open or closed]
    if not rows:
        return []
    try:
        given = read_inputs(session, files)
    except (InputError, RefusedError) as error:
        return [ListedPlan(plan, None, error.message) for plan in rows]
    found = []
    for plan in rows:
        document = read_document(plans.data(plan.sha256), plan.name)
        followed = follow(session, given, document, from_ledger=files.inventory is None) if document else None
        found.append(ListedPlan(plan, followed))
    return found


def close_plan(session: Session, name: str, reason: str, reported_by: str | None) -> KeptPlan:
    """Close a kept plan, with a reason, by an entry of the ledger. Raises InputError; as `Session.ledger`."""
    if not reason.strip():
        raise InputError("a plan is closed with a reason", hint="--reason TEXT: done, or why it is given up")
    _, kept = plan_data(session, name)
    if kept is None:
        raise InputError("this is a file, not a kept plan", where=name, hint="bundlekeeper plan list")
    if not kept.is_open:
        raise InputError(f"it was closed by {kept.closed_by}: {kept.reason}", where=name)
    return _closed(session, kept, reason, reporter(reported_by, session.config.reported_by))


def _closed(session: Session, kept: KeptPlan, reason: str, who: str) -> KeptPlan:
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.event.events import Event, EventKind

    now = session.now()
    closed = Event(
        what=EventKind.PLAN_CLOSED, at=moments.at(now), reported_by=who, change=kept.change, plan=kept.sha256,
        reason=reason,
    )  # fmt: skip
    session.ledger.record([closed], now)
    return replace(kept, closed_at=now, closed_by=who, reason=reason)


@dataclass(frozen=True, slots=True)
class ShownPlan:
    """A plan as it was planned; `kept` is None for a file's."""

    name: str
    kept: KeptPlan | None
    document: RouteDocument
    work: PlannedWork


def shown_plan(session: Session, name: str) -> ShownPlan:
    """A plan as it was planned. Raises InputError for one that was made by hand; as `plan_data`."""
    from bundlekeeper.model.route.document import read_document
    from bundlekeeper.model.route.planned_work import planned_work

    data, kept = plan_data(session, name)
    document = read_document(data, kept.name if kept is not None else name)
    if document is None:
        raise InputError(
            "a plan that was made by hand shows itself", where=name, hint=f"bundlekeeper plan check {name}"
        )
    return ShownPlan(name, kept, document, planned_work(document))
