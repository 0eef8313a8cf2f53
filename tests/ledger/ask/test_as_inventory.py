"""Inventories in the ledger: loading, loading again, late, wrongly; and the inventory that is believed afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.ledger.ask.as_inventory import believed, load, plan_load, readings
from bundlekeeper.ledger.ask.types import Agreement, Selector, WhereAnswer
from bundlekeeper.ledger.ask.where import where
from bundlekeeper.ledger.event.events import Event, EventKind, Seen
from bundlekeeper.ledger.exchange.merge import export, merge
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.inventory.changes import InventoryChange
from bundlekeeper.model.inventory.types import Component, Inventory, Partition, Policy, SeparateWindows
from tests.kits.ledger_history import DAY0, MEMORY, at, everything, stated
from tests.kits.postgres import cluster, each_ledger

BIOS = Component(
    "bios",
    "holm",
    "holm-a",
    "1",
    "3",
    "MB4-7",
    "Tern-4",
    "B7",
    active="6.0",
    pending="",
    spare="5.4",
    policy="web",
    cluster="c",
)
SWITCH = Component(
    "fabric-switch", "holm", "holm-a", serial="F1", active="6.0", boot_files=("5.4", "6.0"), pair="f", half="leading"
)
DISK = Component("disk", "holm", "holm-a", "1", "3/1", "MB4-7", "D", active="1.0")
ROWS = (BIOS, SWITCH, DISK)


__all__ = ["cluster", "each_ledger"]


@pytest.fixture
def ledger(each_ledger: Ledger) -> Ledger:
    return each_ledger


def inventory(day: int, rows: Sequence[Component] = ROWS, **more: Any) -> Inventory:
    """Of everything in the domains of these rows, unless `complete` says otherwise."""
    read_at = (DAY0 + timedelta(days=day)).date()
    whole = tuple(sorted({f"domain:{row.domain}" for row in rows}))
    return Inventory(read_at, more.pop("zone", "UTC"), tuple(rows), complete=more.pop("complete", whole), **more)


def changes(ledger: Ledger, found: Inventory, **more: Any) -> list[str]:
    """Load it; what changed, in words."""
    plan = plan_load(ledger, found, reported_by="list", source="holm.csv", **more)
    load(ledger, plan, DAY0)
    return [change.message() for change in plan.changes]


def test_a_first_load_adds_and_a_second_changes_nothing(ledger: Ledger) -> None:
    """ "Loading again shows what changed since": and nothing where nothing did."""
    assert [line.split(" at ")[0] for line in changes(ledger, inventory(0))] == [
        "bios B7 is new", "disk MB4-7:disk:1 is new", "fabric-switch F1 is new",
    ]  # fmt: skip
    count = ledger.head().count
    assert changes(ledger, inventory(0)) == []
    assert ledger.head().count == count == 4
    assert changes(ledger, inventory(1)) == []  # the next day's reading is evidence of its own
    assert ledger.head().count == 8


def test_what_changed_since(ledger: Ledger) -> None:
    """Added, gone, replaced component: same slot with a new serial, version drift."""
    changes(ledger, inventory(0))
    rows = [replace(BIOS, serial="B9"), replace(SWITCH, active="6.1"), replace(DISK, slot="3/2")]
    assert changes(ledger, inventory(2, rows)) == [
        "bios B9 replaces B7 at holm/holm-a/1/3",
        "disk MB4-7:disk:1 is gone from holm/holm-a/1/3/1",
        "disk MB4-7:disk:2 is new at holm/holm-a/1/3/2",
        "fabric-switch F1 at holm/holm-a/?/?: active was 6.0, is 6.1",
    ]
    assert [a.component for a in where(ledger, Selector(slot="3"))] == ["B9", "MB4-7:disk:2"]
    assert [a.component for a in where(ledger, Selector(slot="3"), on=date(2026, 1, 2))] == ["B7", "MB4-7:disk:1"]


def test_facts_that_only_readings_know_are_compared_too(ledger: Ledger) -> None:
    """A server that lost its policy."""
    changes(ledger, inventory(0))
    assert changes(ledger, inventory(1, [replace(BIOS, policy="")], complete=())) == [
        "bios B7 at holm/holm-a/1/3: policy was web, is none"
    ]


def test_a_list_leaves_alone_what_it_does_not_cover_whole(ledger: Ledger) -> None:
    """Nothing is gone by a list that does not say that it lists everything there."""
    changes(ledger, inventory(0))
    plan = plan_load(ledger, inventory(1, [BIOS], complete=()), reported_by="list", source="x")
    assert plan.changes == ()
    assert plan.unlisted == {("holm", "holm-a", "disk"): 1, ("holm", "holm-a", "fabric-switch"): 1}
    for complete in (("domain:holm-a",), ("site:holm",)):
        whole = plan_load(ledger, inventory(1, [BIOS], complete=complete), reported_by="list", source="x")
        assert [c.what for c in whole.gone] == [InventoryChange.GONE, InventoryChange.GONE]
        assert whole.unlisted == {}
    assert ledger.head().count == 4  # planning recorded nothing


def test_a_site_that_is_listed_whole_is_whole_in_domains_that_are_not_listed(ledger: Ledger) -> None:
    """A domain that was given up; other sites are left alone."""
    b, away = replace(BIOS, serial="B8", domain="holm-b"), replace(BIOS, serial="S1", site="skerry", domain="holm-b")
    # all with one parent, which is therefore a chassis and no server
    changes(ledger, inventory(0, [BIOS, b, away], complete=()))
    assert changes(ledger, inventory(1, [BIOS], complete=("site:holm",))) == ["bios B8 is gone from holm/holm-b/1/3"]
    assert [a.component for a in where(ledger, Selector())] == ["B7", "S1"]
    assert changes(ledger, inventory(2, [away], complete=("domain:holm-b",))) == []


SERVER = tuple(
    Component(kind, "holm", "holm-a", "1", slot, "OLD", active="5.4")
    for kind, slot in (("bios", "4"), ("management-controller", "4"), ("disk", "4/1"))
)


def test_a_server_in_an_occupied_slot_replaces_all_of_the_old_one(ledger: Ledger) -> None:
    """Also in a partial list, and what the list does not mention of the old server: no ghost of it is left."""
    changes(ledger, inventory(0, [*ROWS, *SERVER], complete=()))
    lines = changes(ledger, inventory(1, [replace(SERVER[0], parent="NEW")], complete=()))
    assert lines == [
        "bios NEW:bios replaces OLD:bios at holm/holm-a/1/4",
        "management-controller OLD:management-controller is gone from holm/holm-a/1/4 with OLD, which NEW replaces",
        "disk OLD:disk:1 is gone from holm/holm-a/1/4/1 with OLD, which NEW replaces",
    ]
    assert [a.component for a in where(ledger, Selector())] == ["F1", "B7", "MB4-7:disk:1", "NEW:bios"]
    ((reading, *_),) = [[r for r in readings(ledger) if r.at == at(1)]]
    fix = Event(what=EventKind.UNDONE, at=at(2), reported_by="ada", undoes=reading.id, reason="another slot")
    ledger.record([fix], DAY0)
    assert len(where(ledger, Selector())) == 6


def test_a_server_that_is_listed_elsewhere_takes_along_what_is_in_it(ledger: Ledger) -> None:
    """Two servers swapped their slots, and the list has only their BIOS: nothing is gone, all is in the new slots."""
    other = [replace(component, parent="NEW", slot="5" + (component.slot or "")[1:]) for component in SERVER]
    changes(ledger, inventory(0, [*SERVER, *other], complete=()))
    lines = changes(ledger, inventory(1, [replace(SERVER[0], slot="5"), replace(other[0], slot="4")], complete=()))
    assert len(lines) == 6
    assert all(" moved from " in line for line in lines)
    slots = {a.component: a.place.slot for a in where(ledger, Selector()) if a.place}
    assert slots == {
        "OLD:bios": "5", "OLD:management-controller": "5", "OLD:disk:1": "5/1",
        "NEW:bios": "4", "NEW:management-controller": "4", "NEW:disk:1": "4/1",
    }  # fmt: skip


def test_an_old_list_that_is_loaded_late_leaves_no_ghost(ledger: Ledger) -> None:
    """The list of the day before the swap comes after the one of the day after it."""
    later = [replace(component, parent="NEW") for component in SERVER[:2]]
    changes(ledger, inventory(3, later, complete=()))
    changes(ledger, inventory(5, later, complete=()))
    changes(ledger, inventory(0, SERVER, complete=()))
    old, new = [c.key for c in SERVER], [c.key for c in later]
    for day, there in ((0, old), (2, old), (3, new), (6, new)):
        on = (DAY0 + timedelta(days=day)).date()
        assert sorted(a.component for a in where(ledger, Selector(), on=on)) == sorted(there)
    changes(ledger, inventory(1, [SERVER[0]], complete=()))  # and once more, when it is known already
    assert sorted(a.component for a in where(ledger, Selector())) == sorted(new)


def test_a_slot_of_a_chassis_that_is_not_known_is_not_occupied(ledger: Ledger) -> None:
    """Two chassis have a slot 4 each: a partial list of the other one makes nothing vanish."""
    unknown = [replace(component, chassis=None) for component in SERVER]
    changes(ledger, inventory(0, unknown, complete=()))
    lines = changes(ledger, inventory(1, [replace(component, parent="NEW") for component in unknown], complete=()))
    assert [line.split(" at ")[0] for line in lines] == [
        "bios NEW:bios is new", "management-controller NEW:management-controller is new", "disk NEW:disk:1 is new",
    ]  # fmt: skip
    assert len(where(ledger, Selector())) == 6


def test_a_part_that_a_later_list_left_out_is_not_there_however_late_it_is_learned(ledger: Ledger) -> None:
    """The list of the third day knew nothing of B8, whose list of the first day came last."""
    changes(ledger, inventory(2, [BIOS]))
    changes(ledger, inventory(0, [replace(BIOS, serial="B8", slot="4")]))
    assert [a.component for a in where(ledger, Selector())] == ["B7"]
    assert [a.component for a in where(ledger, Selector(), on=date(2026, 1, 2))] == ["B8"]


def test_a_partial_list_leaves_everything_else_alone(ledger: Ledger) -> None:
    """One service of many was read; what only the older list states of a component stays known."""
    changes(ledger, inventory(0, partitions=(Partition("F1", "images", 100, 40),)))
    rows = [replace(BIOS, serial="B8", slot="4"), replace(SWITCH, pair=None, half=None)]
    plan = plan_load(ledger, inventory(1, rows, complete=()), reported_by="x", source="y")
    assert [c.message() for c in plan.changes] == ["bios B8 is new at holm/holm-a/1/4"]
    load(ledger, plan, DAY0)
    assert len(where(ledger, Selector())) == 4
    found = believed(ledger)
    assert found is not None
    assert set(found.inventory.components) == {*ROWS, rows[0]}
    assert found.inventory.partitions == (Partition("F1", "images", 100, None),)  # free bytes are of their moment
    assert found.unread == ()


def test_a_reading_lists_whole_only_what_it_lists(ledger: Ledger) -> None:
    """An event that claims more is none."""
    with pytest.raises(InputError, match="to list whole: domain:holm-z"):
        load(ledger, plan_load(ledger, inventory(1, complete=("domain:holm-z",)), reported_by="x", source="y"), DAY0)


def test_a_part_that_moved_to_another_domain_is_not_gone(ledger: Ledger) -> None:
    """Whatever order the two lists are loaded in."""
    for order in ((0, 1), (1, 0)):
        with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l"), write=True) as fresh:
            changes(fresh, inventory(0, [BIOS, replace(BIOS, serial="B8", slot="4")]))
            there = replace(BIOS, site="skerry", domain="skerry-a")
            lists = (inventory(3, [there]), inventory(5, [replace(BIOS, serial="B8", slot="4")]))
            for number in order:
                changes(fresh, lists[number])
            (answer,) = where(fresh, Selector(component="B7"))
            assert answer.place is not None
            assert (answer.place.site, answer.present) == ("skerry", True)


def test_a_late_reading_is_compared_with_its_own_time(ledger: Ledger) -> None:
    """A list of March that arrives in May shows what changed up to March."""
    changes(ledger, inventory(0))
    changes(ledger, inventory(9, [replace(BIOS, active="6.2"), SWITCH, DISK]))
    assert changes(ledger, inventory(5, [replace(BIOS, active="6.1"), SWITCH, DISK])) == [
        "bios B7 at holm/holm-a/1/3: active was 6.0, is 6.1"
    ]
    versions = [
        a.active.version
        for day in (1, 6, 10)
        for a in where(ledger, Selector(component="B7"), on=date(2026, 1, day))
        if a.active
    ]
    assert versions == ["6.0", "6.1", "6.2"]


def test_a_wrong_reading_is_undone_with_all_its_events(ledger: Ledger) -> None:
    """One undone event; the reading before it counts again."""
    changes(ledger, inventory(0))
    plan = plan_load(
        ledger,
        inventory(1, [replace(BIOS, serial="B9", active="1.0")], complete=()),
        reported_by="list",
        source="wrong.csv",
    )
    load(ledger, plan, DAY0)
    before = believed(ledger)
    assert before is not None
    assert {c.key for c in before.inventory.components} == {"B9", "F1", "MB4-7:disk:1"}
    fix = Event(what=EventKind.UNDONE, at=at(2), reported_by="ada", undoes=plan.reading, reason="another site's list")
    ledger.record([fix], DAY0)
    after = believed(ledger)
    assert after is not None
    assert set(after.inventory.components) == set(ROWS)
    assert [r.source for r in readings(ledger)] == ["holm.csv"]


def test_what_is_believed_is_what_was_read_brought_up_to_date(ledger: Ledger) -> None:
    """Versions from the ledger, all else from the readings, free bytes not known after something was put there."""
    partitions = (Partition("F1", "images", 100, 40), Partition("B7", "flash", 10, 5))
    policies, separate = (Policy("web", {"blade": "6.0"}, "immediate"),), (SeparateWindows(("holm-a", "holm-b")),)
    changes(ledger, inventory(0, partitions=partitions, policies=policies, separate_windows=separate))
    found = believed(ledger)
    assert found is not None
    assert set(found.inventory.components) == set(ROWS)
    assert (found.inventory.partitions, found.inventory.policies, found.inventory.separate_windows) == (
        partitions[::-1],
        policies,
        separate,
    )
    assert (found.inventory.read_at, found.inventory.zone) == (date(2026, 1, 1), "UTC")
    stage = stated(EventKind.STAGED, 3, "6.1", component="F1", kind="fabric-switch", model="", bank="boot_files")
    hand = stated(EventKind.ACTIVATED, 3, "9", component="X", kind="tide-gauge", model="")
    ledger.record([stage, hand], DAY0)
    found = believed(ledger)
    assert found is not None
    switch = next(c for c in found.inventory.components if c.key == "F1")
    assert switch == replace(SWITCH, boot_files=("5.4", "6.0", "6.1"), staged="6.1")
    assert found.inventory.partitions == (partitions[1], replace(partitions[0], free_bytes=None))
    assert found.unplaced == ("X",)
    earlier = believed(ledger, on=date(2026, 1, 2))
    assert earlier is not None
    assert set(earlier.inventory.components) == set(ROWS)
    assert earlier.inventory.partitions == partitions[::-1]
    assert believed(ledger, sites=["skerry"]) is None
    assert believed(ledger, on=date(2025, 1, 1)) is None


def test_each_kind_rests_on_its_newest_reading(ledger: Ledger) -> None:
    """A newer list of some components does not make the older list of others worthless."""
    changes(ledger, inventory(0))
    newer = replace(BIOS, policy="night")
    changes(ledger, inventory(4, [newer], complete=()))
    found = believed(ledger, sites=["holm"])
    assert found is not None
    assert set(found.inventory.components) == {newer, SWITCH, DISK}


def test_parts_that_no_reading_lists_are_named(ledger: Ledger) -> None:
    """Recorded by hand at a place that was read."""
    changes(ledger, inventory(0))
    place = BIOS.place
    ledger.record([stated(EventKind.ACTIVATED, 1, "3", component="N1", kind="network-adapter", place=place)], DAY0)
    found = believed(ledger)
    assert found is not None
    assert found.unread == ("N1",)
    component = next(c for c in found.inventory.components if c.key == "N1")
    assert (component.active, component.policy, component.healthy) == ("3", None, None)


def test_kinds_of_ones_own_are_read_again(ledger: Ledger) -> None:
    """A kind that a manifest defined is in the reading's text, and the text is read without that manifest."""
    gauge = replace(BIOS, kind="tide-gauge", serial="T1")
    changes(ledger, inventory(0, [gauge], own_kinds=frozenset({"tide-gauge"})))
    found = believed(ledger)
    assert found is not None
    assert found.inventory.components == (gauge,)
    assert found.inventory.own_kinds == {"tide-gauge"}


