"""A plan played beforehand, window by window, with failures: the state after each, and where one would be stuck.

Rules: nothing is recorded and nothing read; what fails stays as it was and is not tried again; a window is only begun
where the rules allow its step from the state that the windows before left; a mixture that the rules forbid is named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import some
from bundlekeeper.model.route.planned_work import PlannedWork, WorkItem
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import near
from bundlekeeper.planning.progress.choices import Ground, choices, forbids, to_decide
from bundlekeeper.planning.progress.played import running
from bundlekeeper.planning.progress.rest import judged, only
from bundlekeeper.planning.progress.types import OPEN, STUCK, Choice, ItemProgress, Outcome
from bundlekeeper.planning.route.check_plan import hold
from bundlekeeper.planning.route.types import Route


@dataclass(frozen=True, slots=True)
class RehearsedWindow:
    """One window as it would go: what is done and what fails in it, and what the state after it looks like.

    `runs` counts the components by the versions that they run then; `mixture` is what the rules say of it; `refused`
    is why the window cannot be begun, empty where it can.
    """

    number: int
    what: str
    done: tuple[str, ...]
    failed: tuple[str, ...]
    runs: Mapping[str, int]
    mixture: tuple[Finding, ...]
    refused: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """Every window up to the one that cannot be begun; the choices there, what the plan brings nowhere that it should,
    and what failed. `end` is the domain as it is then, without any step; `components` is how many it has."""

    windows: tuple[RehearsedWindow, ...]
    choices: tuple[Choice, ...]
    not_reached: tuple[str, ...]
    stuck: tuple[str, ...]
    end: Route
    components: int

    @property
    def stuck_at(self) -> int:
        """The window that cannot be begun; 0 where all can."""
        return next((window.number for window in self.windows if window.refused), 0)


def failures_of(work: PlannedWork, words: Sequence[str]) -> set[tuple[str, int]]:
    """The components and windows of `SERIAL@WINDOW`, each also by its server or its place.

    Raises InputError with the first that is none.
    """
    found: set[tuple[str, int]] = set()
    for word in words:
        name, _, number = word.rpartition("@")
        if not name or not number.isascii() or not number.isdigit():
            raise InputError(f"this is no failure: {word}", hint="--fail SERIAL@WINDOW")
        window = work.window(int(number))
        mine = [item for item in work.items if item.window == window.number]
        keys = {item.key for item in mine if name in (item.key, item.server, item.place)}
        if not keys:
            hint = near(name, dict.fromkeys(item.key for item in mine)) or some([item.key for item in mine], 4)
            raise InputError(f"window {number} does nothing with {name}", hint=hint)
        found |= {(key, window.number) for key in keys}
    return found


def rehearse(ground: Ground, rows: Sequence[ItemProgress], failures: set[tuple[str, int]]) -> Rehearsal:
    """Play what is left of a plan; `failures` are components with the windows in which they fail."""
    state = {(row.item.key, row.item.step): row for row in rows}
    out = {row.item.key for row in rows if row.outcome in STUCK}
    played: list[RehearsedWindow] = []
    versions: dict[str, str] = {}
    now = ground
    for window in ground.work.windows:
        parts = [
            row.item
            for row in state.values()
            if row.item.window == window.number and row.outcome in OPEN and row.item.key not in out
        ]
        if not parts:
            continue
        what = ground.work.steps.get(window.step, "")
        rest = only(now.plan, now.work, {(item.key, item.step) for item in parts})
        refused = forbids(judged(now.fleet, rest, now.holdings))
        if refused:
            played.append(RehearsedWindow(window.number, what, (), (), _runs(now), _mixture(now), refused))
            break
        failed = [item for item in parts if (item.key, window.number) in failures]
        done = [item for item in parts if item not in failed]
        out |= {item.key for item in failed}
        versions |= {item.key: item.end for item in done}
        for item in parts:
            outcome = Outcome.FAILED if item in failed else Outcome.DONE
            state[item.key, item.step] = replace(state[item.key, item.step], outcome=outcome, reason="")
        now = _ground(ground, versions)
        names = tuple(tuple(item.key for item in items) for items in (done, failed))
        played.append(RehearsedWindow(window.number, what, names[0], names[1], _runs(now), _mixture(now), ()))
    not_reached = _not_reached(ground.work, state)
    parts_then = tuple(state.values())
    stuck = to_decide(now, parts_then)
    out |= {row.item.key for row in stuck}
    end = hold(now.fleet, replace(now.plan, steps=()), now.holdings).route
    number = len(now.fleet.components(now.plan.domain))
    ways = choices(now, parts_then, stuck)
    return Rehearsal(tuple(played), ways, not_reached, tuple(sorted(out)), end, number)


def _ground(ground: Ground, versions: Mapping[str, str]) -> Ground:
    inventory = running(ground.inventory, ground.plan.domain, versions)
    return replace(ground, inventory=inventory, fleet=Fleet(ground.fleet.manifest_index.manifest, inventory))


def _runs(ground: Ground) -> dict[str, int]:
    found: dict[str, int] = {}
    for component in ground.inventory.components:
        if component.domain == ground.plan.domain and component.key in ground.work.of:
            word = f"{component.kind} {component.active or '?'}"
            found[word] = found.get(word, 0) + 1
    return found


def _mixture(ground: Ground) -> tuple[Finding, ...]:
    """What the rules forbid of what runs together."""
    verdict = hold(ground.fleet, replace(ground.plan, steps=()), ground.holdings)
    return tuple(
        found
        for found in verdict.findings
        if found.code == "mix-refused" and found.level is not Level.NOTE and found not in verdict.about_left_out
    )


def _not_reached(work: PlannedWork, state: Mapping[tuple[str, int], ItemProgress]) -> tuple[str, ...]:
    """The components that do not run the last version that the plan brings them."""
    ends: dict[str, WorkItem] = {key: items[-1] for key, items in work.of.items()}
    over = {Outcome.DONE, Outcome.NOT_READ_BACK}
    return tuple(
        key
        for key, item in ends.items()  # what the plan gives no window is not reached
        if (key, item.step) not in state or state[key, item.step].outcome not in over
    )
