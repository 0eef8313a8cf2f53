"""A route's steps as windows: the order of work (common practice), and what may never be down together."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import asdict, replace
from itertools import combinations, pairwise
from json import dumps

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Level, is_ok
from bundlekeeper.model.inventory.types import COMPONENT_KEYS, NEEDED, Component, Inventory, Policy, SeparateWindows
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.route.find import Route, route
from bundlekeeper.planning.route.way_back import ways_back
from bundlekeeper.planning.windows.make import VERBS, Action, Timeline, schedule, schedule_all
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
from tests.kits.planning_worlds import disorderly_fleet, disorderly_manifest, disorderly_store
from tests.kits.sure import some


def planned(
    components: Inventory, length: int | None = None, per_cluster: int = 1, *, to: str = "6.1"
) -> tuple[Route, Timeline]:  # fmt: skip
    fleet = Fleet(marram(), components)
    found = route(fleet, "holm-a", to, stored_all(marram()), NOW)
    assert isinstance(found, Route)
    return found, schedule(fleet, found, length, per_cluster)


def having(components: Inventory, kind: str, **more: object) -> Inventory:
    """The inventory with every part of a kind changed so."""
    rows = [replace(c, **more) if c.kind == kind else c for c in components.components]  # type: ignore[arg-type]  # any field
    return replace(components, components=tuple(rows))


def chassis(components: Inventory, *names: str) -> Inventory:
    """The inventory with more chassis of the same kind."""
    rows: list[Component] = []
    for name in names:
        for kind in ("io-module", "chassis-controller"):
            rows += pair(kind, f"{kind}-{name}", "6.0.1", chassis=name)
    return replace(components, components=(*components.components, *rows))


def first(actions: Iterable[Action], verb: str, kind: str, half: str = "") -> Action:
    return next(a for a in actions if a.verb == verb and a.kind == kind and half in ("", a.half))


def downs(times: Timeline) -> list[tuple[int, int, Action]]:
    """When something is down: the round and minutes as one clock."""
    rows = []
    for window in times.windows:
        assert [a.start for a in window.actions] == sorted(a.start for a in window.actions)
        removed = {action.key for action in window.actions if action.verb == "remove"}
        for action in window.actions:
            assert action.window == window.number
            if action.verb == "stage" and action.key not in removed:
                assert action.start == -action.minutes  # before the window, without effect
                assert action.down == "nothing"
                continue
            assert 0 <= action.start <= action.end <= window.minutes
            if action.down != "nothing":
                rows.append((window.round * 10_000 + action.start, window.round * 10_000 + action.end, action))
    return rows


def assert_kept(components: Inventory, times: Timeline, per_cluster: int) -> None:
    """No two that may be halves of one pair are down together; no more servers of a cluster than asked."""
    of = {c.key: c for c in components.components}
    rows = downs(times)
    own = [(s, e, of[a.key]) for s, e, a in rows if a.kind != "domain-manager" and not a.subject.startswith("server")]
    for n, (start, end, one) in enumerate(own):
        for start_2, end_2, other in own[n + 1 :]:
            if one.key == other.key or one.domain != other.domain or end <= start_2 or end_2 <= start:
                continue
            assert one.half == other.half is not None, (one.key, other.key)  # of one known side: never two halves
            assert one.pair
            assert other.pair
            assert (one.kind, one.pair) != (other.kind, other.pair)
    spans: dict[tuple[int, str], tuple[int, int, str]] = {}
    for window in times.windows:
        for action in window.work:
            name = action.subject.split(":")[0]
            if name.startswith("server"):
                old = spans.get((window.round, name), (10**6, 0, ""))
                spans[window.round, name] = (min(old[0], action.start), max(old[1], action.end), action.cluster)
    for (number, name), (start, end, cluster) in spans.items():
        compatible = [s for (n, o), s in spans.items() if n == number and o != name and s[0] < end and start < s[1]]
        if not cluster:
            assert not compatible
        assert all(cluster_2 for _, _, cluster_2 in compatible)
        at_start = [s for s in compatible if s[2] == cluster and s[0] <= start < s[1]]
        assert len(at_start) < per_cluster


def test_the_order_going_up() -> None:
    """Common practice: preconditions, table, manager, following, swap the lead, leading; staging before all of it."""
    _, times = planned(whole_domain("6.0.1"))
    rows = times.windows[0].work
    assert [a.verb for a in rows[:5]] == ["check-backup", "check-pairs", "check-faults", "check-paths", "note-paths"]
    table, manager = first(rows, "write", "model-list"), first(rows, "write", "domain-manager")
    level, waited = first(rows, "level", "domain-manager"), next(a for a in rows if a.verb == "wait-for-manager")
    assert rows[4].end <= table.start
    assert table.end <= manager.start
    assert (manager.half, level.half) == ("leading", "following")
    assert manager.end <= level.start <= level.end <= waited.start
    for kind in ("io-module", "chassis-controller", "fabric-switch"):
        stages = [a for a in times.windows[0].staging if a.kind == kind]
        assert len(stages) == 2
        assert all(a.verb == "stage" and a.down == "nothing" and a.end <= 0 for a in stages)
    following, leading = (
        first(rows, "activate", "fabric-switch", "following"),
        first(rows, "activate", "fabric-switch", "leading"),
    )
    assert waited.end <= following.start
    back, swap = next(a for a in rows if a.verb == "wait-for-paths"), first(rows, "swap-lead", "fabric-switch")
    checked = first(rows, "verify", "fabric-switch", "following")
    assert following.end <= back.start <= back.end <= checked.start <= checked.end <= swap.start
    assert swap.end <= leading.start


def test_modules_are_activated_with_the_restart_of_the_switch_on_their_side() -> None:
    """ "activation tied to the restart of the switch on their side" (common practice)"""
    _, times = planned(chassis(whole_domain("6.0.1"), "2", "3"))
    rows = times.windows[0].actions
    for half in ("following", "leading"):
        switch = first(rows, "activate", "fabric-switch", half)
        mine = [a for a in rows if a.verb == "activate" and a.half == half]
        assert len(mine) == 7
        assert {a.start for a in mine} == {switch.start}
    assert len({(a.start, a.end) for a in rows if a.verb == "stage" and a.kind == "io-module"}) == 1  # overlap


def test_pairs_that_cross_two_chassis_never_take_both_modules_of_one_down() -> None:
    """ "Both I/O modules of a chassis restarted together", here by a pair's wrong name"""
    components = chassis(whole_domain("6.0.1"), "2")
    modules = {c.key: c for c in components.components if c.kind == "io-module"}
    crossed = [
        replace(c, pair=f"crossed-{c.half}", half="leading" if c.chassis == "2" else "following")
        if c.key in modules
        else c
        for c in components.components
    ]
    _, times = planned(inventory(crossed))
    activated = [a for w in times.windows for a in w.actions if a.verb == "activate" and a.key in modules]
    assert len(activated) == 4
    for a, b in combinations(activated, 2):
        assert a.end <= b.start or b.end <= a.start
    assert any("its pair or half is not known" in f.message for f in times.findings)


