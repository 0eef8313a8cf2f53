"""Servers that are left out of a route: by somebody, or because a fact about them is not known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Level
from bundlekeeper.model.inventory.types import Inventory
from bundlekeeper.model.route.hand_plan import Plan, PlanStep
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.route.check_plan import hold
from bundlekeeper.planning.route.find import NoRoute, Route, route
from bundlekeeper.planning.route.left_out import named
from bundlekeeper.planning.route.types import LeftOut
from tests.kits.planning_kit import NOW, marram, stored_all, whole_domain

ONE = "SRV-holm-a-1-1"


def with_one(start: str, kind: str = "bios", **facts: Any) -> Inventory:
    """A whole domain of which one component of the first blade is otherwise."""
    whole = whole_domain(start, blades=3)
    rows = (replace(p, **facts) if (p.parent, p.kind) == (ONE, kind) else p for p in whole.components)
    return replace(whole, components=tuple(rows))


def asked(inventory: Inventory, to: str, *left: LeftOut) -> Route | NoRoute:
    return route(Fleet(marram(), inventory), "holm-a", to, stored_all(marram()), NOW, left)


def moved(found: Route) -> set[str]:
    return {server for step in found.steps for change in step.changes for server in change.servers}


def test_a_server_is_left_out_and_reported() -> None:
    found = asked(whole_domain("6.0.1", blades=3), "6.1", LeftOut(ONE, "holm/holm-a/1/1", "powered off"))
    assert isinstance(found, Route)
    assert moved(found) == {"SRV-holm-a-1-2", "SRV-holm-a-1-3", "SRV-holm-a-1-U1"}
    assert [server.server for server in found.left_out] == [ONE]
    (told,) = [f for f in found.findings if f.code == "falls-short"]
    assert (told.level, told.subject) == (Level.WARNING, "server holm/holm-a/1/1")
    assert told.message == "left out, so the release is not reached for it: powered off"
    whole, own = asked(whole_domain("6.0.1", blades=3), "6.1"), whole_domain("6.0.1", blades=3).components
    assert isinstance(whole, Route)
    assert (whole.not_reached, found.not_reached) == ((), (("server", ONE),))
    assert whole.reached - found.reached == sum(component.parent == ONE for component in own)


def test_leaving_it_out_is_refused_where_a_rule_forbids_what_it_runs() -> None:
    """Infrastructure 6.1 wants blades of 6.0: one that stays at 5.4.10 keeps the domain from it, and the rule is
    quoted."""
    found = asked(whole_domain("5.4.10", blades=3), "6.1", LeftOut(ONE, "holm/holm-a/1/1", "powered off"))
    assert isinstance(found, NoRoute)
    told = [f.message for f in found.findings]
    assert told[0].startswith("infrastructure >=6.1 requires blade >=6.0 in the same domain (release notes 6.1")
    assert "leaving out holm/holm-a/1/1 is refused: with it there is a route" in told
    assert found.nearest == "6.0"


UNKNOWN = (
    ("bios", {"active": None}, "the active version of bios Tern-2 is"),
    ("bios", {"model": None}, "the model of bios is"),
    (
        "network-adapter",
        {"active": "golden-image"},
        "the place of golden-image in natural order, the active version of",
    ),
    ("bios", {"active": "5.4.7"}, "the bundle that bios Tern-2 5.4.7 is of is"),
)


@pytest.mark.parametrize(("kind", "facts", "words"), UNKNOWN)
def test_one_unknown_fact_stops_one_server_and_is_named(kind: str, facts: dict[str, Any], words: str) -> None:
    """The rest is planned as if that server were left out; nothing is said to go down that is not known to."""
    found = asked(with_one("6.0.1", kind, **facts), "6.1")
    assert isinstance(found, Route)
    other = asked(whole_domain("6.0.1", blades=3), "6.1", LeftOut(ONE, "holm/holm-a/1/1", "x"))
    assert isinstance(other, Route)
    assert (moved(found), found.cost) == (moved(other), other.cost)
    (told,) = [f for f in found.findings if f.subject == "server holm/holm-a/1/1"]
    assert told.code == "not-checked"
    assert told.message.startswith(f"not planned, as {words}")
    assert told.message.endswith("so the release is not reached for it")
    assert not any("go down" in f.message for f in found.findings)


def test_what_a_rule_needs_to_know_of_it_is_an_error_at_its_step() -> None:
    """Of the server everything but its place is unknown: whether it may run beside the new infrastructure is, too."""
    whole = whole_domain("6.0.1", blades=3)
    rows = (replace(p, active=None) if p.parent == ONE else p for p in whole.components)
    found = asked(replace(whole, components=tuple(rows)), "6.1")
    assert isinstance(found, Route)
    (told,) = [f for f in found.findings if f.level is Level.ERROR]
    assert (told.code, told.subject.partition(":")[0]) == ("not-checked", "step 1")
    assert "infrastructure >=6.1 runs together with blade >=6.0 is not known (release notes 6.1" in told.message


def test_what_runs_together_today_is_no_fault_of_a_server_that_stays() -> None:
    """It is reported, and refuses nothing: neither beside the infrastructure nor in the server itself; nor is a fact
    of it that is not known the fault of a step that moves nothing beside it."""
    whole = with_one("6.1.0", "management-controller", active="5.4.10", model="Tern-4")
    rows = [replace(p, model="Tern-4") if p.parent == ONE else p for p in whole.components]
    rows = [replace(p, active="6.0.1") if p.parent == "SRV-holm-a-1-2" else p for p in rows]
    found = asked(replace(whole, components=tuple(rows)), "6.1", LeftOut(ONE, "holm/holm-a/1/1", "sold"))
    assert isinstance(found, Route)
    assert moved(found) == {"SRV-holm-a-1-2"}
    assert sum("today's mixture is refused already" in f.message for f in found.findings) == 2
    unknown = (replace(p, active=None) if p.parent == ONE else p for p in rows)
    found = asked(replace(whole, components=tuple(unknown)), "6.1")
    assert isinstance(found, Route)
    assert [f for f in found.findings if f.level is Level.ERROR] == []


def test_where_no_server_can_be_planned_nor_can_the_domain() -> None:
    whole = whole_domain("6.0.1")
    rows = (replace(p, active=None) if p.kind == "bios" else p for p in whole.components)
    found = asked(replace(whole, components=tuple(rows)), "6.1")
    assert isinstance(found, NoRoute)
    assert any("the active version of bios Tern-2" in f.message for f in found.findings if f.code == "not-checked")


def test_an_unknown_fact_of_the_infrastructure_is_named_with_its_component() -> None:
    whole = whole_domain("6.0.1")
    rows = [replace(p, active=None) if p.kind == "io-module" and p.half == "leading" else p for p in whole.components]
    found = asked(replace(whole, components=tuple(rows)), "6.1")
    assert isinstance(found, NoRoute)
    key = next(p.key for p in rows if p.kind == "io-module")
    told = [f.message for f in found.findings if f.code == "not-checked"]
    assert told[0] == f"infrastructure: the active version of io-module Rush-4 {key} (not known)"


def test_names_of_servers_are_found_in_any_domain_and_all_wrong_ones_are_told() -> None:
    states = [Fleet(marram(), whole_domain("6.0.1", domain=name)).state(name) for name in ("holm-a", "holm-b")]
    found = named(states, [(ONE, "dead"), ("holm/holm-b/1/2", "sold")])
    assert {domain: [row.name for row in rows] for domain, rows in found.items()} == {
        "holm-a": ["holm/holm-a/1/1"],
        "holm-b": ["holm/holm-b/1/2"],
    }
    with pytest.raises(InputError) as refused:
        named(states, [("1/1", "in both"), ("holm/holm-a/1/9", "none"), (ONE, "once"), (ONE, "twice")])
    assert [f.message for f in refused.value.problems] == [
        "2 servers have that name",
        "no server of what is planned has that name",
        "left out more than once",
    ]


def test_a_plan_by_hand_leaves_out_with_a_reason_and_every_rule_holds_beside_it() -> None:
    steps = (PlanStep("infrastructure", "6.1.0"), PlanStep("servers", release="6.1"))
    for start, expected in (("6.0.1", []), ("5.4.10", ["jump-refused", "mix-refused"])):
        plan = Plan("p", "holm-a", "6.1", steps, lambda _: ("p", ""), (("1/1", "powered off"),))
        found = hold(Fleet(marram(), whole_domain(start)), plan, stored_all(marram()))
        assert sorted({f.code for f in found.findings if f.level is Level.ERROR}) == expected
        assert [f.message for f in found.about_left_out] == [
            "left out, so the release is not reached for it: powered off"
        ]
        assert ONE not in moved(found.route)
    contradiction = (*steps, PlanStep("blade", "6.1.0", servers=("1/1",)))
    plan = Plan("p", "holm-a", "6.1", contradiction, lambda _: ("p", ""), (("1/1", "x"), ("1/7", "x"), (ONE, "x")))
    with pytest.raises(InputError) as refused:
        hold(Fleet(marram(), whole_domain("6.0.1")), plan, stored_all(marram()))
    assert [f.message for f in refused.value.problems] == [
        "holm-a has no server '1/7'",
        f"'{ONE}' is left out twice",
        "'1/1' is left out",
    ]


def test_a_model_list_that_is_newer_stays_and_is_not_counted_as_reached() -> None:
    """It may run ahead, so no step takes it down: the release is not what it runs."""
    whole, newer = whole_domain("6.0.1"), whole_domain("6.1.0")
    lists = {c.key: c for c in newer.components if c.kind == "model-list"}
    moved = replace(whole, components=tuple(lists.get(c.key, c) for c in whole.components))
    found = asked(moved, "6.0")
    assert isinstance(found, Route)
    assert [(one.kind, one.key) for one in found.ahead] == [("model-list", key) for key in lists]
    at = asked(whole, "6.0")
    assert isinstance(at, Route)
    assert (at.ahead, at.reached - found.reached) == ((), 1)
