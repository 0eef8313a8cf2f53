"""The way back of each step of a route."""

from __future__ import annotations

from dataclasses import replace

from bundlekeeper.planning.back import ways_back
from bundlekeeper.planning.fleet import Fleet
from bundlekeeper.planning.route import Route, route
from bundlekeeper.planning.supply import Holdings
from tests.planning_kit import NOW, held_all, marram, whole_domain


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