def _downward() -> tuple[Fleet, Route]:
    """Everything at 6.1.0, and rules that let it go down to 6.0.1."""
    kinds = (("fabric-switch", "Reed-40"), ("domain-manager", "Reed-40"), ("io-module", "Rush-4"))
    inner = ("bios", "management-controller", "network-adapter")
    bundles = [
        row
        for v in ("6.0.1", "6.1.0")
        for row in (
            bundle("infrastructure", v, *(image(k, m, v) for k, m in kinds), image("model-list", "Reed-40", v)),
            bundle("blade", v, *(image(k, "Tern-2", v) for k in inner)),
        )
    ]
    rules = manifest(
        *bundles,
        release=[{"name": v, "infrastructure": v, "blade": v} for v in ("6.0.1", "6.1.0")],
        jump=[{"what": {}, "to": ">=6.0", "from": ">=6.0", "direction": "down", "source": "notes 9"}],
    )
    components = whole_domain("6.1.0", racks=0)
    rows = [replace(c, active="6.1.0") for c in components.components if c.kind != "chassis-controller"]
    fleet = Fleet(rules, replace(components, components=tuple(rows)))
    found = route(fleet, "holm-a", "6.0.1", stored_all(rules), NOW)
    assert isinstance(found, Route)
    return fleet, found


