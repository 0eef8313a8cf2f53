"""The row on routes: large domains, planned in one process; what is counted is the processor's time."""

from __future__ import annotations

import statistics
import time

from bundlekeeper.planning.fleet import Fleet
from bundlekeeper.planning.route import route
from tests.bench.frame import Judged, Target, bench
from tests.bench.world import World
from tests.planning_kit import NOW, held_all
from tests.route_worlds import LARGE, Large, large_domain, large_manifest


def _route_s(large: Large) -> float:
    """User and system time of one answer, the indexing of manifest and inventory included; reading them is not."""
    rules = large_manifest(large)
    parts, held, to = large_domain(large, rules), held_all(rules), rules.release[large.to].name
    begun = time.process_time()
    found = route(Fleet(rules, parts), "holm-a", to, held, NOW)
    spent = time.process_time() - begun
    if not getattr(found, "exhausted", True):
        raise RuntimeError(f"gave up on world {large.seed}")
    return spent


@bench(
    "route",
    what=f"processor time of the slowest route of {len(LARGE)} domains (8 server classes, 40 releases per family)",
    against="their median",
    unit="s",
    target=Target(Judged.OURS, False, 2.0),
)
def routes(_: World) -> tuple[float, float]:
    """Ways and dead ends, up and down; a dead end's time includes its explanation and the nearest release."""
    spent = [_route_s(large) for large in LARGE]
    return max(spent), statistics.median(spent)
