"""Questions of planning: gaps, room, routes, edited plans, ways back, windows, and the words made of them."""

from __future__ import annotations

from random import Random
from typing import Any
from unittest.mock import patch

from bundlekeeper.model.route.document import differences, inventory_facts, manifest_facts
from bundlekeeper.model.route.hand_plan import Plan, PlanStep
from bundlekeeper.model.versions import Debian, Natural, Order, SemVer
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import ManifestIndex
from bundlekeeper.planning.fleet.version_scale import VersionScale
from bundlekeeper.planning.gaps.find import GapAnswer, gaps_all
from bundlekeeper.planning.gaps.report import GapReport
from bundlekeeper.planning.route import why_none
from bundlekeeper.planning.route.check_plan import hold
from bundlekeeper.planning.route.find import route
from bundlekeeper.planning.route.search import RouteSearch
from bundlekeeper.planning.route.space import space_findings
from bundlekeeper.planning.route.types import NoRoute, Route
from bundlekeeper.planning.route.way_back import lost, ways_back
from bundlekeeper.planning.space import what_to_remove
from bundlekeeper.planning.space.fit import Lying, PartitionSpace, SpaceLoad, plan_space
from bundlekeeper.planning.space.what_to_remove import File, smallest_removal
from bundlekeeper.planning.windows.make import schedule, schedule_all
from bundlekeeper.planning.windows.rounds import WindowLoad, may_share, rounds
from bundlekeeper.planning.windows.schedule import (
    Limits,
    WorkPiece,
    lower_bound,
    minutes_of,
    pack,
)
from bundlekeeper.planning.windows.server_actions import clusters_of
from bundlekeeper.planning.windows.types import Action
from tests.answers.plain import told
from tests.answers.registry import question
from tests.answers.worlds import Asked, disorder, large, orderly, ruled


@question("gaps", 60)
def _gaps(rnd: Random) -> Any:
    asked = disorder(rnd)
    answer = GapAnswer(rnd.choice(["", "ada, by the list of hosts"]))
    found = gaps_all(asked.fleet, asked.release, asked.holdings, asked.now, answer)
    return told(lambda: [shortened(report) for report in found])


def shortened(report: GapReport) -> list[Any]:
    """All of a report, each gap in three lines."""
    gaps = [
        [
            [g.finding.code, g.finding.level, g.finding.subject, g.finding.message, g.finding.hint],
            g.things,
            g.evidence,
            g.sources,
        ]
        for g in report.gaps
    ]
    counts = [report.ok, report.checks_made, report.checks_not_made]
    return [report.domain, report.release, gaps, report.checks, counts]


@question("gaps-of-orderly-domains", 30)
def _orderly_gaps(rnd: Random) -> Any:
    asked = orderly(rnd)
    return told(lambda: [shortened(r) for r in gaps_all(asked.fleet, asked.release, asked.holdings, asked.now)])


@question("space", 300)
def _space(rnd: Random) -> Any:
    def bytes_of(*more: int | None) -> int | None:
        return rnd.choice([rnd.randint(0, 40), rnd.randint(0, 40) * 10, rnd.randint(0, 400), 0, *more])

    versions = rnd.sample(["4.0", "5.0", "5.1", "6.0", "6.1", "7.0", "7.1", "golden", "6.0.0", "5.1-p1"], 8)
    few: tuple[int | None, ...] = (None,) if rnd.random() < 0.2 else ()
    loads = [
        SpaceLoad(version, bytes_of(*few), bytes_of(*few), bytes_of(*few)) for version in versions[: rnd.randint(1, 5)]
    ]
    lying = tuple(Lying(version, bytes_of(*few)) for version in rnd.sample(versions, rnd.randint(0, 6)))
    runs = rnd.choice([*versions[5:], *versions[5:], None, ""]) if not lying else rnd.choice([lying[0].version, "6.0"])
    asked = PartitionSpace(
        rnd.choice(["boot-file", "boot-file", "boot-file", "two-bank", "overwrite"]),
        bytes_of(*few),
        lying if rnd.random() < 0.95 else None,
        runs,
        rnd.choice(["", "", versions[0], versions[-1], None]),
        bytes_of(None),
    )
    orders: list[Order] = [Natural(), Natural(), Debian(), SemVer()]
    order = rnd.choice(orders)
    return {"asked": repr((asked, loads)), "plan": told(lambda: plan_space(asked, loads, VersionScale(order)))}