def test_the_order_going_down() -> None:
    """ "remove settings that the older version lacks; servers; I/O modules and switches; manager last; the model list
    stays ahead" (common practice)
    """
    fleet, found = _downward()
    times = schedule(fleet, found)
    assert [s.what for s in found.steps] == ["servers", "infrastructure"]
    for window in times.windows:
        settings = next(a for a in window.actions if a.verb == "remove-settings")
        assert all(settings.end <= a.start for a in window.work if a.version and a is not settings)
    rows = times.windows[-1].actions
    manager = first(rows, "write", "domain-manager")
    assert all(a.end <= manager.start for a in rows if a.kind in ("io-module", "fabric-switch"))
    assert not [a for w in times.windows for a in w.actions if a.kind == "model-list"]


def test_after_a_swap_the_other_half_leads() -> None:
    """A half that leads is never restarted before the lead is swapped, in the second step neither."""
    _, times = planned(whole_domain("5.4.10"))
    own = [w for w in times.windows if any(a.verb == "swap-lead" for a in w.actions)]
    leads = "leading"
    for window in own:
        rows = [a for a in window.actions if a.kind == "fabric-switch" and a.verb in ("activate", "swap-lead")]
        follows = "following" if leads == "leading" else "leading"
        assert [(a.verb, a.half) for a in rows] == [("activate", follows), ("swap-lead", leads), ("activate", leads)]
        assert first(window.actions, "write", "domain-manager").half == leads
        leads = follows
    assert "since step 1" in first(own[1].actions, "activate", "fabric-switch").note
    fleet, found = _downward()  # there the manager comes after the swap
    assert first(schedule(fleet, found).windows[-1].actions, "write", "domain-manager").half == "following"


def test_inside_a_server() -> None:
    """ "workload moved off first; inside a server: management controller, BIOS, then the rest ... After each: the
    host's path count equals the count from before." (common practice)
    """
    _, times = planned(whole_domain("6.0.1", blades=1, racks=0))
    rows = [a for a in times.windows[1].actions if a.subject.startswith("server")]
    assert [a.verb for a in rows] == [
        *("note-paths", "move-workload", "confirm", "apply", "apply", "apply", "wait-for-paths"),
        *("verify", "verify", "verify", "compare-paths", "return-workload", "record"),
    ]
    assert [a.kind for a in rows if a.verb == "apply"] == ["management-controller", "bios", "network-adapter"]
    assert {a.down for a in rows if a.verb == "apply"} == {"server"}
    assert not [a for a in rows if a.verb in ("write", "activate")]


def test_every_action_is_in_the_list_and_a_timeline_is_plain() -> None:
    _, times = planned(whole_domain("5.4.10"))
    assert {a.verb for w in times.windows for a in w.actions} <= set(VERBS)
    assert dumps(asdict(times))
    assert times.makespan == sum(w.minutes for w in times.windows)
    assert times.is_shortest
    assert times.rounds == len(times.windows)


@pytest.mark.parametrize("blank", ["pair", "half", "both", "odd"])
def test_parts_of_unknown_side_are_activated_alone(blank: str) -> None:
    """Unknown is never good: any like component may be the other half."""
    components = chassis(whole_domain("6.0.1"), "2")
    more: dict[str, str | None] = {"pair": None} if blank == "pair" else {"half": None}
    if blank == "both":
        more = {"pair": None, "half": None}
    if blank == "odd":
        more = {"half": "leading"}
    components = having(components, "io-module", **more)
    _, times = planned(components)
    for start, end, action in downs(times):
        others = [o for s, e, o in downs(times) if s < end and start < e and o is not action]
        assert action.kind != "io-module" or not others
    (found,) = [f for f in times.findings if "io-module" in f.subject]
    assert found.code == "not-checked"
    assert_kept(components, times, 1)


def test_a_pair_that_is_not_healthy_is_told() -> None:
    """ "a healthy pair" stands before anything (common practice); not known is not good."""
    for healthy, code in ((False, "pair-unhealthy"), (None, "not-checked")):
        components = whole_domain("6.0.1")
        rows = [replace(c, healthy=healthy) if c.key == "HOLM-A-IO-MODULE-IO-1-F" else c for c in components.components]
        _, times = planned(replace(components, components=tuple(rows)))
        assert [(f.code, f.subject) for f in times.findings] == [(code, "holm-a: io-module pair io-1")]