def test_the_record_and_the_reading_disagree(ledger: Ledger) -> None:
    """ "two spreadsheets that disagree" — both are reported."""
    changes(ledger, inventory(0))
    ledger.record([stated(EventKind.ACTIVATED, 1, "6.1")], DAY0)
    changes(ledger, inventory(2))
    (answer,) = where(ledger, Selector(component="B7"))
    assert answer.agreement is Agreement.DIFFERS
    assert answer.active is not None
    assert answer.active.since.source == "holm.csv"


def test_exchanged_stores_believe_the_same(ledger: Ledger, tmp_path: Path) -> None:
    """Readings travel whole."""
    changes(ledger, inventory(0, partitions=(Partition("F1", "images", 100, 40),)))
    with Ledger.open(tmp_path / "other", write=True) as other:
        merge(other, export(ledger), DAY0)
        assert believed(other) == believed(ledger)
        assert changes(other, inventory(0, partitions=(Partition("F1", "images", 100, 40),))) == []


READING = st.dictionaries(
    st.sampled_from(["A", "B", "C", "D"]),
    st.tuples(st.sampled_from("1234"), st.sampled_from(["5.4", "6.0", None]), st.sampled_from(["holm-a", "holm-b"])),
    min_size=1,
)


@settings(max_examples=60)
@given(st.lists(READING, min_size=1, max_size=4), st.randoms(use_true_random=False))
def test_the_last_reading_of_a_domain_is_what_is_there(
    lists: list[dict[str, tuple[str, str | None, str]]], source: Any
) -> None:
    """Each list is of one day; whatever the order of loading, the newest list of each domain decides who is there."""
    days = [
        inventory(
            d, [Component("bios", "holm", dom, "1", slot, serial=k, active=v) for k, (slot, v, dom) in rows.items()]
        )
        for d, rows in enumerate(lists)
    ]
    orders = [days, source.sample(days, len(days))]
    found = []
    for order in orders:
        with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l"), write=True) as ledger:
            for each in order:
                changes(ledger, each)
            present = {name: a[0][:4] for name, a in everything(ledger).items() if a[1]}
            found.append(present)
    for key, (slot, _, domain) in lists[-1].items():
        assert found[0][key] == ("holm", domain, "1", slot)
    spoken = {domain for _, _, domain in lists[-1].values()}
    assert {key for key, place in found[0].items() if place[1] in spoken} <= set(lists[-1])
    assert found[0] == found[1]


