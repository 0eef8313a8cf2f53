"""Everything that is between a domain and a release: one list, worst first, each with its evidence and a hint.

Rules: every check is made or named as not made, never skipped; unknown is never zero and never good, so blanking a fact
cannot make an answer better; nothing is looked up here: manifest, inventory, holdings and the time are arguments. What
is asked is one jump from what runs to the release; whether there is a route with stops between is not asked here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.model.inventory.types import Inventory
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.fleet.target import target_of
from bundlekeeper.planning.gaps.components import check_components
from bundlekeeper.planning.gaps.condition import check_condition
from bundlekeeper.planning.gaps.mix import check_mix
from bundlekeeper.planning.gaps.pairs import check_pairs
from bundlekeeper.planning.gaps.question import Case, GapAnswer, groups_of
from bundlekeeper.planning.gaps.report import GapReport
from bundlekeeper.planning.gaps.servers import check_servers
from bundlekeeper.planning.gaps.space import check_room
from bundlekeeper.planning.gaps.supply import check_supply

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Manifest

__all__ = ["Fleet", "GapAnswer", "gaps", "gaps_all", "gaps_of"]

_NO_ANSWER = GapAnswer()


def gaps(
    domain: str,
    release: str,
    manifest: Manifest,
    inventory: Inventory,
    holdings: Holdings,
    now: datetime,
    answer: GapAnswer = _NO_ANSWER,
) -> GapReport:
    """Every gap of one domain. `now` is an aware time.

    Raises InputError, with a suggestion, for a domain that the inventory lacks or a release that the manifest lacks.
    """
    return gaps_of(Fleet(manifest, inventory), domain, release, holdings, now, answer)


def gaps_all(
    fleet: Fleet, release: str, holdings: Holdings, now: datetime, answer: GapAnswer = _NO_ANSWER
) -> Iterator[GapReport]:
    """Every gap of every domain, one report after the other, so that nobody needs to keep them all.

    Raises InputError for a release that the manifest lacks.
    """
    fleet.manifest_index.release(release)
    return (gaps_of(fleet, domain, release, holdings, now, answer) for domain in fleet.domains)


def gaps_of(
    fleet: Fleet, domain: str, release: str, holdings: Holdings, now: datetime, answer: GapAnswer = _NO_ANSWER
) -> GapReport:
    """Every gap of one domain of a fleet that was indexed already. Raises InputError, as `gaps`."""
    meant = fleet.manifest_index.release(release)
    state = fleet.state(domain)
    target = target_of(fleet.manifest_index, meant, state, holdings)
    case = Case(fleet, state, target, holdings, now, answer)
    case = replace(case, groups=groups_of(fleet, state, target))
    for check in (check_supply, check_components, check_mix, check_servers, check_pairs, check_condition, check_room):
        check(case)
    return case.tally.report(domain, release)