def test_what_is_known_to_stand_alone_needs_no_finding() -> None:
    _, times = planned(having(whole_domain("6.0.1"), "io-module", pair="", half=None))
    assert not times.findings


def test_a_manager_whose_lead_is_not_known_is_told() -> None:
    _, times = planned(having(whole_domain("6.0.1"), "domain-manager", half=None))
    assert any("which half leads" in f.message for f in times.findings)
    rows = times.windows[0].actions
    assert "not known" in first(rows, "write", "domain-manager").note


def test_nothing_that_may_be_a_pair_is_down_together_whatever_is_not_known() -> None:
    """ "an order that never takes both halves of a redundant pair down", with fields blanked by chance."""
    seen = 0
    for seed in range(40):
        rnd = random.Random(seed)
        components = chassis(whole_domain("6.0.1", blades=4), "2", "3")
        rows = []
        for component in components.components:
            kept = component
            for name in ("pair", "half", "chassis", "cluster"):
                if rnd.random() < 0.15:
                    kept = replace(kept, **{name: None})  # type: ignore[arg-type]  # each of them may be unknown
            if kept.cluster:
                kept = replace(kept, cluster="c2" if "-1-3" in kept.key or "-1-4" in kept.key else "c1")
            rows.append(kept)
        blanked = replace(components, components=tuple(rows))
        hands = rnd.randint(1, 3)
        _, times = planned(blanked, rnd.choice([None, 120, 240]), hands)
        assert_kept(blanked, times, hands)
        assert times.lower_bound <= times.makespan
        seen += len(downs(times))
    assert seen > 1000


def test_servers_of_one_cluster_one_after_the_other_and_two_at_a_time_where_that_is_asked() -> None:
    components = whole_domain("6.0.1", blades=4, racks=0)
    for hands, starts in ((1, 4), (2, 2), (4, 1)):
        window = planned(components, per_cluster=hands)[1].windows[1]
        moves = [a.start for a in window.actions if a.verb == "move-workload"]
        assert (len(moves), len(set(moves))) == (4, starts)


def _first_in(cluster: str | None) -> Inventory:
    """Three servers, the first of them in another cluster."""
    components = whole_domain("6.0.1", blades=3, racks=0)
    rows = tuple(replace(c, cluster=cluster) if c.slot == "1" else c for c in components.components)
    return replace(components, components=rows)


def test_a_server_of_an_unknown_cluster_is_worked_on_alone_and_told() -> None:
    components = _first_in(None)
    _, times = planned(components, per_cluster=2)
    (told,) = times.findings
    assert (told.code, told.message.split(",")[0]) == ("not-checked", "its cluster is not known")
    assert_kept(components, times, 2)


def test_a_server_that_is_known_to_be_in_no_cluster_costs_no_window() -> None:
    """`-` is a value: it is in nobody's way, so it goes beside the others."""
    _, times = planned(_first_in(""), per_cluster=2)
    assert not times.findings
    assert times.windows[1].minutes == planned(_first_in("c1"), per_cluster=3)[1].windows[1].minutes
    moves = [a.start for a in times.windows[1].actions if a.verb == "move-workload"]
    assert (len(moves), len(set(moves))) == (3, 1)


def test_no_window_is_longer_than_asked_and_a_piece_that_does_not_fit_is_refused() -> None:
    components = whole_domain("6.0.1")
    found, times = planned(components, 100)
    assert all(w.minutes <= 100 for w in times.windows)
    assert len(times.windows) > len(found.steps)
    with pytest.raises(InputError, match="too short") as e:
        planned(components, 20)
    least = int(e.value.hint.split()[1].rstrip("m"))
    assert planned(components, least)[1].windows
    with pytest.raises(InputError):
        planned(components, least - 1)
    assert len(e.value.problems) > 1


def test_a_length_of_nothing_and_no_hands_are_refused() -> None:
    with pytest.raises(InputError):
        planned(whole_domain("6.0.1"), 0)
    with pytest.raises(InputError):
        planned(whole_domain("6.0.1"), None, 0)


def policy(applies: str | None, versions: dict[str, str] | None = None, scope: tuple[str, ...] = ("holm-a",)) -> Policy:
    return Policy("gold", versions, applies, scope)


