"""A plan in a file: read, checked against its inputs and the rules, and compared with the best route."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs, read_inputs
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.model.route.document import RouteDocument
    from bundlekeeper.model.route.hand_plan import Plan
    from bundlekeeper.planning.route.check_plan import PlanVerdict
    from bundlekeeper.planning.route.types import NoRoute, Route


@dataclass(frozen=True, slots=True)
class CheckedPlan:
    """What the rules say of a plan; `sha256` is the route document's, None for a plan made by hand."""

    given: Inputs
    file: str
    sha256: str | None
    verdict: PlanVerdict
    compared: str

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
    from bundlekeeper.planning.route.check_plan import hold
    from bundlekeeper.planning.route.find import route

    given = read_inputs(session, files)
    plan, document = read_plan_file(file)
    if document is not None:
        insist_unchanged(given, document, file)
    fleet = Fleet(given.manifest, given.inventory)
    verdict = hold(fleet, plan, given.holdings)
    left = tuple(server for server in verdict.route.left_out if server.reason)
    better = route(fleet, plan.domain, plan.release, given.holdings, given.judged_at, left)
    sha256 = document.sha256 if document is not None else None
    judged = replace(verdict, findings=given.judged(verdict.findings, plan.domain))
    return CheckedPlan(given, file, sha256, judged, _compared(verdict, better))


def read_plan_file(name: str) -> tuple[Plan, RouteDocument | None]:
    """A route document's plan with the document, or a plan that a person wrote. Raises InputError, UnfinishedError."""
    from bundlekeeper.model.route.document import read_document
    from bundlekeeper.model.route.hand_plan import read_plan

    data = read_bounded(name, limits.ROUTE_BYTES, "the plan")
    found = read_document(data, name)
    if found is not None:
        return found.plan, found
    form = "json" if data.lstrip(b" \t\r\n").startswith(b"{") else "toml"
    return read_plan(data, name=name, form=form), None


def insist_on(plan: Plan, domain: str | None, release: str, file: str) -> None:
    """The domain and the release that were named, if any, are the plan's. Raises InputError."""
    for what, said, found in (("domain", domain or "", plan.domain), ("release", release, plan.release)):
        if said and said != found:
            raise InputError(f"the plan is for {what} {found}, not {said}", where=file)


def insist_unchanged(given: Inputs, read: RouteDocument, name: str) -> None:
    """Refuse a document whose inputs are not what they were. Raises RefusedError with every difference."""
    from bundlekeeper.model.route.document import differences, inventory_facts, manifest_facts
    from bundlekeeper.planning.fleet.manifest_index import ManifestIndex

    now = {
        "manifest": manifest_facts(given.manifest, given.manifest_sha256),
        "inventory": inventory_facts(given.inventory, read.plan.domain, ManifestIndex(given.manifest).by_policy),
    }
    found = differences(read.inputs, now)
    if found:
        message = "the plan was made from other inputs than there are now"
        over = f" --out {shlex.quote(name)} --force" if name != "-" else ""
        hint = f"bundlekeeper route {read.plan.domain} --to {read.plan.release}{over} makes it again"
        raise RefusedError(message, hint=hint, where=name, problems=found)


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
