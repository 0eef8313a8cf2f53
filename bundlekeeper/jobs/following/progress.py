"""How far a plan is, and, where something failed, what the rules leave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.jobs.planning.followed import Followed, follow, insist_unchanged
from bundlekeeper.jobs.planning.inputs import InputFiles, read_inputs
from bundlekeeper.jobs.planning.plan_file import plan_data
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.planning.progress.choices import Ground
    from bundlekeeper.planning.progress.rehearse import Rehearsal
    from bundlekeeper.planning.progress.types import Choice, ItemProgress
    from bundlekeeper.store.contents.kept_plans import KeptPlan


@dataclass(frozen=True, slots=True)
class FollowedPlan:
    """A plan with what became of it; `kept` is None for a file's. `choices` are what the rules leave for the parts
    `stuck`."""

    name: str
    given: Inputs
    kept: KeptPlan | None
    followed: Followed
    choices: tuple[Choice, ...]
    stuck: tuple[ItemProgress, ...] = ()

    @property
    def is_refused(self) -> bool:
        """True where what is left may not be done without the parts that are stuck."""
        return any(choice.name == "without" and not choice.is_allowed for choice in self.choices)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What changed that the plan did not, and each component that somebody must look at."""
        return (*self.given.findings, *self.followed.changed, *_attention(self.followed))


def followed_plan(session: Session, name: str, files: InputFiles) -> FollowedPlan:
    """How far a plan is. Raises InputError for one that was made by hand; as `read_inputs`."""
    from bundlekeeper.model.route.document import read_document
    from bundlekeeper.planning.progress.choices import choices, to_decide
    from bundlekeeper.planning.progress.types import STUCK, Outcome

    data, kept = plan_data(session, name)
    document = read_document(data, kept.name if kept is not None else name)
    if document is None:
        raise InputError("a plan that was made by hand has no windows to follow", where=name,
                         hint="bundlekeeper route DOMAIN --to RELEASE --out FILE")  # fmt: skip
    given = read_inputs(session, files)
    followed = follow(session, given, document, from_ledger=files.inventory is None)
    items = followed.progress.items
    if not any(row.outcome in STUCK or row.outcome is Outcome.SKIPPED for row in items):
        return FollowedPlan(name, given, kept, followed, ())
    ground = ground_of(given, followed)
    stuck = to_decide(ground, items)
    return FollowedPlan(name, given, kept, followed, choices(ground, items, stuck), stuck)


def ground_of(given: Inputs, followed: Followed) -> Ground:
    """What a plan is judged on today."""
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.progress.choices import Ground

    fleet = Fleet(given.manifest, given.inventory)
    return Ground(fleet, given.inventory, followed.document.plan, followed.work, given.holdings)


def rehearsed(session: Session, name: str, fails: Sequence[str], files: InputFiles) -> tuple[FollowedPlan, Rehearsal]:
    """What is left of a plan, played with failures. Raises as `followed_plan`; RefusedError where inputs changed."""
    from bundlekeeper.planning.progress.rehearse import failures_of, rehearse

    plan = followed_plan(session, name, files)
    insist_unchanged(plan.followed, name)
    failures = failures_of(plan.followed.work, fails)
    return plan, rehearse(ground_of(plan.given, plan.followed), plan.followed.progress.items, failures)


def _attention(followed: Followed) -> list[Finding]:
    from bundlekeeper.findings import finding

    codes = {"failed": "activation-failed", "no-answer": "no-answer", "not-read-back": "not-read-back"}
    found = []
    for row in followed.progress.items:
        code = codes.get(row.outcome.value)
        if code is not None:
            item = row.item
            what = {"failed": f"to {item.end} failed", "no-answer": "it did not answer"}
            message = what.get(row.outcome.value, f"recorded at {item.end}, and not read since")
            found.append(finding(code, f"{item.kind} {item.key}", f"window {item.window}: {message}{_why(row.reason)}"))
    return found


def _why(reason: str) -> str:
    return f": {reason}" if reason else ""