@question("what-to-remove", 200)
def _what_to_remove(rnd: Random) -> Any:
    files = [File(f"f{n}", rnd.randint(0, 30), rnd.choice([0, 0, 0, 1, 2])) for n in range(rnd.randint(0, 9))]
    needs = [rnd.randint(-5, 60) for _ in range(rnd.randint(1, 4))]
    with patch.object(what_to_remove, "MAX_SUMS", rnd.choice([1 << 18, 1 << 18, 8])):
        return told(lambda: smallest_removal(files, needs))


def _way(asked: Asked, domain: str) -> Any:
    """The route of one domain with all that hangs on it."""
    found = route(asked.fleet, domain, asked.release, asked.holdings, asked.now)
    if isinstance(found, NoRoute):
        return found
    back = ways_back(asked.fleet, found, asked.holdings)
    return [found, back, lost(back), space_findings(asked.fleet, found)]


@question("routes-of-disorder", 30)
def _disorderly_routes(rnd: Random) -> Any:
    asked = disorder(rnd)
    return [told(_way, asked, name) for name in asked.fleet.domains]


@question("routes-of-orderly-domains", 40)
def _orderly_routes(rnd: Random) -> Any:
    asked = orderly(rnd)
    return [told(_way, asked, name) for name in asked.fleet.domains]


@question("routes-under-few-rules", 200)
def _ruled_routes(rnd: Random) -> Any:
    asked, _ = ruled(rnd)
    searches, places, rules, most = rnd.choice(
        [(400, 5000, 5, 15_000)] * 3 + [(3, 5000, 5, 15_000), (400, 5, 1, 15_000), (400, 5000, 1, 9)]
    )
    with (
        patch.object(why_none, "MOST_SEARCHES", searches),
        patch.object(why_none, "MOST_PLACES", places),
        patch.object(why_none, "MOST_RULES", rules),
        patch.object(RouteSearch.has_way, "__defaults__", (most,)),
        patch.object(RouteSearch.run, "__defaults__", (most,)),
    ):
        found = _way(asked, "holm-a")
    if isinstance(found, NoRoute):
        return found
    return [found, told(lambda: schedule(asked.fleet, found[0], rnd.choice([None, 120]), 1))]


@question("routes-of-large-domains", 2)
def _large_routes(rnd: Random) -> Any:
    asked = large(rnd)
    return told(lambda: _way(asked, "holm-a"))


@question("windows", 60)
def _windows(rnd: Random) -> Any:
    asked = orderly(rnd)
    ways = [route(asked.fleet, name, asked.release, asked.holdings, asked.now) for name in asked.fleet.domains]
    routes = [way for way in ways if isinstance(way, Route)]
    length, per_cluster = rnd.choice([None, None, 60, 90, 200, 1000]), rnd.choice([1, 1, 2, 3, 0])
    alone = [told(schedule, asked.fleet, way, None, max(1, per_cluster)) for way in routes[:1]]
    return [length, per_cluster, alone, told(lambda: schedule_all(asked.fleet, routes, length, per_cluster))]


def _edited(rnd: Random, found: Route, fleet: Fleet) -> tuple[PlanStep, ...]:
    """The route's steps, some left out, doubled, swapped, narrowed, or to another version."""
    steps: list[PlanStep] = []
    for step in found.steps:
        families = {change.family: change for change in step.changes}
        if step.what == "infrastructure":
            kinds = tuple(dict.fromkeys(p.kind for c in step.changes for p in c.components))
            only = rnd.choice([(), (), kinds, kinds[:1], ("bios",), ("tide-gauge",)])
            steps.append(PlanStep("infrastructure", rnd.choice([step.name] * 4 + ["5.4.10", "9.9"]), only=only))
            continue
        servers = tuple(key for change in step.changes for key in change.servers)
        some = rnd.choice([(), (), servers, servers[:1], servers[1:], ("nobody",)])
        if rnd.random() < 0.5:
            digests = tuple((family, change.sha256) for family, change in families.items())
            digests = rnd.choice([(), digests, tuple((family, "0" * 64) for family, _ in digests)])
            steps.append(PlanStep("servers", "", rnd.choice([step.name, step.name, "6.0", "7"]), (), some, digests))
        else:
            steps += [PlanStep(family, change.version, "", (), some) for family, change in families.items()]
    for _ in range(rnd.choice([0, 0, 1, 2])):
        place = rnd.randrange(len(steps) + 1)
        steps[place:place] = rnd.choice([[], steps[:1], steps[-1:], [PlanStep("rack", "6.0.1")]])
        if steps and rnd.random() < 0.4:
            steps.pop(rnd.randrange(len(steps)))
    if rnd.random() < 0.2:
        rnd.shuffle(steps)
    return tuple(steps)


