"""A route in short: where it starts, and each step in the few words that a person decides by.

Rules: derived from the plan alone, nothing is looked up; of several answers the worst is reported, with how many it is
for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.formats.escape import counted, some
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.windows.types import NOTHING

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.route import DomainRoute, PlannedRoute
    from bundlekeeper.planning.route.types import Route, Step
    from bundlekeeper.planning.route.way_back import WayBack
    from bundlekeeper.planning.windows.types import Action, Window

_MEANS = {
    "switch": "bank switch",
    "pointer": "older boot file",
    "reinstall": "reinstall",
    "restore": "reinstall, restore the backup",
}


@dataclass(frozen=True, slots=True)
class StepInShort:
    """One step: the numbers of its windows and their minutes together (none where it is not planned), in words what
    goes where, what is down at most at one time, and how it gets back.
    """

    number: int
    windows: tuple[int, ...]
    minutes: int
    what: str
    down: str
    back: str


@dataclass(frozen=True, slots=True)
class RouteInShort:
    """The versions that its components run before, in words what reaches the release, and its steps."""

    starts: tuple[str, ...]
    reaches: str
    steps: tuple[StepInShort, ...]


def in_short(found: DomainRoute, planned: PlannedRoute) -> RouteInShort:
    """The overview of a domain's planned route."""
    route = planned.route
    components = sum(component.domain == route.domain for component in found.given.inventory.components)
    rows = tuple(row for step in route.steps for row in (*_removals(step, planned), _step(step, planned)))
    return RouteInShort(_starts(route), _reaches(route, components), rows)


def _reaches(route: Route, components: int) -> str:
    """`reaches 6.1 on all 19 components`, or `reaches 6.1 except 1 server`.

    What no bundle of the manifest has an image for is no exception, and is not reached either.
    """
    if not (missed := exceptions(route)):
        number = f"all {components}" if route.reached == components else f"{route.reached} of {components}"
        missed = f"reaches {route.release} on {number} component{'s' * (components != 1)}"
    return f"{missed}; {stays_ahead(route)}" if route.ahead else missed


def stays_ahead(route: Route) -> str:
    """`model-list HOLMB-MT stays at 1.1.0, which is ahead`, of each that does; empty for none."""
    rows = [f"{one.kind} {one.key} stays at {one.version}" for one in route.ahead]
    return f"{some(rows, 3)}, which {'is' if len(rows) == 1 else 'are'} ahead of it" if rows else ""


def exceptions(route: Route) -> str:
    """`reaches 6.1 except 1 server`; empty where there is no exception."""
    numbers = Counter(what for what, _ in route.not_reached)
    missed = some([counted(number, what) for what, number in numbers.items()])
    return f"reaches {route.release} except {missed}" if missed else ""


def _starts(route: Route) -> tuple[str, ...]:
    """What components run before their first change; without those whose versions are no bundle's (a model list's)."""
    seen: set[str] = set()
    starts: dict[str, None] = {}
    for step in route.steps:
        for change in step.changes:
            for component in change.components:
                if component.end == change.version and component.start and not seen.issuperset(component.keys):
                    starts[component.start] = None
                seen.update(component.keys)
    return tuple(starts)


def _removals(step: Step, planned: PlannedRoute) -> Iterator[StepInShort]:
    """What a step removes before it brings anything: one row for each file, on however many components."""
    groups: dict[tuple[str, str], list[str]] = {}
    for removal in step.removals:
        groups.setdefault((removal.kind, removal.version), []).append(removal.key)
    for (kind, version), keys in groups.items():
        windows = {
            window.number: max(a.minutes for a in window.actions if _removes(a, version, keys))
            for window in planned.timeline.windows
            if window.step == step.number and any(_removes(a, version, keys) for a in window.actions)
        }
        what = f"remove {version} on {keys[0] if len(keys) == 1 else counted(len(keys), kind)}"
        yield StepInShort(step.number, tuple(windows), sum(windows.values()), what, NOTHING, "none")


def _removes(action: Action, version: str, keys: Iterable[str]) -> bool:
    return action.verb == "remove" and action.version == version and action.key in keys


def _step(step: Step, planned: PlannedRoute) -> StepInShort:
    windows = [window for window in planned.timeline.windows if window.step == step.number]
    servers = len({server for change in step.changes for server in change.servers})
    what = (
        f"infrastructure to {step.name}"
        if step.what == INFRASTRUCTURE
        else f"{counted(servers, 'server')} to {step.name}"
    )
    return StepInShort(
        step.number,
        tuple(window.number for window in windows),
        sum(window.minutes for window in windows),
        what,
        down_at_most(windows) if windows else "not planned",
        _back([way for way in planned.back if way.step == step.number]),
    )


def down_at_most(windows: Iterable[Window]) -> str:
    """The most that is down at one time: servers by number, halves by pair, all else by kind."""
    servers, pairs, whole = 0, 0, False
    others: dict[str, int] = {}
    for window in windows:
        lowered = [action for action in window.actions if action.down != NOTHING]
        for begun in lowered:
            now = [action for action in lowered if action.start <= begun.start < max(action.end, action.start + 1)]
            servers = max(servers, len({_thing(action) for action in now if action.down == "server"}))
            rest = [action for action in now if action.down != "server"]
            halves = {(action.pair, action.half) for action in rest if action.pair}
            pairs = max(pairs, len({pair for pair, _ in halves}))
            whole = whole or len(halves) > len({pair for pair, _ in halves})
            for kind in {action.kind for action in rest if not action.pair}:
                number = len({_thing(action) for action in rest if action.kind == kind and not action.pair})
                others[kind] = max(others.get(kind, 0), number)
    words = [counted(servers, "server")] if servers else []
    if pairs:
        half = "one half of a pair" if pairs == 1 else f"one half of {pairs} pairs"
        words.append("both halves of a pair" if whole else half)
    words += [counted(number, kind) for kind, number in others.items()]
    return ", ".join(words) or NOTHING


def _thing(action: Action) -> str:
    return action.key or action.subject


def _back(ways: Sequence[WayBack]) -> str:
    """How a step gets back; where some of it does not, the worst of that, and for how many kinds."""
    none = [way for way in ways if way.known and not way.exists]
    refused = [way for way in ways if way.exists and way.allowed is False]
    unknown = [way for way in ways if not way.known or (way.allowed is None and way.means != "none")]
    for word, rows in (("none", none), ("not allowed", refused), ("not known", unknown)):
        if rows:
            return word if len(rows) == len(ways) else f"{word} for {len(rows)} of {counted(len(ways), 'kind')}"
    return ", ".join(dict.fromkeys(_MEANS.get(way.means, way.means) for way in ways)) or "-"