def test_a_policy_is_edited_once_and_confirmed_or_applied_by_a_restart() -> None:
    components = whole_domain("6.0.1")
    for applies, verb in (
        ("on-start-update-request", "confirm"),
        ("on-reset", "restart"),
        ("in-maintenance-window-on-reset", "restart"),
    ):
        _, times = planned(replace(components, policies=(policy(applies),)))
        rows = times.windows[1].actions
        (edit,) = [a for a in rows if a.verb == "edit-policy"]
        assert edit.down == "nothing"
        assert "blade 6.1.0, rack 6.1.0" in edit.note
        assert len([a for a in rows if a.verb == verb]) == 3
        assert all(edit.end <= a.start for a in rows if a.subject.startswith("server"))
        looked = [a for a in rows if a.verb == "check-window"]
        assert [a.end for a in looked] == [a.start for a in rows if a.verb == verb] * ("window" in applies)


def test_a_policy_that_names_the_version_is_not_edited_unless_an_earlier_step_edited_it() -> None:
    _, times = planned(whole_domain("6.0.1"))
    assert not [a for w in times.windows for a in w.actions if a.verb == "edit-policy"]
    _, times = planned(whole_domain("5.4.10"))  # by 6.0.1, which gold does not name
    assert [w.number for w in times.windows for a in w.actions if a.verb == "edit-policy"] == [2, 4]


def test_servers_of_one_at_once_policy_are_one_piece_where_they_may_go_together() -> None:
    """A policy shared by many servers ... that applies at once restarts them all when it is edited."""
    components = replace(whole_domain("6.0.1"), policies=(policy("immediate"),))
    _, times = planned(components, per_cluster=3)
    assert not times.unplanned
    rows = times.windows[1].actions
    (edit,) = [a for a in rows if a.verb == "edit-policy"]
    assert all(a.end <= edit.start for a in rows if a.verb == "move-workload")
    assert all(a.start >= edit.end for a in rows if a.verb == "apply")
    (found,) = times.findings
    assert (found.code, found.level) == ("policy-immediate", Level.WARNING)
    assert_kept(components, times, 3)


def test_servers_of_a_policy_that_waits_for_a_maintenance_window_restart_together_when_it_starts() -> None:
    """DSP0266's AtMaintenanceWindowStart (from memory): no restart of anybody's is waited for."""
    components = replace(whole_domain("6.0.1"), policies=(policy("at-maintenance-window-start"),))
    _, times = planned(components, per_cluster=3)
    rows = times.windows[1].actions
    (edit,) = [a for a in rows if a.verb == "edit-policy"]
    (start,) = [a for a in rows if a.verb == "start-window"]
    assert all(a.end <= edit.start for a in rows if a.verb == "move-workload")
    assert edit.end <= start.start
    assert all(a.start >= start.end for a in rows if a.verb == "apply")
    assert [f.code for f in times.findings] == ["policy-immediate"]
    _, times = planned(components, per_cluster=2)
    assert times.unplanned == (("holm-a", 2),)


@pytest.mark.parametrize("applies", ["immediate", None])
def test_an_at_once_policy_that_would_restart_too_many_is_refused(applies: str | None) -> None:
    components = replace(whole_domain("6.0.1"), policies=(policy(applies),))
    _, times = planned(components, per_cluster=2)
    assert times.unplanned == (("holm-a", 2),)
    assert {w.step for w in times.windows} == {1}
    (found,) = times.findings
    assert found.level is Level.ERROR
    assert found.hint.startswith("split the policy first")


def test_an_at_once_policy_that_reaches_another_domain_is_refused_and_a_shared_one_told() -> None:
    other = blade("9", "6.0.1", domain="holm-b")
    components = whole_domain("6.0.1", blades=1, racks=0)
    components = replace(components, components=(*components.components, *other))
    _, times = planned(replace(components, policies=(policy("immediate", scope=("*",)),)))
    assert times.unplanned
    assert "holm/holm-b/1/9" in times.findings[0].message
    _, times = planned(replace(components, policies=(policy("on-reset", scope=("*",)),)))
    assert not times.unplanned
    assert [f.code for f in times.findings] == ["policy-shared"]


def test_a_shared_policy_that_needs_no_edit_is_not_told() -> None:
    """It names the version already: nothing is edited, so nobody else is reached."""
    components = whole_domain("6.0.1", blades=1, racks=0)
    components = replace(components, components=(*components.components, *blade("9", "6.0.1", domain="holm-b")))
    named = replace(policy("on-reset", scope=("*",)), versions={"blade": "6.1.0"})
    _, times = planned(replace(components, policies=(named,)))
    assert not times.unplanned
    assert times.findings == ()


