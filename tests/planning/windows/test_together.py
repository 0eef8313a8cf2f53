"""What several domains in one timeline do to each other: policies that they share, and a fleet's bounds."""

from __future__ import annotations

import cProfile
import pstats
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from bundlekeeper.model.inventory.types import Inventory, Policy, SeparateWindows
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.route.find import route
from bundlekeeper.planning.route.types import Route
from bundlekeeper.planning.windows.make import Timeline, schedule_all
from tests.kits.planning_kit import NOW, inventory, marram, stored_all, whole_domain
from tests.kits.planning_worlds import fleet_with_ways

_CHILD = """
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.route.find import route
from bundlekeeper.planning.windows.make import schedule_all
from tests.kits.memory import peak_bytes
from tests.kits.planning_kit import NOW, stored_all, marram
from tests.kits.planning_worlds import fleet_with_ways
whole, held = fleet_with_ways(125, 40), stored_all(marram())
fleet = Fleet(marram(), whole)
times = schedule_all(fleet, [route(fleet, d, "6.1", held, NOW) for d in fleet.domains], 240)
peak = peak_bytes()
print(len({w.domain for w in times.windows}), len(times.unplanned), peak)
"""


def planned(*versions: str, applies: str, names: str, scope: tuple[str, ...] | None = ("*",)) -> Timeline:
    """One domain for each version, in one timeline; they share the policy `gold`, which names that version."""
    domains = [whole_domain(v, domain=f"d{n}", blades=2, racks=0) for n, v in enumerate(versions)]
    policies = [Policy("gold", {"blade": names}, applies, scope)]
    components = [p for d in domains for p in d.components]
    return _timeline(inventory(components, [r for d in domains for r in d.partitions], policies))


def _timeline(whole: Inventory) -> Timeline:
    fleet = Fleet(marram(), whole)
    ways = [route(fleet, d, "6.1", stored_all(marram()), NOW) for d in fleet.domains]
    return schedule_all(fleet, [w for w in ways if isinstance(w, Route)], 240)


def _clashes(times: Timeline) -> list[str]:
    return [f.message for f in times.findings if "names one version at a time" in f.message]


@pytest.mark.parametrize("applies", ["on-start-update-request", "on-reset"])
def test_domains_that_want_another_version_of_a_policy_are_told(applies: str) -> None:
    """ "A server's assigned configuration names the wanted firmware": one at a time."""
    clash = _clashes(planned("6.0.1", "5.4.10", applies=applies, names="5.4.10"))
    assert len(clash) == 1
    assert "blade 6.0.1 for d1" in clash[0]
    assert "blade 6.1.0 for d0" in clash[0]


def test_domains_that_want_the_same_or_have_a_policy_of_their_own_are_not() -> None:
    assert _clashes(planned("6.0.1", "6.0.1", applies="on-start-update-request", names="6.0.1")) == []
    assert _clashes(planned("5.4.10", applies="on-start-update-request", names="5.4.10")) == []
    own = [Policy("gold", {"blade": "6.0.1"}, "on-start-update-request", (d,)) for d in ("d0", "d1")]
    domains = [whole_domain(v, domain=f"d{n}", racks=0) for n, v in enumerate(("6.0.1", "5.4.10"))]
    assert _clashes(_timeline(inventory([p for d in domains for p in d.components], (), own))) == []


def test_what_domains_do_to_each_other_is_found_of_each_of_them() -> None:
    """So that neither of them is called ready."""
    times = planned("6.0.1", "5.4.10", applies="on-start-update-request", names="5.4.10")
    assert set(times.own_findings) == {"d0", "d1"}
    for rows in times.own_findings.values():
        assert [f.message for f in rows if "names one version at a time" in f.message] == _clashes(times)


def test_an_apart_set_of_a_domain_that_is_not_there_is_told_where_one_of_it_is_planned() -> None:
    domains = [whole_domain(domain=d, racks=0) for d in ("holm-a", "holm-b")]
    whole = inventory([p for d in domains for p in d.components])
    for separate_windows, told in ((("holm-a", "holm-c"), 1), (("holm-a", "holm-b"), 0), (("holm-x", "holm-c"), 0)):
        times = _timeline(
            Inventory(
                whole.read_at, whole.zone, whole.components, separate_windows=(SeparateWindows(separate_windows),)
            )
        )
        assert len([f for f in times.findings if f.subject.startswith("separate_windows ")]) == told


def test_servers_of_an_unknown_cluster_keep_domains_apart_and_that_is_told_once() -> None:
    domains = [whole_domain(domain=d, racks=0) for d in ("d0", "d1", "d2")]
    components = [replace(p, cluster=None if p.domain != "d2" else p.cluster) for d in domains for p in d.components]
    times = _timeline(inventory(components, (), [Policy("gold", {"blade": "6.0.1"}, "on-start-update-request")]))
    told = [f for f in times.findings if f.message.startswith("servers whose cluster is not known")]
    assert [f.subject for f in told] == ["d0, d1"]
    assert times.own_findings["d0"]
    for number in range(1, times.rounds + 1):
        assert len([w for w in times.windows if w.round == number and w.step == 2]) < 2


def _calls(domains: int) -> int:
    """How many function calls a fleet of that many domains costs, whatever the machine is doing meanwhile."""
    whole = fleet_with_ways(domains, 12)
    profile = cProfile.Profile()
    profile.enable()
    _timeline(whole)
    profile.disable()
    return sum(row[0] for row in pstats.Stats(profile).stats.values())  # type: ignore[attr-defined]  # typeshed lacks it


def test_the_work_grows_with_the_fleet_and_hardly_faster() -> None:
    """ "a fleet of 500 domains, 20,000 servers" (issue 5): four times the fleet, four times the calls."""
    assert _calls(48) <= 4.4 * _calls(12)


@pytest.mark.slow
def test_a_fleet_is_planned_together_within_a_megabyte_a_domain() -> None:
    """ "a fleet of 500 domains, 20,000 servers" in 500 MB (issue 5): here a quarter of it in a quarter of them."""
    root = Path(__file__).parents[3]
    ran = subprocess.run([sys.executable, "-c", _CHILD], capture_output=True, text=True, check=True, cwd=root)
    domains, unplanned, peak = map(int, ran.stdout.split())
    assert (domains, unplanned) == (125, 41)
    assert peak < 125e6
