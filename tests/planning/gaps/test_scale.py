"""Gaps of a whole fleet: the work grows with the fleet and no faster, and the memory stays within bounds."""

from __future__ import annotations

import cProfile
import pstats
import subprocess
import sys
from pathlib import Path

import pytest

from bundlekeeper.planning.gaps.find import Fleet, gaps_all
from tests.kits.planning_kit import NOW, marram, stored_all
from tests.kits.planning_worlds import large_fleet

_CHILD = """
from bundlekeeper.planning.gaps.find import Fleet, gaps_all
from tests.kits.memory import peak_bytes
from tests.kits.planning_kit import NOW, stored_all, marram
from tests.kits.planning_worlds import large_fleet
whole = large_fleet(125, 40)
reports = list(gaps_all(Fleet(marram(), whole), "6.1", stored_all(marram()), NOW))
peak = peak_bytes()
checks = sum(r.checks_made + r.checks_not_made for r in reports)
print(len(whole.components), len(reports), checks, peak)
"""


def _calls(domains: int) -> int:
    """How many function calls a fleet of that many domains costs, whatever the machine is doing meanwhile."""
    whole, store = large_fleet(domains, 20), stored_all(marram())
    profile = cProfile.Profile()
    profile.enable()
    for _ in gaps_all(Fleet(marram(), whole), "6.1", store, NOW):
        pass
    profile.disable()
    return sum(row[0] for row in pstats.Stats(profile).stats.values())  # type: ignore[attr-defined]  # typeshed lacks it


@pytest.mark.fault(84)
def test_the_work_grows_with_the_fleet_and_no_faster() -> None:
    """ "500 domains, 20,000 servers: `gaps --all` < 10 s" (issue 5): four times the fleet, four times the calls."""
    small, large = _calls(10), _calls(40)
    assert large <= 4.2 * small


@pytest.mark.slow
def test_a_fleet_of_five_thousand_servers_stays_below_125_mb() -> None:
    """ "500 domains, 20,000 servers: `gaps --all` … < 500 MB" (issue 5), the fleet and all reports included; here a
    quarter of both."""
    root = Path(__file__).parents[3]
    ran = subprocess.run([sys.executable, "-c", _CHILD], capture_output=True, text=True, check=True, cwd=root)
    components, reports, checks, peak = map(int, ran.stdout.split())
    assert (components, reports) == (26_125, 125)
    assert checks > 5 * components
    assert peak < 125e6
