"""A plan in a file: read, checked against its inputs and the rules, and compared with the best route."""

from __future__ import annotations

import os
from dataclasses import replace
from difflib import get_close_matches
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.planning.followed import follow, insist_unchanged
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs, read_inputs
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.model.route.document import RouteDocument
    from bundlekeeper.model.route.hand_plan import Plan
    from bundlekeeper.planning.progress.types import PlanProgress
    from bundlekeeper.planning.route.check_plan import PlanVerdict
    from bundlekeeper.planning.route.types import NoRoute, Route
    from bundlekeeper.store.contents.kept_plans import KeptPlan


@dataclass(frozen=True, slots=True)
class CheckedPlan:
    """What the rules say of a plan, of a document of what is left of it; `sha256` and `progress` are the document's,
    None for a plan made by hand."""

    given: Inputs
    file: str
    sha256: str | None
    verdict: PlanVerdict
    compared: str
    progress: PlanProgress | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything that was found."""
        return (*self.given.findings, *self.verdict.findings)

    @property
    def route(self) -> dict[str, object]:
        """The plan's route as JSON has it."""
        from bundlekeeper.jobs.planning.route import plain

        return plain(self.verdict.route)


def check_plan(session: Session, file: str, files: InputFiles) -> CheckedPlan:
    """Check a file against the rules: a document whose inputs changed is refused, any other plan is judged.

    Raises InputError for what cannot be read; RefusedError; as `read_inputs`.
    """
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.progress.rest import judged
    from bundlekeeper.planning.route.check_plan import hold
    from bundlekeeper.planning.route.find import route

    given = read_inputs(session, files)
    plan, document = read_plan_file(session, file)
    fleet = Fleet(given.manifest, given.inventory)
    followed = None
    if document is None:
        verdict = hold(fleet, plan, given.holdings)
    else:
        followed = follow(session, given, document, from_ledger=files.inventory is None)
        insist_unchanged(followed, file)
        verdict = judged(fleet, followed.rest, given.holdings)
    left = tuple(server for server in verdict.route.left_out if server.reason)
    better = route(fleet, plan.domain, plan.release, given.holdings, given.judged_at, left)
    sha256 = document.sha256 if document is not None else None
    progress = followed.progress if followed is not None else None
    ruled = replace(verdict, findings=given.judged(verdict.findings, plan.domain))
    return CheckedPlan(given, file, sha256, ruled, _compared(verdict, better), progress)


def read_plan_file(session: Session, name: str) -> tuple[Plan, RouteDocument | None]:
    """A route document's plan with the document, or a plan that a person wrote; `name` is a kept plan's or a file's.

    Raises InputError, UnfinishedError, DamagedError, RefusedError.
    """
    from bundlekeeper.model.route.document import read_document
    from bundlekeeper.model.route.hand_plan import read_plan

    data, kept = plan_data(session, name)
    found = read_document(data, kept.name if kept is not None else name)
    if found is not None:
        return found.plan, found
    form = "json" if data.lstrip(b" \t\r\n").startswith(b"{") else "toml"
    return read_plan(data, name=name, form=form), None


def plan_data(session: Session, name: str) -> tuple[bytes, KeptPlan | None]:
    """The bytes of a plan and its record: that of a kept name or digest, else, with no record, of a file.

    Raises InputError, UnfinishedError, DamagedError, RefusedError.
    """
    if session.is_there and "/" not in name and name != "-":
        kept = session.plans.find(name)
        if kept is not None:
            return session.plans.data(kept.sha256), kept
        if not os.path.lexists(name):
            names = [plan.name for plan in session.plans.kept()]
            near = next(iter(get_close_matches(name, names, 1, 0.6)), "")
            hint = (
                f"did you mean {near}?" if near else "a plan is a file, a kept name or a digest: bundlekeeper plan list"
            )
            raise InputError("there is no such plan, kept or file", where=name, hint=hint)
    return read_bounded(name, limits.ROUTE_BYTES, "the plan"), None


def continued(session: Session, domain: str, name: str) -> RouteDocument | None:
    """The plan that is continued; None for none. Raises InputError for one of another domain."""
    if not name:
        return None
    plan, document = read_plan_file(session, name)
    if document is None or plan.domain != domain:
        hint = "bundlekeeper plan list shows the kept plans"
        raise InputError(f"this is no plan of {domain} that was kept or written by route", where=name, hint=hint)
    return document


def insist_on(plan: Plan, domain: str | None, release: str, file: str) -> None:
    """The domain and the release that were named, if any, are the plan's. Raises InputError."""
    for what, said, found in (("domain", domain or "", plan.domain), ("release", release, plan.release)):
        if said and said != found:
            raise InputError(f"the plan is for {what} {found}, not {said}", where=file)


def _compared(found: PlanVerdict, better: Route | NoRoute) -> str:
    """Whether a cheaper route exists, in words."""
    from bundlekeeper.planning.route.types import Route

    if not isinstance(better, Route):
        return "no allowed route was found at all: bundlekeeper route explains why"
    mine, best = found.route.cost, better.cost
    if best < mine:
        return (
            f"a shorter route exists: {counted(best[0], 'step')} instead of {mine[0]}, "
            f"{counted(best[1], 'server restart')} instead of {mine[1]}, "
            f"{best[2]} minutes of writing instead of {mine[2]}"
        )
    if mine < best:
        return "no allowed route is as short as this plan: see the findings for what it leaves out"
    return "no allowed route is shorter"
