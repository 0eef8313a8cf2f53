"""Maintenance windows as values: what is done, when, for how long, what is down meanwhile.

Rules: plain values without references to what they were made from; minutes are whole; `start` counts from the start of
the action's own window, and is negative for staging, which has no effect yet and is done before it; windows of one
round may be open at the same time, those of different rounds never are, but for real windows of several sites, of which
those that begin together are a round, and others may overlap; a number of minutes that no manifest gives is
marked assumed; a step that has no windows is listed as unplanned, with the reason among the findings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from bundlekeeper.findings import Finding
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.route.dated_windows import DatedWindow

NOTHING = "nothing"
#: What is down where paths of servers are.
PATHS = frozenset({"half", "fabric", "path"})
#: What is looked at before anything is done, and again where another day may have come between.
CHECKS = frozenset({"check-backup", "check-pairs", "check-faults", "check-paths"})

#: What takes effect, so that going back undoes it.
EFFECTS = frozenset({"activate", "write", "level", "apply", "restart"})

#: What is done, for people.
VERBS: dict[str, str] = {
    "check-backup": "back up the configuration and read the backup back",
    "check-pairs": "check that every pair is healthy, and which half leads",
    "check-faults": "check that no critical fault is open",
    "check-paths": "check that every path is redundant",
    "note-paths": "note each host's own path count and its driver level",
    "remove-settings": "remove the settings that the older version lacks",
    "remove": "remove an image file, so that there is space",
    "stage": "bring the image there: it has no effect yet",
    "activate": "activate what is staged",
    "write": "write over the running copy",
    "level": "the leading half brings the following half level",
    "swap-lead": "swap the lead, so that the other half leads",
    "wait-for-manager": "wait until the manager answers",
    "wait-for-paths": "wait until every path is back",
    "move-workload": "move the workload off the server",
    "edit-policy": "edit the policy so that it names the version",
    "assign-policy": "assign a policy that names the version",
    "confirm": "start the update for which the policy waits",
    "start-window": "start the platform's maintenance window, so that the policy applies",
    "check-window": "check that the platform's maintenance window is open: outside it a restart applies nothing",
    "restart": "restart the server, so that the policy applies",
    "apply": "the policy applies its image",
    "verify": "verify the running version",
    "compare-paths": "check that the host's path count equals the count from before",
    "return-workload": "give the workload back to the server",
    "record": "record it",
}


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do, `minutes` long, from minute `start` of window number `window`.

    `verb` is a key of VERBS; `subject` names the thing for people, `key` is the component's, the server's or the
    policy's own; `down` is what is down meanwhile, or `nothing`. `pair`, `half` and `cluster` are from the inventory,
    empty where there is none or it is not known; `method` and `applied_by` are the kind's, empty for none.
    """

    verb: str
    subject: str
    kind: str
    version: str
    minutes: int
    assumed: bool
    down: str = NOTHING
    start: int = 0
    window: int = 0
    key: str = ""
    method: str = ""
    applied_by: str = ""
    pair: str = ""
    half: str = ""
    cluster: str = ""
    policy: str = ""
    note: str = ""

    @property
    def end(self) -> int:
        """The minute of the window at which it ends."""
        return self.start + self.minutes


@dataclass(frozen=True, slots=True)
class Window:
    """One window of one domain's step: its actions by start, and how long it takes.

    Windows of the same `round` may be open at the same time. `apart_from` names the domains that are never in one
    window with this one's. `minutes` are those of the work; `dated` is the real window that it is in, None for none.
    `turn_back` is the last minute at which going back still ends within the window, `turn_back_reason` what it rests
    on.
    """

    number: int
    step: int
    actions: tuple[Action, ...]
    minutes: int
    apart_from: tuple[str, ...]
    domain: str = ""
    round: int = 0
    dated: DatedWindow | None = None
    turn_back: int = 0
    turn_back_reason: str = ""

    @property
    def staging(self) -> tuple[Action, ...]:
        """What is brought before the window and has no effect yet."""
        return tuple(action for action in self.actions if action.start < 0)

    @property
    def work(self) -> tuple[Action, ...]:
        """What is done in the window."""
        return tuple(action for action in self.actions if action.start >= 0)


@dataclass(frozen=True, slots=True)
class Timeline:
    """All windows, by round and domain.

    `makespan` is the minutes of all rounds, one after the other, each as long as its longest window; `lower_bound` is
    what no schedule of the same work can beat. `unplanned` are the steps, by domain, that have no windows. `findings`
    are all that was found; `own_findings` are those of each domain's own steps, without those of domains together.
    """

    windows: tuple[Window, ...]
    makespan: int
    lower_bound: int
    findings: tuple[Finding, ...]
    unplanned: tuple[tuple[str, int], ...] = ()
    own_findings: Mapping[str, tuple[Finding, ...]] = field(default_factory=dict)

    @property
    def rounds(self) -> int:
        """How many rounds there are."""
        return len({window.round for window in self.windows})

    def again(self, window: Window) -> tuple[int, int]:
        """Of a later window of a step: the number of the step's first one, whose checks are to be made again before it
        because another day may have come between, and how many minutes they take; their minutes are in no window.

        Zeros for a step's first window.
        """
        first = next(w for w in self.windows if (w.domain, w.step) == (window.domain, window.step))
        if first.number == window.number and first.domain == window.domain:
            return 0, 0
        return first.number, sum(action.minutes for action in first.actions if action.verb in CHECKS)

    @property
    def is_shortest(self) -> bool:
        """True when the bound shows that no schedule is shorter; False where that is not known."""
        return self.makespan == self.lower_bound
