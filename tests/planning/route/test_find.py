"""Routes: by example, and against a search by brute force that asks the rules themselves of every state."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from bundlekeeper.model.inventory.types import Inventory
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.gaps.find import gaps_of
from bundlekeeper.planning.route.find import NoRoute, Route, route
from bundlekeeper.planning.route.types import StopPassedOver
from tests.kits.planning_kit import NOW, blade, bundle, image, manifest, marram, pair, stored_all, whole_domain
from tests.kits.route_stock import VERSIONS, stock
from tests.kits.route_worlds import LARGE, Large, large_domain, large_manifest


def find(rules: Manifest, components: Inventory, to: str) -> Route | NoRoute:
    return route(Fleet(rules, components), "holm-a", to, stored_all(rules), NOW)


def way(found: Route | NoRoute) -> list[tuple[str, list[str]]]:
    """The steps in short: what, and the versions."""
    assert isinstance(found, Route), found
    return [(s.what, [c.version for c in s.changes]) for s in found.steps]


def test_a_stop_on_the_way() -> None:
    """A jump that isn't allowed: the release notes ask for a stop at an intermediate version."""
    found = find(marram(), whole_domain("5.4.10"), "6.1")
    assert way(found) == [
        ("infrastructure", ["6.0.1"]),
        ("servers", ["6.0.1", "6.0.1"]),
        ("infrastructure", ["6.1.0"]),
        ("servers", ["6.1.0", "6.1.0"]),
    ]
    assert isinstance(found, Route)
    assert found.cost[:2] == (4, 6)
    sources = {q.source for s in found.steps for q in s.quotes}
    assert {"release notes 6.0, table 2", "release notes 6.1, table 2", "release notes 6.1, table 5"} <= sources


def test_nothing_to_do() -> None:
    assert way(find(marram(), whole_domain("6.1.0"), "6.1")) == []


def test_a_server_that_may_be_of_either_family_is_the_reason_beside_a_model_table() -> None:
    """No bundle lists its model, and in which chassis it stands is not known: no release is asked for its table."""
    domain = whole_domain("6.0.1", blades=1, racks=0)
    components = [replace(p, model="Tern-9", chassis=None) if p.policy else p for p in domain.components]
    found = find(marram(), replace(domain, components=tuple(components)), "6.1")
    assert isinstance(found, NoRoute)
    assert any("whether it is a blade or a rack server" in quote.message for quote in found.blocking)


def test_no_way_down_without_a_rule() -> None:
    """With no matching jump … going down is refused."""
    found = find(marram(), whole_domain("6.0.1"), "5.4")
    assert isinstance(found, NoRoute)
    assert found.exact
    assert [q.sort for q in found.blocking] == ["practice"]
    assert found.nearest == "6.0"


def small(**more: Any) -> Manifest:
    """Three versions of switches, tables and blades, and a release for each."""
    rows = []
    for n, v in enumerate(VERSIONS, 1):
        table = image("model-list", "Reed-40", f"t{n}")
        own = [image("fabric-switch", "Reed-40", v, minutes=n), image("domain-manager", "Reed-40", v), table]
        rows.append(bundle("infrastructure", v, *own))
        rows.append(bundle("blade", v, image("bios", ("Tern-2", "Tern-4"), v)))
    extra = more.pop("bundles", ())
    releases = more.pop("release", [{"name": v, "infrastructure": v, "blade": v} for v in VERSIONS])
    kind = {"model-list": {"order": "listed", "list": ("t1", "t2", "t3")}}
    return manifest(*rows, *extra, release=tuple(releases), kind=kind, **more)


def jump(to: str, from_: str, family: str = "infrastructure", direction: str = "up") -> dict[str, Any]:
    return {"what": {"family": family}, "to": to, "from": from_, "direction": direction, "source": f"{family} to {to}"}


def test_a_stop_that_was_withdrawn_is_named_where_there_is_no_other_way() -> None:
    """ "A release withdrawn after it was downloaded.": no way goes over it."""
    rules = small(jump=(jump(">=3.0", ">=2.0"),))
    gone = {"lifecycle": "withdrawn", "reason": "loses its pair"}
    rows = [
        b.model_copy(update=gone if (b.family, b.version) == ("infrastructure", "2.0") else {}) for b in rules.bundle
    ]
    found = find(rules.model_copy(update={"bundle": tuple(rows)}), stock("1.0", ("Tern-2", "1.0")), "3.0")
    assert isinstance(found, NoRoute)
    assert found.passed_over == (StopPassedOver("infrastructure 2.0", True, "loses its pair", True),)
    assert found.findings[0].level.value == "error"  # the reason, before the rules that follow from it
    assert [f.message for f in found.findings if f.code == "withdrawn"] == [
        "infrastructure 2.0 would be a stop on a route, and is withdrawn: loses its pair"
    ]
    found = find(small(jump=(jump(">=3.0", ">=9.0"),)), stock("1.0", ("Tern-2", "1.0")), "3.0")
    assert isinstance(found, NoRoute)
    assert found.passed_over == ()


