"""Routes against brute force: every state is written out, and every mixture on the way is asked of the rules itself.

The two share only `planning.rules` (tested elsewhere): here there is no estimate, no pairwise table and no merging;
a step is looked at in each mixture of moved and not yet moved components, in the usual order for the infrastructure.
"""

from __future__ import annotations

import random

import pytest

from bundlekeeper.planning.route.find import NoRoute, Route, route
from bundlekeeper.planning.route.types import LeftOut
from tests.kits.brute_force import Brute
from tests.kits.planning_kit import NOW, stored_all
from tests.kits.route_stock import VERSIONS


@pytest.mark.parametrize("block", range(4))
def test_no_way_is_cheaper_and_none_is_missed(block: int) -> None:
    """Shortest allowed way from the mixture of versions … Every state in between obeys every rule."""
    ways = blocked = 0
    for seed in range(block * 100, block * 100 + 100):
        case = Brute(random.Random(seed))
        if not case.begins_well():
            continue
        expected = case.solve()
        found = route(case.fleet, "holm-a", VERSIONS[case.goal], stored_all(case.manifest), NOW)
        if expected is None:
            assert isinstance(found, NoRoute), seed
            assert found.exhausted, seed
            blocked += 1
        else:
            assert isinstance(found, Route), (seed, expected, found)
            assert found.cost == expected, seed
            ways += len(found.steps) > 0
    assert ways > 10
    assert blocked > 3


@pytest.mark.parametrize(("late", "leaves"), [(True, False), (False, True), (True, True)])
def test_what_lags_comes_level_and_what_is_left_out_stays(late: bool, leaves: bool) -> None:
    """Switches that came later with a version of their own, brought level alone where that is allowed or needed; a
    server that is left out, beside which every rule still holds in every state."""
    ways = blocked = alone = 0
    for seed in range(7000, 7060):
        case = Brute(random.Random(seed), late=late, leaves=leaves)
        if not case.begins_well():
            continue
        expected = case.solve()
        left = [LeftOut(key, key, "powered off") for key in case.left_servers]
        found = route(case.fleet, "holm-a", VERSIONS[case.goal], stored_all(case.manifest), NOW, left)
        assert isinstance(found, NoRoute) == (expected is None), (seed, expected, found)
        blocked += expected is None
        if isinstance(found, Route):
            assert found.cost == expected, seed
            assert not any(server in case.left_servers for s in found.steps for c in s.changes for server in c.servers)
            ways += bool(found.steps)
            alone += any("older ones only" in step.name for step in found.steps)
    assert min(ways, blocked) > 5
    assert alone > 0 or not late


def test_why_there_is_no_way_and_what_is_nearest() -> None:
    """ "say why, with the smallest set of rules that blocks it and the nearest release that can be reached, quoting
    each rule's source": without any other rule there is still no way, and without any one of the set there is one."""
    asked = 0
    for seed in range(3000, 3200):
        case = Brute(random.Random(seed))
        if not case.begins_well() or case.solve() is not None:
            continue
        found = route(case.fleet, "holm-a", VERSIONS[case.goal], stored_all(case.manifest), NOW)
        assert isinstance(found, NoRoute), seed
        assert found.exact, seed
        others = sorted({0, 1, 2} - {case.goal}, key=lambda n: (abs(n - case.goal), -n))
        assert found.nearest == next((VERSIONS[n] for n in others if case.solve(n) is not None), ""), seed
        sources = {q.source for q in found.blocking}
        kept = {sort: tuple(r for r in rows if r["source"] in sources) for sort, rows in case.extra.items()}
        practice = any(q.sort == "practice" for q in found.blocking)
        case.ruled_by(kept)
        assert case.solve() is None, seed
        for source in sources if not practice else ():
            case.ruled_by({sort: tuple(r for r in rows if r["source"] != source) for sort, rows in kept.items()})
            again = route(case.fleet, "holm-a", VERSIONS[case.goal], stored_all(case.manifest), NOW)
            others_block = isinstance(again, NoRoute) and {q.sort for q in again.blocking} != {"practice"}
            assert case.solve() is not None or not others_block, (seed, source)
        asked += 1
    assert asked > 20
