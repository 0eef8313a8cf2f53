"""The way back of each step of a route (common practice)."""

from __future__ import annotations

from dataclasses import asdict, replace
from json import dumps
from typing import Any

from bundlekeeper.model.inventory.types import Inventory
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.route.find import Route, route
from bundlekeeper.planning.route.way_back import WayBack, lost, ways_back
from tests.kits.planning_kit import (
    NOW,
    blade,
    bundle,
    image,
    inventory,
    manifest,
    marram,
    pair,
    stored_all,
    whole_domain,
)


def ways(
    components: Inventory, rules: Manifest | None = None, stored: Holdings | None = None, *, to: str = "6.1"
) -> dict[tuple[int, str], WayBack]:
    rules = rules or marram()
    fleet = Fleet(rules, components)
    found = route(fleet, "holm-a", to, stored_all(rules), NOW)
    assert isinstance(found, Route), found
    rows = ways_back(fleet, found, stored if stored is not None else stored_all(rules))
    assert dumps([asdict(w) for w in rows])
    return {(w.step, w.kind): w for w in rows}


def world(*jumps: dict[str, Any], start: str = "6.0.1", end: str = "6.1.0") -> dict[tuple[int, str], WayBack]:
    """A chassis' modules, a manager and a blade from one version to another, by these rules alone."""
    kinds = (("io-module", "Rush-4"), ("domain-manager", "Reed-40"))
    inner = ("bios", "management-controller", "network-adapter")
    rows = []
    for v in ("6.0.1", "6.1.0"):
        rows.append(bundle("infrastructure", v, *(image(k, m, v) for k, m in kinds)))
        rows.append(bundle("blade", v, *(image(k, "Tern-2", v) for k in inner)))
    releases = [{"name": v, "infrastructure": v, "blade": v} for v in ("6.0.1", "6.1.0")]
    rules = manifest(*rows, release=releases, jump=jumps)
    components = [*pair("io-module", "io-1", start, chassis="1"), *pair("domain-manager", "manager", start)]
    return ways(inventory([*components, *blade("1", start)]), rules, to=end)


def jump(direction: str, start: str = ">=6.0", end: str = ">=6.0", **what: Any) -> dict[str, Any]:
    return {"what": what, "from": start, "to": end, "direction": direction, "source": f"notes, {direction}"}


def test_ways_back() -> None:
    """Spare bank written again too early: the way back is gone."""
    rows = ways(whole_domain("5.4.10"))
    module = rows[1, "io-module"]
    assert (module.how, module.until) == ("switch the banks back to 5.4.10", "step 3 writes the spare bank again")
    assert rows[3, "io-module"].until == "the spare bank is written again"
    assert "overwrites the spare bank" in module.destroyed_by
    switch = rows[1, "fabric-switch"]
    assert (switch.means, switch.exists, switch.known) == ("pointer", True, True)
    assert switch.until.startswith("the file of 5.4.10 is removed")
    manager = rows[1, "domain-manager"]
    assert "restore the backup" in manager.how
    assert "one from 6.0.1 does not restore on 5.4.10" in manager.until
    for kind in ("fabric-switch", "domain-manager"):  # the next step that writes it again, and none after the last
        assert rows[1, kind].until.endswith("; after step 3 it is a different jump"), kind
        assert "a different jump" not in rows[3, kind].until
    empty = ways(whole_domain("5.4.10"), stored=Holdings())
    assert not empty[1, "domain-manager"].exists
    assert "is in the store" in empty[1, "domain-manager"].how


def test_a_file_that_is_not_known_to_lie_there_is_no_known_way_back() -> None:
    components = whole_domain("6.0.1")
    for stored, known in ((None, False), (("5.4.2",), True)):
        blank = replace(components, components=tuple(replace(c, boot_files=stored) for c in components.components))
        switch = ways(blank)[1, "fabric-switch"]
        assert (switch.known, switch.exists) == (known, False)


def test_a_stored_bundle_that_is_not_verified_is_no_known_way_back() -> None:
    stored = Holdings(
        replace(f, verified=None) for b in marram().bundle if (f := stored_all(marram()).stored(b.sha256))
    )
    manager = ways(whole_domain("6.0.1"), stored=stored)[1, "domain-manager"]
    assert not manager.known
    assert "is in the store and not verified" in manager.how


def test_going_back_down_without_a_rule_is_refused() -> None:
    """ "going down is refused" with no matching jump."""
    for rules in ((jump("up"),), ()):
        rows = world(*rules)
        assert {w.allowed for w in rows.values()} == {False}
        assert {w.rule for w in rows.values()} == {"no rule says that going back to 6.0.1 is allowed"}
        assert "no-way-back" in {f.code for f in lost(rows.values())}


def test_rules_for_going_down_or_both_ways_are_quoted() -> None:
    """direction = "up | down | both" """
    for direction in ("down", "both"):
        rows = world(jump("up"), jump(direction))
        assert {w.allowed for w in rows.values()} == {True}
        assert all(f"notes, {direction}" in w.rule for w in rows.values())
        assert not lost(rows.values())
    rows = world(jump("up"), jump("down", family="blade"), jump("down", start="<6.1", kind="io-module"))
    found = {kind: way.allowed for (_, kind), way in rows.items()}
    assert found == {
        "io-module": False, "domain-manager": False, "bios": True, "management-controller": True,
        "network-adapter": True,
    }  # fmt: skip
    assert "is refused" in rows[1, "io-module"].rule
    assert "notes, down" in rows[1, "io-module"].rule


def test_the_way_back_of_a_way_down_goes_up() -> None:
    rows = world(jump("down"), start="6.1.0", end="6.0.1")
    assert {w.allowed for w in rows.values()} == {None}
    assert {w.rule for w in rows.values()} == {"no rule is about going back to 6.1.0"}
    assert {f.code for f in lost(rows.values())} == {"not-checked"}
    assert {w.allowed for w in world(jump("both"), start="6.1.0", end="6.0.1").values()} == {True}


def test_a_kind_without_a_way_back_is_told_once() -> None:
    rules = marram().model_copy(update={"kind": {**marram().kind}})
    no = type(next(iter(rules.kind.values())))(back="none")
    rules = rules.model_copy(update={"kind": {**rules.kind, "network-adapter": no}})
    rows = ways(whole_domain("6.0.1"), rules)
    way = rows[2, "network-adapter"]
    assert (way.exists, way.known, way.until, way.allowed, way.rule) == (False, True, "there is none", None, "")
    told = [f for f in lost(rows.values()) if "once it is written" in f.message]
    assert [f.code for f in told] == ["no-way-back"]
    assert "network-adapter" in told[0].subject