def test_an_unknown_policy_is_an_error_and_none_is_assigned() -> None:
    components = whole_domain("6.0.1", blades=1, racks=0)
    rows = tuple(replace(c, policy=None) if c.parent else c for c in components.components)
    _, times = planned(replace(components, components=rows))
    assert [(f.code, f.level) for f in times.findings] == [("not-checked", Level.ERROR)]
    rows = tuple(replace(c, policy="") if c.parent else c for c in components.components)
    _, times = planned(replace(components, components=rows))
    assert [f.code for f in times.findings] == ["no-policy"]
    assert "assign-policy" in [a.verb for a in times.windows[1].actions]


def fleet_of(
    *domains: str, separate_windows: tuple[SeparateWindows, ...] = (), clusters: str = ""
) -> tuple[Fleet, list[Route]]:
    components = [whole_domain("6.0.1", domain=d) for d in domains]
    rows = [
        replace(c, cluster=clusters or f"{c.cluster}-{c.domain}") if c.parent else c
        for p in components
        for c in p.components
    ]
    policies = [Policy("gold", None, "on-start-update-request")]
    fleet = Fleet(marram(), replace(inventory(rows, (), policies), separate_windows=separate_windows))
    routes = [route(fleet, d, "6.1", stored_all(marram()), NOW) for d in domains]
    return fleet, [r for r in routes if isinstance(r, Route)]


def test_domains_apart_are_never_in_one_round_and_others_may_be() -> None:
    """`[[separate_windows]]`: `domains` never in one window."""
    separate_windows = (SeparateWindows(("holm-a", "holm-b")), SeparateWindows(("skerry-a", "holm-b")))
    fleet, routes = fleet_of("holm-a", "holm-b", "skerry-a", separate_windows=separate_windows)
    times = schedule_all(fleet, routes, 240)
    assert {(w.domain, w.apart_from) for w in times.windows} == {
        ("holm-a", ("holm-b",)),
        ("holm-b", ("holm-a", "skerry-a")),
        ("skerry-a", ("holm-b",)),
    }
    together = [{w.domain for w in times.windows if w.round == n} for n in range(1, times.rounds + 1)]
    assert {"holm-a", "skerry-a"} in together
    assert not [t for t in together if "holm-b" in t and len(t) > 1]
    assert times.lower_bound <= times.makespan
    assert times.is_shortest
    assert [w.number for w in times.windows] == list(range(1, len(times.windows) + 1))


def test_a_cluster_over_two_domains_is_not_worked_on_in_both_at_a_time() -> None:
    fleet, routes = fleet_of("holm-a", "holm-b", clusters="wide")
    times = schedule_all(fleet, routes)
    assert [w.domain for w in times.windows if w.step == 2] != []
    for n in some(range(1, times.rounds + 1)):
        assert len([w for w in times.windows if w.round == n and w.step == 2]) < 2


def test_domains_that_share_a_cluster_are_not_in_one_round_when_either_restarts_something_of_it() -> None:
    """Paths of one domain and servers of the other, of one cluster: its workload would have nowhere to go."""
    for clusters, limit in (("wide", 100), ("wide", None), ("", 100)):
        fleet, routes = fleet_of("holm-a", "holm-b", clusters=clusters)
        times = schedule_all(fleet, routes, limit)
        together = 0
        for n in some(range(1, times.rounds + 1)):
            rows = [w for w in times.windows if w.round == n]
            restarts = [w for w in rows if any(a.down in ("half", "path", "server") for a in w.actions)]
            together += len(rows) > 1
            assert not clusters or len(rows) < 2 or not restarts
        assert together or clusters


def test_many_domains() -> None:
    """Forty domains, in a chain of apart sets: every round obeys every set."""
    names = [f"d{n:02}" for n in range(40)]
    separate_windows = tuple(SeparateWindows((a, b)) for a, b in pairwise(names))
    fleet, routes = fleet_of(*names, separate_windows=separate_windows)
    times = schedule_all(fleet, routes, 240)
    for n in range(1, times.rounds + 1):
        here = {w.domain for w in times.windows if w.round == n}
        assert not [row for row in separate_windows if here.issuperset(row.domains)]
    assert len({(w.domain, w.step) for w in times.windows}) == 80
    with pytest.raises(InputError, match="two routes"):
        schedule_all(fleet, [routes[0], routes[0]])