def test_a_bundle_of_another_variant_only_is_the_same_finding_as_in_gaps() -> None:
    rows = (b.model_copy(update={"variant": "single-servers"} if b.family == "rack" else {}) for b in marram().bundle)
    rules = marram().model_copy(update={"bundle": tuple(rows)})
    found = find(rules, whole_domain("6.0.1"), "6.1")
    report = gaps_of(Fleet(rules, whole_domain("6.0.1")), "holm-a", "6.1", stored_all(rules), NOW)
    assert "wrong-variant" in {row.code for row in found.findings} & {row.code for row in report.findings}
    assert "family-missing" not in {row.code for row in (*found.findings, *report.findings)}


def _withdrawn(rules: Manifest, *which: tuple[str, str]) -> Manifest:
    gone = {"lifecycle": "withdrawn", "reason": "loses its pair"}
    rows = (b.model_copy(update=gone if (b.family, b.version) in which else {}) for b in rules.bundle)
    return rules.model_copy(update={"bundle": tuple(rows)})


def _stored_but(rules: Manifest, *which: tuple[str, str]) -> Holdings:
    rows = [b for b in rules.bundle if (b.family, b.version) not in which]
    return stored_all(rules.model_copy(update={"bundle": tuple(rows)}))


def test_a_stop_that_was_withdrawn_and_is_not_in_the_store_is_named_too() -> None:
    rules = _withdrawn(marram(), ("blade", "6.0.1"))
    held = _stored_but(rules, ("blade", "6.0.1"), ("rack", "6.0.1"))
    found = route(Fleet(rules, whole_domain("5.4.10")), "holm-a", "6.1", held, NOW)
    assert isinstance(found, NoRoute)
    assert [(f.code, f.message) for f in found.findings[:2]] == [
        (
            "withdrawn",
            "blade 6.0.1 would be a stop on a route, and is withdrawn: loses its pair; it is not in the store",
        ),
        ("not-in-store", "rack 6.0.1 would be a stop on a route, and is not in the store"),
    ]


def test_a_withdrawn_version_that_a_release_prefers_hides_no_other_one() -> None:
    """Of the versions that a release lists, the next one is the stop, in the store or not."""
    ask = {"when": {"family": "infrastructure", "version": ">=3.0"}, "need": ({"family": "blade", "version": ">=2.0"},)}
    more = bundle("blade", "2.1", image("bios", ("Tern-2", "Tern-4"), "2.1"))
    releases = [{"name": v, "infrastructure": v, "blade": ("2.1", "2.0") if v == "2.0" else v} for v in VERSIONS]
    rules = small(compatible=({"scope": "domain", **ask, "source": "table 5"},), bundles=(more,), release=releases)
    rules = _withdrawn(rules, ("blade", "2.1"))
    domain = stock("2.0", ("Tern-2", "1.0"))
    assert way(find(rules, domain, "3.0"))[0] == ("servers", ["2.0"])
    found = route(Fleet(rules, domain), "holm-a", "3.0", _stored_but(rules, ("blade", "2.0")), NOW)
    assert way(found)[0] == ("servers", ["2.0"])
    assert "not-in-store" in {f.code for f in found.findings}


def test_a_server_left_behind_is_brought_up_before_the_infrastructure_goes_on() -> None:
    """Servers left so far behind that the new infrastructure no longer talks to them."""
    rule = {
        "scope": "domain",
        "when": {"family": "infrastructure", "version": ">=3.0"},
        "need": ({"family": "blade", "version": ">=2.0"},),
        "source": "table 5",
    }
    found = find(small(compatible=(rule,)), stock("2.0", ("Tern-2", "2.0"), ("Tern-4", "1.0")), "3.0")
    assert way(found) == [("servers", ["2.0"]), ("infrastructure", ["3.0"]), ("servers", ["3.0", "3.0"])]


def test_a_mix_that_is_refused_during_the_step() -> None:
    """ "that mix of A and B is allowed unless a rule forbids it": 1.0 and 3.0 may not be mixed, 2.0 may."""
    rule = {
        "scope": "domain",
        "when": {"kind": "fabric-switch", "version": ">=3.0"},
        "need": ({"kind": "fabric-switch", "version": ">=2.0"},),
        "source": "table 6",
    }
    assert way(find(small(), stock("1.0"), "3.0")) == [("infrastructure", ["3.0"])]
    assert way(find(small(compatible=(rule,)), stock("1.0"), "3.0")) == [
        ("infrastructure", ["2.0"]),
        ("infrastructure", ["3.0"]),
    ]


def test_the_manager_goes_before_the_switches_so_that_a_rule_for_it_is_met() -> None:
    rule = {
        "scope": "domain",
        "when": {"kind": "fabric-switch", "version": ">=3.0"},
        "need": ({"kind": "domain-manager", "version": ">=3.0"},),
        "source": "table 7",
    }
    assert way(find(small(compatible=(rule,)), stock("1.0"), "3.0")) == [("infrastructure", ["3.0"])]
    turned = {**rule, "when": {"kind": "domain-manager", "version": ">=3.0"}}
    turned["need"] = ({"kind": "fabric-switch", "version": ">=3.0"},)
    found = find(small(compatible=(turned,)), stock("1.0"), "3.0")
    assert isinstance(found, NoRoute)
    assert [q.source for q in found.blocking] == ["table 7"]
    assert found.exact


