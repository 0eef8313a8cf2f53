"""Plans in real windows, with so many pieces of work at a time, and the time to turn back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.model.route.dated_windows import DatedWindow
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.route.find import route
from bundlekeeper.planning.route.types import Route
from bundlekeeper.planning.route.way_back import WayBack, ways_back
from bundlekeeper.planning.windows.make import schedule, schedule_all
from bundlekeeper.planning.windows.schedule import Limits, WorkPiece, hands_of, lower_bound, pack
from bundlekeeper.planning.windows.turn_back import with_turn_back
from bundlekeeper.planning.windows.types import EFFECTS, Action, Window
from tests.kits.planning_kit import NOW, marram, stored_all, whole_domain


def dates(*minutes: int, site: str = "holm") -> tuple[DatedWindow, ...]:
    return tuple(
        DatedWindow(site, f"2026-12-{number:02}T01:00+00:00", length, "UTC") for number, length in enumerate(minutes, 1)
    )


def planned() -> tuple[Fleet, Route]:
    fleet = Fleet(marram(), whole_domain("6.0.1", blades=4))
    found = route(fleet, "holm-a", "6.1", stored_all(marram()), NOW)
    assert isinstance(found, Route)
    return fleet, found


def test_each_window_is_in_a_real_one_and_none_is_longer() -> None:
    fleet, found = planned()
    real = (*dates(20, 240, 100, 30, 120, 240, 240, 240), *dates(600, site="skerry"))
    times = schedule(fleet, found, dated=real)
    assert [w.dated for w in times.windows] == sorted({w.dated for w in times.windows if w.dated}, key=real.index)
    for window in times.windows:
        assert window.dated is not None
        assert (window.dated.site, window.minutes <= window.dated.minutes) == ("holm", True)
        assert any(action.verb in EFFECTS for action in window.actions)  # none is used for checks alone
    assert times.windows[0].dated == real[1]
    done = [a.key for w in times.windows for a in w.actions if a.verb == "record"]
    free = schedule(fleet, found)
    assert sorted(done) == sorted(a.key for w in free.windows for a in w.actions if a.verb == "record")


def test_too_few_or_too_short_windows_are_refused_with_how_many_more() -> None:
    fleet, found = planned()
    with pytest.raises(InputError) as caught:
        schedule(fleet, found, dated=dates(240))
    assert "1 window at site holm is not enough: the plan needs" in caught.value.message
    with pytest.raises(InputError, match="too short"):
        schedule(fleet, found, dated=dates(20, 20))
    with pytest.raises(InputError, match="no window is at site holm") as caught:
        schedule(fleet, found, dated=dates(240, site="skerry"))
    assert caught.value.hint == "it has skerry"


def test_at_most_so_many_pieces_of_work_go_on_at_a_time() -> None:
    pieces = [WorkPiece(str(n), (Action("write", str(n), "", "", 10 + n, assumed=False),)) for n in range(5)]
    for parallel, least in ((1, 60), (2, 33), (5, 14)):
        limits = Limits(parallel=parallel)
        (rows,) = pack(pieces, limits)
        assert hands_of(pieces, rows) == parallel
        assert max(start + pieces[i].minutes for i, start in rows) >= lower_bound(pieces, limits) >= least - 3
    assert lower_bound(pieces, Limits(parallel=1)) == 60


def test_a_site_has_so_many_hands_in_all_of_its_domains() -> None:
    fleet = Fleet(marram(), whole_domain("6.0.1"))
    more = whole_domain("6.0.1", domain="holm-b")
    others = (replace(p, cluster=p.cluster and f"{p.cluster}-b") for p in more.components)  # nor in each other's way
    both = replace(fleet.inventory, components=(*fleet.inventory.components, *others),
                   partitions=(*fleet.inventory.partitions, *more.partitions))  # fmt: skip
    fleet = Fleet(marram(), both)
    found = [route(fleet, name, "6.1", stored_all(marram()), NOW) for name in ("holm-a", "holm-b")]
    routes = [way for way in found if isinstance(way, Route)]
    free = schedule_all(fleet, routes)
    one = schedule_all(fleet, routes, parallel={"": 1})
    assert max(sum(w.round == other.round for w in free.windows) for other in free.windows) == 2
    assert max(sum(w.round == other.round for w in one.windows) for other in one.windows) == 1
    assert schedule_all(fleet, routes, parallel={"skerry": 1}).makespan == free.makespan
    assert one.makespan >= one.lower_bound


def _window(*actions: Action, dated: DatedWindow | None = None) -> Window:
    return Window(1, 1, actions, max(a.end for a in actions), (), "holm-a", 1, dated)


def _way(key: str, **more: object) -> WayBack:
    about = WayBack(1, "bios", "Tern-2", (key,), "", "", "", exists=True, known=True, means="switch", allowed=True)
    return replace(about, **more)  # type: ignore[arg-type]  # names of its own fields


def test_going_back_ends_within_the_window() -> None:
    """What took from minute 20 to the turn takes as long again: 20 + 2 x 110 = 240."""
    actions = (
        Action("move-workload", "s", "", "", 20, assumed=True),
        Action("write", "s", "bios", "6.1.0", 60, assumed=False, start=20, key="k"),
        Action("write", "s", "bios", "6.1.0", 60, assumed=False, start=100, key="late"),
    )
    ways = [_way("k"), _way("late")]
    assert with_turn_back(_window(*actions), ways, 240).turn_back == 130
    assert with_turn_back(_window(*actions), ways, None).turn_back == 90  # as long as its work
    assert with_turn_back(_window(*actions, dated=dates(300)[0]), ways, None).turn_back == 160
    restored = with_turn_back(_window(*actions), [_way("k", means="restore"), ways[1]], 240)
    assert restored.turn_back == 125  # ten minutes more for the backup
    for lack, word in (
        ({"allowed": False}, "no rule allows"), ({"exists": False}, "no way back"), ({"known": False}, "not known"),
        ({"allowed": None}, "not known"),
    ):  # fmt: skip
        turned = with_turn_back(_window(*actions), [ways[0], _way("late", **lack)], 240)
        assert (turned.turn_back, word in turned.turn_back_reason) == (100, True)
    assert with_turn_back(_window(actions[0]), ways, 240).turn_back == 240


def test_a_real_plan_turns_back_no_later_than_what_has_no_way_back_begins() -> None:
    fleet, found = planned()
    ways = ways_back(fleet, found, stored_all(marram()))
    for window in schedule(fleet, found, 240).windows:
        turned = with_turn_back(window, ways, 240)
        lost = {key for way in ways if way.step == window.step and way.allowed is not True for key in way.keys}
        begun = [a.start for a in window.work if a.verb in EFFECTS and a.key in lost]
        assert turned.turn_back <= min(begun, default=240)


class _Counted(Limits):
    """Limits that are asked of so many windows at most: a schedule that opens windows for ever fails."""

    def of(self, number: int) -> int | None:
        assert number < 100, "a window is opened for ever"
        return super().of(number)


def test_past_the_last_real_window_one_is_used_for_checks_alone() -> None:
    """Leaving it empty would make nothing better, and so never come to an end."""
    check = WorkPiece("check", (Action("check-backup", "check", "", "", 10, assumed=False),))
    work = WorkPiece("work", (Action("write", "work", "", "", 15, assumed=False),), after=(0,))
    assert [rows for rows in pack([check, work], _Counted(lengths=(20,))) if rows] == [[(0, 0), (1, 10)]]


def at_two_sites() -> tuple[Fleet, Route]:
    """holm-a with its servers at skerry and the rest at holm."""
    inventory = whole_domain("6.0.1", blades=4, racks=0)
    of_server = Fleet(marram(), inventory).manifest_index.is_of_server
    servers = {c.parent or c.key for c in inventory.components if of_server(c.kind)}
    there = sorted(servers)[:2]
    moved = tuple(replace(c, site="skerry") if (c.parent or c.key) in there else c for c in inventory.components)
    fleet = Fleet(marram(), replace(inventory, components=moved))
    found = route(fleet, "holm-a", "6.1", stored_all(marram()), NOW)
    assert isinstance(found, Route)
    return fleet, found


def test_a_domain_at_two_sites_is_worked_on_while_both_have_a_window() -> None:
    fleet, found = at_two_sites()
    holm, skerry = dates(*[600] * 9), dates(*[600] * 8, site="skerry")
    later = tuple(replace(window, begins=window.begins.replace("T01:00", "T03:00")) for window in skerry)
    times = schedule(fleet, found, dated=(*holm, *later))
    assert {w.dated.site for w in times.windows if w.dated} == {"holm and skerry"}
    for window in times.windows:
        assert window.dated is not None
        assert (window.dated.time().hour, window.dated.minutes) == (3, 480)
    assert schedule(fleet, found, dated=(*later, *holm)).windows == times.windows
    with pytest.raises(InputError, match="no window is at site skerry"):
        schedule(fleet, found, dated=holm)
    apart = tuple(replace(window, begins=window.begins.replace("T01:00", "T12:00")) for window in skerry)
    with pytest.raises(InputError, match="the sites holm and skerry, which have no window at the same time"):
        schedule(fleet, found, dated=(*holm, *apart))
    with pytest.raises(InputError, match="1 window at the sites holm and skerry together is not enough"):
        schedule(fleet, found, dated=(*holm, *later[:1]))


def test_hands_are_counted_at_the_site_of_what_they_work_on() -> None:
    fleet, found = at_two_sites()
    sites = {name: c.site for c in fleet.inventory.components for name in (c.key, c.parent) if name}

    def most(parallel: dict[str, int]) -> tuple[int, int]:
        """The servers at holm and at skerry that are worked on at one time, at most."""
        counts = {"holm": 0, "skerry": 0}
        for window in schedule(fleet, found, per_cluster=4, parallel=parallel).windows:
            spans = [(sites[a.key], a.start, a.end, a.key) for a in window.work if a.verb == "move-workload"]
            for _, begin, _, _ in spans:
                for site in counts:
                    now = {key for where, start, end, key in spans if where == site and start <= begin < end}
                    counts[site] = max(counts[site], len(now))
        return counts["holm"], counts["skerry"]

    assert most({}) == (2, 2)
    assert most({"holm": 1}) == (1, 2)
    assert most({"skerry": 1}) == (2, 1)
    assert most({"": 1}) == (1, 1)
    assert most({"": 2, "holm": 1}) == (1, 2)


def test_how_long_windows_would_do_is_right() -> None:
    fleet, found = planned()
    real = dates(240, 240, 240, 240)
    free = [window.minutes for window in schedule(fleet, found).windows]
    short = tuple(replace(window, minutes=w) for window, w in zip(real, (400, *[max(free) - 1] * 3), strict=True))
    with pytest.raises(InputError) as caught:
        schedule(fleet, found, dated=short[: len(free)])
    least = int(caught.value.hint.split("make each of them ")[1].split()[0])

    def at_least(minutes: int) -> tuple[DatedWindow, ...]:
        return tuple(replace(window, minutes=max(window.minutes, minutes)) for window in short[: len(free)])

    assert schedule(fleet, found, dated=at_least(least)).windows
    with pytest.raises(InputError):
        schedule(fleet, found, dated=at_least(least - 1))
    with pytest.raises(InputError) as caught:
        schedule(fleet, found, dated=real[:1])
    assert caught.value.hint == "add windows to the file"  # no length does: each step is in a window of its own
