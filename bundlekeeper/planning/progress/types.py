"""What became of a kept plan, as values.

Rules: a component is done only where its running version was read back; what was recorded and not read is not read
back; a reason is the words of whoever recorded it; moments are texts, as their site writes them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from bundlekeeper.findings import Finding
from bundlekeeper.model.route.planned_work import PlannedWindow, WorkItem


class Outcome(StrEnum):
    """What became of one component's part of a step."""

    DONE = "done"  # it was read back at the step's version, or at a later one of the plan
    NOT_READ_BACK = "not-read-back"  # recorded as activated, and not read since
    FAILED = "failed"  # it was tried, and the old version runs, or it was recorded as failed
    NO_ANSWER = "no-answer"
    SKIPPED = "skipped"  # left out, with a reason
    STAGED = "staged"  # the image is there, and not activated
    LEFT = "left"


#: What may still be done by a window as it was planned.
OPEN = frozenset({Outcome.STAGED, Outcome.LEFT})
#: What somebody must decide about.
STUCK = frozenset({Outcome.FAILED, Outcome.NO_ANSWER})


@dataclass(frozen=True, slots=True)
class Heard:
    """One entry of the ledger about a component of the plan: the kind of event, and what it states.

    `own` is True where it bears the plan's digest; `version` is the image's, of a reading the running one's.
    """

    what: str
    version: str
    at: str
    reported_by: str
    reason: str = ""
    own: bool = False


@dataclass(frozen=True, slots=True)
class ItemProgress:
    """One component's part with what became of it; `reason` for people, `at` the moment that it rests on, `runs` the
    version that it is known to run, empty for none."""

    item: WorkItem
    outcome: Outcome
    reason: str = ""
    at: str = ""
    reported_by: str = ""
    runs: str = ""


@dataclass(frozen=True, slots=True)
class WindowProgress:
    """One window with its components; `began` and `ended` are moments of entries.

    `state` is `left`, `begun` where some of it is left, `done` where all of it was read back or left out, else
    `recorded`.
    """

    window: PlannedWindow
    what: str
    items: tuple[ItemProgress, ...]
    state: str
    began: str
    ended: str

    def count(self, outcome: Outcome) -> int:
        """How many components have that outcome."""
        return sum(row.outcome is outcome for row in self.items)


@dataclass(frozen=True, slots=True)
class PlanProgress:
    """How far a plan is: every window, the number of the next one with work that is left (0: none), the counts, and
    the parts of steps that have no window."""

    windows: tuple[WindowProgress, ...]
    next_window: int
    counts: Mapping[str, int]
    unplanned: tuple[ItemProgress, ...] = ()

    @property
    def items(self) -> tuple[ItemProgress, ...]:
        """Every component's part of every step, in the order of the windows; last those that have none."""
        return (*(row for window in self.windows for row in window.items), *self.unplanned)

    @property
    def stuck(self) -> tuple[ItemProgress, ...]:
        """The parts that somebody must decide about."""
        return tuple(row for row in self.items if row.outcome in STUCK)

    @property
    def due(self) -> tuple[ItemProgress, ...]:
        """What is left to do in the next window."""
        return tuple(
            row
            for window in self.windows
            if window.window.number == self.next_window
            for row in window.items
            if row.outcome in OPEN
        )

    @property
    def total(self) -> int:
        """How many parts it has."""
        return sum(self.counts.values())

    @property
    def unfinished(self) -> int:
        """How many of them are not done, recorded or left out."""
        return sum(self.counts[outcome.value] for outcome in OPEN | STUCK)

    @property
    def is_over(self) -> bool:
        """True when nothing is left, and nothing waits for a decision or a reading."""
        return all(row.outcome in {Outcome.DONE, Outcome.SKIPPED} for row in self.items)


@dataclass(frozen=True, slots=True)
class Choice:
    """One way to go on after a failure: what it is, what it takes, and what the rules say of it.

    `minutes` is None where nobody knows; `findings` are what is against it, empty where it is allowed.
    """

    name: str
    text: str
    minutes: int | None
    until: str
    findings: tuple[Finding, ...]

    @property
    def is_allowed(self) -> bool:
        """True when no rule is against it."""
        return not self.findings