#: By these the route that is scheduled knows its components: without one of them it is another route.
_OF_THE_ROUTE = ("parent", "model", "serial", "active")
_FIELDS = tuple(key for key in COMPONENT_KEYS if key not in {*NEEDED, *_OF_THE_ROUTE})


def _blanked(components: Inventory) -> Iterable[Inventory]:
    """The inventory with each field of each component not known, one at a time, and each word about its policies."""
    for n, component in enumerate(components.components):
        for name in _FIELDS:
            if getattr(component, name) is not None:
                rows = list(components.components)
                rows[n] = replace(component, **{name: None})  # type: ignore[arg-type]  # each of them may be unknown
                yield replace(components, components=tuple(rows))
    for n, one in enumerate(components.policies):
        for blank in (replace(one, applies=None), replace(one, versions=None), replace(one, scope=None)):
            yield replace(components, policies=(*components.policies[:n], blank, *components.policies[n + 1 :]))
        yield replace(components, policies=(*components.policies[:n], *components.policies[n + 1 :]))


@pytest.mark.parametrize("applies", ["on-start-update-request", "on-reset", "immediate"])
@pytest.mark.parametrize("hands", [1, 3])
def test_a_blank_field_makes_no_answer_better(applies: str, hands: int) -> None:
    """Blanking a field of an input may never make an answer better."""
    other = blade("9", "6.0.1", domain="holm-b")
    components = replace(whole_domain("6.0.1", blades=2, racks=1), policies=(policy(applies, scope=("*",)),))
    for world in (components, replace(components, components=(*components.components, *other))):
        fleet = Fleet(marram(), world)
        found = route(fleet, "holm-a", "6.1", stored_all(marram()), NOW)
        assert isinstance(found, Route)
        whole = schedule(fleet, found, None, hands)
        for blank in _blanked(world):
            times = schedule(Fleet(marram(), blank), found, None, hands)
            assert is_ok(times.findings) <= is_ok(whole.findings)
            worst = {f.level for f in whole.findings}
            assert Level.ERROR not in worst or Level.ERROR in {f.level for f in times.findings}
            if not times.unplanned and not whole.unplanned and is_ok(times.findings):
                assert times.makespan >= whole.makespan


def test_disorderly_domains_are_planned_too() -> None:
    """Whatever a route leads through, its windows keep the rules, and every way back says how and until when."""
    planned_ = 0
    for seed in range(40):
        rnd = random.Random(seed)
        rules, components = disorderly_manifest(rnd), disorderly_fleet(rnd)
        fleet = Fleet(rules, components)
        routes = [route(fleet, d, "6.1", disorderly_store(rnd, rules), NOW) for d in ("holm-a", "holm-b")]
        found = [r for r in routes if isinstance(r, Route) and r.steps]
        times = schedule_all(fleet, found, 400, 2)
        assert_kept(components, times, 2)
        done = {(w.domain, w.step) for w in times.windows} | set(times.unplanned)
        assert done == {(r.domain, s.number) for r in found for s in r.steps}
        for one in found:
            ways = ways_back(fleet, one, disorderly_store(rnd, rules))
            assert all(w.how and w.until and (w.rule or w.means == "none") for w in ways)
            planned_ += len(one.steps)
    assert planned_ > 20


def test_before_a_later_window_of_a_step_the_checks_are_made_again() -> None:
    """Another day may have come between (common practice: the checks belong to the day of the work)."""
    _, times = planned(whole_domain("6.0.1"), 100)
    later = [w for n, w in enumerate(times.windows) if n and times.windows[n - 1].step == w.step]
    assert later, "a step that is split over windows"
    for window in times.windows:
        number, minutes = times.again(window)
        if window not in later:
            assert (number, minutes) == (0, 0)
            continue
        opening = next(w for w in times.windows if w.number == number)
        assert opening.step == window.step and opening.number < window.number
        assert minutes == sum(a.minutes for a in opening.actions if a.verb.startswith("check-"))
        assert not any(a.verb.startswith("check-") for a in window.actions)
