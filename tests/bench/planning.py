"""The rows on routes: large domains, planned in one process; what is counted is the processor's time."""

from __future__ import annotations

import statistics
import time
from functools import cache

from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.route.find import NoRoute, Route, route
from tests.bench.frame import Judged, Target, bench
from tests.bench.world import World
from tests.kits.planning_kit import NOW, stored_all
from tests.kits.route_worlds import LARGE, large_domain, large_manifest

SIZE = "domains (8 server classes, 40 releases per family)"
Spent = list[tuple[bool, float]]


@cache
def _spent_s(number: int, every: int) -> Spent:  # one round serves both rows
    """For every so manyth world whether there is a way, and the user and system time of the answer in seconds.

    Indexing of manifest and inventory is included; reading and checking the files is not.
    """
    found: Spent = []
    for large in LARGE[::every]:
        rules = large_manifest(large)
        parts, stored, to = large_domain(large, rules), stored_all(rules), rules.release[large.to].name
        begun = time.process_time()
        answer = route(Fleet(rules, parts), "holm-a", to, stored, NOW)
        spent = time.process_time() - begun
        if isinstance(answer, NoRoute) and not answer.exhausted:
            raise RuntimeError(f"gave up on world {large.seed}")
        found.append((isinstance(answer, Route), spent))
    return found


def _slowest_and_median(world: World, *, ways: bool) -> tuple[float, float]:
    spent = [seconds for has_way, seconds in _spent_s(world.round, world.every) if has_way is ways]
    return max(spent), statistics.median(spent)


@bench(
    "route",
    what=f"processor time of the slowest of all routes found through seeded {SIZE}",
    against="their median",
    unit="s",
    target=Target(Judged.OURS, False, 2.0),
)
def routes(world: World) -> tuple[float, float]:
    """Ways that exist, up and down."""
    return _slowest_and_median(world, ways=True)


@bench(
    "route, none",
    what=f"processor time of the slowest answer that there is none, explained, with the nearest release, in {SIZE}",
    against="their median",
    unit="s",
    target=Target(Judged.OURS, False, 2.0),
)
def dead_ends(world: World) -> tuple[float, float]:
    """No way: to know it, and to say why."""
    return _slowest_and_median(world, ways=False)