def test_of_two_readings_of_one_day_the_later_loaded_counts(ledger: Ledger) -> None:
    """What a load reports as gone, or as another version, is so for `where` as well; the same bytes change nothing."""
    others = (replace(BIOS, serial="B8", slot="4"), replace(BIOS, serial="B9", slot="5"))
    changes(ledger, inventory(0, [BIOS, *others]))
    assert changes(ledger, inventory(0, [BIOS, others[0]])) == ["bios B9 is gone from holm/holm-a/1/5"]
    assert [a.component for a in where(ledger, Selector())] == ["B7", "B8"]
    for version, before in (("6.1", "6.0"), ("6.0.1", "6.1"), ("6.2", "6.0.1"), ("5.9", "6.2")):
        assert changes(ledger, inventory(0, [replace(BIOS, active=version), others[0]])) == [
            f"bios B7 at holm/holm-a/1/3: active was {before}, is {version}"
        ]
        answer = only_of(ledger, "B7")
        assert answer.active is not None
        assert answer.active.version == version
    count = ledger.head().count
    again = plan_load(
        ledger, inventory(0, [replace(BIOS, active="6.1"), others[0]]), reported_by="list", source="holm.csv"
    )
    assert (again.again, again.changes, again.overtaken) == (True, (), readings(ledger)[0].id)
    assert load(ledger, again, DAY0).new == 0
    assert ledger.head().count == count
    last = plan_load(
        ledger, inventory(0, [replace(BIOS, active="5.9"), others[0]]), reported_by="list", source="holm.csv"
    )
    assert (last.again, last.overtaken) == (True, "")