def test_a_patch_goes_onto_its_base() -> None:
    patch = bundle("infrastructure", "3.0-p1", image("fabric-switch", "Reed-40", "3.0-p1"), base="3.0")
    release = [{"name": v, "infrastructure": v} for v in (*VERSIONS, "3.0-p1")]
    rules = small(bundles=(patch,), release=release)
    assert way(find(rules, stock("1.0"), "3.0-p1")) == [("infrastructure", ["3.0"]), ("infrastructure", ["3.0-p1"])]


def test_the_model_table_is_brought_first_and_alone() -> None:
    """The model list … must be brought up first when new models arrive."""
    table = bundle("infrastructure", "3.0-t", image("model-list", "Reed-40", "t3"), only=("model-list",))
    need = {
        "scope": "domain",
        "when": {"family": "blade", "version": ">=2.0"},
        "need": ({"kind": "model-list", "version": ">=t3"},),
        "source": "table 8",
    }
    behind = {
        "scope": "domain",
        "when": {"kind": "fabric-switch", "version": ">=3.0"},
        "need": ({"family": "blade", "version": ">=2.0"},),
        "source": "table 9",
    }
    rules = small(bundles=(table,), compatible=(need, behind))
    found = find(rules, stock("2.0", ("Tern-2", "1.0")), "3.0")
    steps = way(found)
    assert [what for what, _ in steps] == ["infrastructure", "servers", "infrastructure", "servers"]
    assert isinstance(found, Route)
    assert [p.kind for p in found.steps[0].changes[0].components] == ["model-list"]


def test_down_takes_the_servers_first() -> None:
    """**Down** only where a rule says that it may be done: … servers; I/O modules and switches; manager last."""
    rules = (jump(">=1.0", ">=1.0", direction="both"), jump(">=1.0", ">=1.0", "blade", "both"))
    found = find(small(jump=rules), stock("3.0", ("Tern-2", "3.0")), "2.0")
    assert way(found) == [("servers", ["2.0"]), ("infrastructure", ["2.0"])]
    assert isinstance(found, Route)
    assert [p.kind for p in found.steps[1].changes[0].components] == ["fabric-switch", "domain-manager"]
    assert {f.code for f in found.findings} == {"downgrade"}


def test_a_version_that_is_not_known_never_opens_a_way() -> None:
    components = stock("1.0", ("Tern-2", "1.0"))
    blank = replace(components, components=tuple(replace(c, active=None) for c in components.components))
    rules = small(jump=(jump(">=2.0", ">=1.0"),))
    assert isinstance(find(rules, components, "3.0"), Route)
    found = find(rules, blank, "3.0")
    assert isinstance(found, NoRoute)
    assert {q.sort for q in found.blocking} == {"fact"}


@pytest.mark.parametrize("large", [w for w in LARGE if w.seed in (3, 9, 12)], ids=lambda large: f"world-{large.seed}")
def test_large_domains_are_answered(large: Large) -> None:
    """ "Mixed domains with up to 8 server classes and 40 releases per family solve" (no clock here: tests/bench)"""
    rules = large_manifest(large)
    to = rules.release[large.to].name
    found = route(Fleet(rules, large_domain(large, rules)), "holm-a", to, stored_all(rules), NOW)
    if isinstance(found, NoRoute):
        assert found.exhausted
        assert found.exact
        assert found.blocking
        assert found.nearest != to
    else:
        assert found.cost[0] == len(found.steps) > 0
        assert found.cost[1:] == tuple(
            sum(getattr(step, what) for step in found.steps) for what in ("restarts", "minutes", "size_bytes")
        )


def test_an_added_chassis_and_a_forgotten_server_come_level_with_their_domain_alone() -> None:
    """What lags is brought level where the rules allow: both run 5.4.10 in a domain of 6.1.0,
    and 6.0 is a stop on the way of infrastructure; no server is ahead of it, and 6.1 wants servers of 6.0."""
    whole = whole_domain("6.1.0")
    added = [
        *pair("io-module", "io-2", "5.4.10", chassis="2"),
        *pair("chassis-controller", "cc-2", "5.4.10", chassis="2"),
        *blade("9", "5.4.10", policy=""),
    ]
    found = find(marram(), replace(whole, components=(*whole.components, *added)), "6.1")
    assert isinstance(found, Route)
    steps = [(s.what, s.name, {k for c in s.changes for p in c.components for k in p.keys}) for s in found.steps]
    chassis, server = ({p.key for p in rows} for rows in (added[:4], added[4:]))
    assert steps == [
        ("infrastructure", "6.0.1, older ones only", chassis),
        ("servers", "6.0", server),
        ("infrastructure", "6.1.0", chassis),
        ("servers", "6.1", server),
    ]
