"""Gaps of redundant pairs: is each pair whole and healthy, and is it known which half leads.

Rules: kinds that usually come in pairs are asked whether they are in one; a component that is known to have no second
half is reported, since nothing takes over while it restarts; a manager on a host of its own is no half unless it says
so; a pair of which only one half is listed was not checked; which half leads matters where the halves are written one
after the other or one through the other (`boot-file`, `overwrite`). Practice: "a healthy pair, … every path redundant"
comes before anything else.
"""

from __future__ import annotations

from bundlekeeper.findings import Level
from bundlekeeper.model.vocabulary import HALVES, METHODS
from bundlekeeper.planning.fleet.domain_state import Pair, PlacedComponent, stands_alone
from bundlekeeper.planning.gaps.question import Case, component_name


def check_pairs(case: Case) -> None:
    """Every gap of pairs."""
    for component in case.state.infrastructure:
        if (
            case.manifest_index.facts(component.reading.kind, component.reading.model).pair
            and not component.component.pair
        ):
            _alone(case, component)
    for pair in case.state.pairs:
        _whole(case, pair)
        _healthy(case, pair)
        _lead(case, pair)
    if not case.state.infrastructure:
        message = "whether the domain's pairs are whole and healthy, and what the infrastructure runs"
        fact = "its infrastructure: the inventory lists none"
        case.tally.lack("infrastructure", case.domain, message, fact, hint="load an inventory of the whole domain")


def _alone(case: Case, component: PlacedComponent) -> None:
    name = component_name(component)
    if component.component.pair is None and stands_alone(case.manifest_index, case.state, component.component):
        case.tally.made("pair")
        return
    if component.component.pair is None:
        hint = "give both halves the name of their pair, or write - where it has no second half"
        message = "whether another component takes over while it restarts"
        case.tally.lack("pair", name, message, "its pair", hint=hint, things=(component.key,))
        return
    case.tally.made("pair")
    message = "has no second half: nothing takes over while it restarts"
    hint = "plan for what is down meanwhile"
    evidence = {"pair": component.component.pair}
    case.tally.add(
        "pair-unhealthy", name, message, hint, level=Level.WARNING, things=(component.key,), evidence=evidence
    )


def _name(case: Case, pair: Pair) -> str:
    return f"{case.domain}: {pair.kind} pair {pair.name}"


def _whole(case: Case, pair: Pair) -> None:
    keys = [half.key for half in pair.halves]
    if len(pair.halves) == 2:
        case.tally.made("pair")
        _in_one_chassis(case, pair)
        return
    fact = f"its other half: {len(pair.halves)} listed"
    hint = "load an inventory with both halves"
    case.tally.lack("pair", _name(case, pair), "whether the pair is whole", fact, hint=hint, things=keys)


def _in_one_chassis(case: Case, pair: Pair) -> None:
    """Halves in two chassis are no pair: with both of one chassis at work, nothing is left of its paths."""
    keys = [half.key for half in pair.halves]
    if len(pair.chassis) > 1:
        rows = [f"{half.key} in {half.component.chassis or 'none'}" for half in pair.halves]
        message = f"its halves are not in one chassis: {', '.join(rows)}"
        hint = "give the components of each chassis a pair of their own: none takes over for another chassis"
        evidence = {half.key: half.component.chassis for half in pair.halves}
        case.tally.add("pair-unhealthy", _name(case, pair), message, hint, things=keys, evidence=evidence)
    elif case.manifest_index.facts(pair.kind, None).in_chassis and any(
        half.component.chassis is None for half in pair.halves
    ):
        lacking = ", ".join(half.key for half in pair.halves if half.component.chassis is None)
        message = "whether its halves are in one chassis"
        hint = "list its chassis in the inventory"
        case.tally.lack("chassis", _name(case, pair), message, f"the chassis of {lacking}", hint=hint, things=keys)


def _healthy(case: Case, pair: Pair) -> None:
    keys = [half.key for half in pair.halves]
    ill = [half.key for half in pair.halves if half.component.healthy is False]
    unknown = [half.key for half in pair.halves if half.component.healthy is None]
    if ill:
        case.tally.made("health")
        message = f"not healthy: {', '.join(ill)}"
        hint = "fix the pair first: its halves are written one after the other"
        evidence = {half.key: half.component.healthy for half in pair.halves}
        case.tally.add("pair-unhealthy", _name(case, pair), message, hint, things=keys, evidence=evidence)
    elif unknown:
        fact = f"the health of {', '.join(unknown)}"
        message, hint = "whether the pair is healthy", "look, and load an inventory with healthy = true or false"
        case.tally.lack("health", _name(case, pair), message, fact, hint=hint, things=keys)
    else:
        case.tally.made("health")


def _lead(case: Case, pair: Pair) -> None:
    methods = {case.manifest_index.facts(half.reading.kind, half.reading.model).method for half in pair.halves}
    if all(method and not METHODS[method].lead for method in methods) or len(pair.halves) != len(HALVES):
        return
    halves = [half.component.half for half in pair.halves]
    keys = [half.key for half in pair.halves]
    if None in halves:
        unknown = ", ".join(half.key for half in pair.halves if half.component.half is None)
        message = "which half leads, so which one is written first"
        hint = "list its half in the inventory: leading or following"
        case.tally.lack("lead", _name(case, pair), message, f"the half of {unknown}", hint=hint, things=keys)
        return
    case.tally.made("lead")
    if sorted(map(str, halves)) != sorted(HALVES):
        message = f"both halves are {halves[0]}"
        hint = "find out which half leads; a pair with two leads or none is not healthy"
        evidence = dict(zip(keys, halves, strict=True))
        case.tally.add("pair-unhealthy", _name(case, pair), message, hint, things=keys, evidence=evidence)