def test_what_overtook_a_reading_is_of_its_moment_and_its_domain(ledger: Ledger) -> None:
    """Of all that was loaded since, the last of the same moment and of one of its domains is named, and no other."""
    first, away = inventory(0, [BIOS]), replace(BIOS, site="skerry", domain="skerry-a", serial="B9")
    changes(ledger, first)
    changes(ledger, inventory(1, [BIOS]))
    changes(ledger, inventory(0, [away]))

    def again() -> str:
        found = plan_load(ledger, first, reported_by="list", source="holm.csv")
        assert found.again
        return found.overtaken

    assert again() == ""
    for version in ("6.1", "6.2"):
        plan = plan_load(
            ledger, inventory(0, [replace(BIOS, active=version), away]), reported_by="list", source="holm.csv"
        )
        load(ledger, plan, DAY0)
        assert again() == plan.reading
    changes(ledger, inventory(0, [replace(away, active="7.0")]))
    assert again() == plan.reading


def test_each_part_that_a_list_lacks_is_gone(ledger: Ledger) -> None:
    """The second as well as the first."""
    others = [replace(BIOS, serial=f"B{number}", slot=str(number)) for number in (1, 2)]
    changes(ledger, inventory(0, [*others, BIOS]))
    assert [line.split(" from ")[0] for line in changes(ledger, inventory(1, [BIOS]))] == [
        "bios B1 is gone",
        "bios B2 is gone",
    ]
    assert [a.component for a in where(ledger, Selector())] == ["B7"]
    assert [a.component for a in where(ledger, Selector(gone=True)) if not a.present] == ["B1", "B2"]


