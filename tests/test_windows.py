"""Windows and ways back: by example, and schedules held against every order of small cases."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import product

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.model.inventory import Apart, Inventory
from bundlekeeper.planning.back import ways_back
from bundlekeeper.planning.fleet import Fleet
from bundlekeeper.planning.route import Route, route
from bundlekeeper.planning.supply import Holdings
from bundlekeeper.planning.windows import Action, Piece, Timeline, lower_bound, schedule, split
from tests.planning_kit import NOW, held_all, marram, whole_domain


def planned(parts: Inventory, length: int | None = None, per_cluster: int = 1) -> tuple[Route, Timeline]:
    fleet = Fleet(marram(), parts)
    found = route(fleet, "holm-a", "6.1", held_all(marram()), NOW)
    assert isinstance(found, Route)
    return found, schedule(fleet, found, length, per_cluster)


def test_a_redundant_pair_is_never_down_together() -> None:
    """ "an order that never takes both halves of a redundant pair down" (trade.md)"""
    parts = whole_domain("5.4.10")
    pair_of = {c.key: c.pair for c in parts.components if c.pair}
    _, times = planned(parts)
    seen = 0
    for window in times.windows:
        downs = [a for a in window.actions if a.down != "nothing" and a.subject.split()[-1] in pair_of]
        seen += len(downs)
        for a, b in product(downs, downs):
            if a is not b and pair_of[a.subject.split()[-1]] == pair_of[b.subject.split()[-1]]:
                assert a.start + a.minutes <= b.start or b.start + b.minutes <= a.start
    assert seen > 10


def test_the_following_switch_first_then_the_lead_is_swapped() -> None:
    """ "The *following* switch; wait until every path is back; swap the lead; then the other." (trade.md)"""
    _, times = planned(whole_domain("6.0.1"))
    rows = [a for a in times.windows[0].actions if a.kind == "fabric-switch"]
    following = ["stage", "activate", "wait-for-paths", "verify", "record"]
    assert [a.verb for a in rows] == [*following, "stage", "swap-lead", *following[1:]]
    assert rows[0].subject.endswith("-F")
    assert rows[-1].subject.endswith("-L")


def test_servers_of_one_cluster_one_after_the_other_and_two_at_a_time_where_that_is_asked() -> None:
    parts = whole_domain("6.0.1", blades=4, racks=0)
    one, two = planned(parts)[1].windows[1], planned(parts, per_cluster=2)[1].windows[1]
    assert one.minutes == 2 * two.minutes


def test_a_server_without_a_cluster_is_worked_on_alone_and_told() -> None:
    parts = whole_domain("6.0.1", blades=3, racks=0)
    lonely = tuple(replace(c, cluster=None) if c.slot == "1" else c for c in parts.components)
    _, times = planned(replace(parts, components=lonely), per_cluster=2)
    assert [f.code for f in times.findings] == ["not-checked"]
    window = times.windows[1]
    mine = [a for a in window.actions if "SRV-holm-a-1-1" in a.subject]
    other = [a for a in window.actions if a not in mine]
    assert mine
    assert min(a.start for a in mine) >= max(a.start + a.minutes for a in other)


def test_no_window_is_longer_than_asked_and_a_piece_that_does_not_fit_is_refused() -> None:
    parts = whole_domain("6.0.1")
    found, times = planned(parts, 60)
    assert all(w.minutes <= 60 for w in times.windows)
    assert len(times.windows) > len(found.steps)
    with pytest.raises(InputError, match="too short for domain-manager"):
        planned(parts, 20)


def test_domains_apart_are_named_with_each_window() -> None:
    parts = replace(whole_domain("6.0.1"), apart=(Apart(("holm-a", "holm-b")), Apart(("skerry-a", "holm-b"))))
    assert {w.apart_from for w in planned(parts)[1].windows} == {("holm-b",)}


def _best(pieces: list[Piece], per_cluster: int) -> int:
    """The shortest of all ways to share each cluster's pieces out, then what is done alone."""
    longest = 0
    for cluster in {p.cluster for p in pieces} - {None}:
        minutes = [p.minutes for p in pieces if p.cluster == cluster]
        loads = []
        for hands in product(range(per_cluster), repeat=len(minutes)):
            loads.append(max(sum(m for m, h in zip(minutes, hands, strict=True) if h == n) for n in range(per_cluster)))
        longest = max(longest, min(loads))
    return longest + sum(p.minutes for p in pieces if p.cluster is None)


def test_schedules_against_every_order() -> None:
    """Longest first is at most 4/3 - 1/(3m) of the best (Graham 1969, from memory); the bound is never above it."""
    for seed in range(300):
        rnd = random.Random(seed)
        pieces = []
        for n in range(rnd.randint(1, 6)):
            action = Action("write", f"p{n}", "bios", "1", rnd.randint(1, 30), assumed=False)
            pieces.append(Piece(f"p{n}", (action,), rnd.choice([None, "a", "b", "b"])))
        hands = rnd.randint(1, 3)
        best = _best(pieces, hands)
        (rows,) = split(pieces, None, hands)
        end = max(a.start + a.minutes for a in rows)
        assert lower_bound(pieces, hands) <= best <= end <= best * (4 / 3 - 1 / (3 * hands)) + 1e-9
        several = list(split(pieces, 40, hands))
        assert sorted(a.subject for w in several for a in w) == sorted(p.subject for p in pieces)
        assert all(a.start + a.minutes <= 40 for w in several for a in w)


def test_ways_back() -> None:
    """ "Spare bank written again too early: the way back is gone." (trade.md)"""
    fleet = Fleet(marram(), whole_domain("5.4.10"))
    found = route(fleet, "holm-a", "6.1", held_all(marram()), NOW)
    assert isinstance(found, Route)
    rows = {(w.step, w.kind): w for w in ways_back(fleet, found, held_all(marram()))}
    module = rows[1, "io-module"]
    assert (module.how, module.until) == ("switch the banks back to 5.4.10", "step 3 writes it again")
    assert rows[3, "io-module"].until == "it is written again"
    switch = rows[1, "fabric-switch"]
    assert switch.exists
    assert switch.known
    assert "restore the backup" in rows[1, "domain-manager"].how
    empty = {(w.step, w.kind): w for w in ways_back(fleet, found, Holdings())}
    assert not empty[1, "domain-manager"].exists
    assert "is held" in empty[1, "domain-manager"].how


def test_a_file_that_is_not_known_to_lie_there_is_no_known_way_back() -> None:
    parts = whole_domain("6.0.1")
    blank = replace(parts, components=tuple(replace(c, held=None) for c in parts.components))
    fleet = Fleet(marram(), blank)
    found = route(fleet, "holm-a", "6.1", held_all(marram()), NOW)
    assert isinstance(found, Route)
    (switch,) = [w for w in ways_back(fleet, found, held_all(marram())) if w.kind == "fabric-switch"]
    assert not switch.known
    assert not switch.exists