def _pieces(rnd: Random) -> list[WorkPiece]:
    found: list[WorkPiece] = []
    for number in range(rnd.choice([1, 2, 3, 4, 5, 7, 9])):
        spans = [(rnd.randint(0, 20), rnd.randint(1, 60)) for _ in range(rnd.choice([1, 1, 2]))]
        actions = tuple(
            Action("stage", f"p{number}", "bios", "6", length, False, start=start) for start, length in spans
        )
        after = tuple(sorted(rnd.sample(range(number), rnd.choice([0, 0, 1, min(2, number)]) if number else 0)))
        locks = rnd.choice([(), (), ("manager",), ("a", "b")])
        clusters = rnd.choice([(), (("c1", 1),), (("c1", 1), ("c2", 1)), (("c1", 2),)])
        found.append(WorkPiece(f"p{number}", actions, after, locks, clusters, rnd.random() < 0.1))
    return found


@question("packed-windows", 200)
def _packed_windows(rnd: Random) -> Any:
    pieces, length, per_cluster = _pieces(rnd), rnd.choice([None, None, 80, 100, 150]), rnd.choice([2, 2, 3])
    windows = pack(pieces, Limits(length, per_cluster))
    return [
        length,
        [[p.minutes, p.after, p.locks, p.clusters, p.alone] for p in pieces],
        windows,
        [minutes_of(pieces, rows) for rows in windows],
        lower_bound(pieces, Limits(length, per_cluster)),
        clusters_of(pieces),
    ]


@question("rounds", 80)
def _rounds(rnd: Random) -> Any:
    def load() -> WindowLoad:
        apart = frozenset(rnd.sample([1, 2, 3], rnd.choice([0, 0, 1, 2])))
        clusters = frozenset(rnd.sample(["c1", "c2"], rnd.choice([0, 0, 1, 2])))
        return WindowLoad(
            rnd.randint(1, 90), apart, clusters, bool(clusters) or rnd.random() < 0.3, rnd.random() < 0.15
        )

    chains = [[load() for _ in range(rnd.randint(0, 4))] for _ in range(rnd.choice([1, 2, 3, 4, 7, 9]))]
    return [chains, rounds(chains), [may_share(chain) for chain in chains]]


@question("edited-plans", 60)
def _plans(rnd: Random) -> Any:
    asked = orderly(rnd)
    domain = asked.fleet.domains[0]
    found = route(asked.fleet, domain, asked.release, asked.holdings, asked.now)
    if isinstance(found, Route):
        steps = _edited(rnd, found, asked.fleet)
    else:
        steps = (PlanStep("infrastructure", "6.1.0"), PlanStep("servers", release="6.1"))
    plan = Plan("plan.toml", domain, asked.release, steps, lambda path: (f"plan.toml:{path}", ""))
    return [repr(steps), told(lambda: hold(asked.fleet, plan, asked.holdings))]


@question("inputs-that-changed", 30)
def _differences(rnd: Random) -> Any:
    one, other = disorder(rnd), disorder(rnd)
    if rnd.random() < 0.7:
        other = one.changed(rnd)
    domain = "holm-a"
    facts = [
        {
            "manifest": manifest_facts(asked.manifest, f"{number:064x}"),
            "inventory": inventory_facts(asked.inventory, domain, ManifestIndex(asked.manifest).by_policy),
        }
        for number, asked in enumerate((one, other))
    ]
    return [
        facts[0]["inventory"],
        told(lambda: differences(facts[0], facts[1])),
        told(lambda: differences(*[facts[0]] * 2)),
    ]