def only_of(ledger: Ledger, component: str) -> WhereAnswer:
    """The answer about one component."""
    (answer,) = where(ledger, Selector(component=component))
    return answer


def test_a_reading_counts_after_what_was_observed_by_hand_that_day(ledger: Ledger) -> None:
    """Whoever spoke last of one day is believed, be it a list or a person."""
    day = inventory(0, [BIOS])
    changes(ledger, day)
    for version in ("6.1", "6.2"):
        seen = stated(EventKind.OBSERVED, 0, seen=Seen(version))
        ledger.record([seen], DAY0, arrange=True)
    answer = only_of(ledger, "B7")
    assert answer.active is not None
    assert answer.active.version == "6.2"
    assert changes(ledger, inventory(0, [replace(BIOS, active="6.3")])) == [
        "bios B7 at holm/holm-a/1/3: active was 6.2, is 6.3"
    ]
    answer = only_of(ledger, "B7")
    assert answer.active is not None
    assert answer.active.version == "6.3"


def test_a_reading_that_was_undone_can_be_loaded_again(ledger: Ledger) -> None:
    """It was right after all: the same bytes are a new statement once the old one does not count."""
    plan = plan_load(ledger, inventory(0), reported_by="list", source="holm.csv")
    load(ledger, plan, DAY0)
    ledger.record(
        [Event(what=EventKind.UNDONE, at=at(1), reported_by="ada", undoes=plan.reading, reason="too early")], DAY0
    )
    assert where(ledger, Selector()) == []
    assert len(changes(ledger, inventory(0))) == 3
    assert [a.component for a in where(ledger, Selector())] == ["F1", "B7", "MB4-7:disk:1"]


@settings(max_examples=60)
@given(st.lists(st.tuples(st.integers(0, 1), READING), min_size=1, max_size=6))
def test_what_a_load_reports_is_what_where_answers_afterwards(
    lists: list[tuple[int, dict[str, tuple[str, str | None, str]]]],
) -> None:
    """Loading again shows what changed since: by comparing the answers before and after, of the reading's own day."""
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l"), write=True) as ledger:
        for day, rows in lists:
            found = inventory(
                day,
                [Component("bios", "holm", d, "1", s, serial=k, active=v) for k, (s, v, d) in rows.items()],
            )
            before, on = everything(ledger, found.read_at), found.read_at
            plan = plan_load(ledger, found, reported_by="list", source="holm.csv")
            load(ledger, plan, DAY0)
            after = everything(ledger, on)
            if plan.again:
                assert (plan.changes, after) == ((), before)
                continue
            was = {name for name, answer in before.items() if answer[1]}
            now = {name for name, answer in after.items() if answer[1]}
            changed = {what: {c.component.key for c in plan.changes if c.what is what} for what in InventoryChange}
            replaced = {c.before.key for c in plan.changes if c.what is InventoryChange.REPLACED and c.before}
            assert changed[InventoryChange.ADDED] | (changed[InventoryChange.REPLACED] - was) == now - was
            assert changed[InventoryChange.GONE] | replaced == was - now
            stayed = was & now
            assert changed[InventoryChange.MOVED] == {n for n in stayed if before[n][0] != after[n][0]}
            active = {n for n in stayed if before[n][2][0] and before[n][2][0][0] != after[n][2][0][0]}
            assert changed[InventoryChange.VERSION] == active


def test_a_problem_in_the_zone_is_reported_first(ledger: Ledger) -> None:
    """An inventory made by a program may name anything."""
    with pytest.raises(InputError):
        changes(ledger, inventory(0, zone="Moon/Base"))
    assert ledger.head().count == 0
