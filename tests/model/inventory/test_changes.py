"""What changed since: held against what goes wrong in the trade, and by properties."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.model.inventory.changes import InventoryChange, compare
from bundlekeeper.model.inventory.types import Component

BLADE = Component(
    "bios",
    "holm",
    "holm-a",
    "1",
    "3",
    "MB4-7",
    "Tern-4",
    "B7",
    active="5.4.10",
    pending="",
    spare="5.4.2",
    policy="web",
)
SWITCH = Component("fabric-switch", "holm", "holm-a", serial="F1", active="6.0.1", pair="fabric", half="leading")


def test_a_new_serial_in_a_slot_is_a_replaced_part() -> None:
    """New serial in a slot = replaced; known serial elsewhere = moved, and its history follows."""
    found = compare([BLADE], [replace(BLADE, serial="B9", active="5.4.2")])
    assert [c.what for c in found] == [InventoryChange.REPLACED]
    assert found[0].message() == "bios B9 replaces B7 at holm/holm-a/1/3"
    found = compare([BLADE], [replace(BLADE, slot="5")])
    assert [c.message() for c in found] == ["bios B7 moved from holm/holm-a/1/3 to holm/holm-a/1/5"]


def test_a_switch_without_a_slot_is_replaced_by_its_half() -> None:
    """Nothing else shows which of two switches it replaces."""
    found = compare([SWITCH], [replace(SWITCH, serial="F9")])
    assert [(c.what, c.component.serial) for c in found] == [(InventoryChange.REPLACED, "F9")]


def test_swapped_serials_are_two_moves() -> None:
    """History follows the serial."""
    other = replace(BLADE, serial="B8", slot="4", parent="MB4-8")
    found = compare([BLADE, other], [replace(BLADE, slot="4"), replace(other, slot="3")])
    assert [c.what for c in found] == [InventoryChange.MOVED, InventoryChange.MOVED]


def test_version_drift_names_each_bank() -> None:
    """What is not known now is reported as unread, never as a version."""
    found = compare([BLADE], [replace(BLADE, active="6.0.1", pending=None, spare="5.4.10")])
    assert [c.message() for c in found] == [
        "bios B7 at holm/holm-a/1/3: active was 5.4.10, is 6.0.1; spare was 5.4.2, is 5.4.10",
        "bios B7 at holm/holm-a/1/3: pending was not read, last known is none",
    ]
    assert compare([replace(BLADE, spare=None)], [BLADE]) == []


def _whole(site: str, domain: str) -> bool:
    return (site, domain) in {("holm", "holm-a"), ("holm", "a")}


def test_only_what_is_listed_whole_can_be_gone() -> None:
    """A component counts as gone only where the newer reading lists everything."""
    assert compare([BLADE, SWITCH], [BLADE]) == []
    found = compare([BLADE, SWITCH], [BLADE], _whole)
    assert [c.message() for c in found] == ["fabric-switch F1 is gone from holm/holm-a/?/?"]
    elsewhere = replace(SWITCH, domain="holm-b")
    assert compare([BLADE, elsewhere], [BLADE], _whole) == []


def test_other_facts_are_reported_too() -> None:
    """A policy that was taken away is a change of the plan's ground."""
    found = compare([BLADE], [replace(BLADE, policy="")])
    assert [c.message() for c in found] == ["bios B7 at holm/holm-a/1/3: policy was web, is none"]
    assert found[0].keys == ("policy",)


def _components(keys: dict[str, tuple[str, str]]) -> list[Component]:
    return [
        Component("bios", "holm", "a", "1", slot, serial=key, active=active) for key, (slot, active) in keys.items()
    ]


READING = st.dictionaries(
    st.sampled_from("ABCDEF"), st.tuples(st.sampled_from("123456"), st.sampled_from(["5.4", "6.0"])), max_size=6
)


@given(READING, READING)
def test_every_part_is_accounted_for_once(
    before: dict[str, tuple[str, str]], after: dict[str, tuple[str, str]]
) -> None:
    """Each component that went or came stands in exactly one change; what stayed as it was stands in none."""
    found = compare(_components(before), _components(after), _whole)
    left = sorted(
        c.before.key for c in found if c.before and c.what in {InventoryChange.GONE, InventoryChange.REPLACED}
    )
    came = sorted(
        c.component.key for c in found if c.what in {InventoryChange.ADDED, InventoryChange.REPLACED}
    )  # in an occupied place
    if before:
        assert left == sorted(set(before) - set(after))
    assert [key for key in came if key not in before] == sorted(set(after) - set(before))
    for key in set(before) & set(after):
        changes = {c.what for c in found if c.component.key == key}
        assert (InventoryChange.MOVED in changes) == (before[key][0] != after[key][0])
        assert (InventoryChange.VERSION in changes) == (before[key][1] != after[key][1])
    assert compare(_components(after), _components(after)) == []


def test_a_blade_in_a_chassis_that_is_its_parent_takes_nothing_else_with_it() -> None:
    """Where the parent is the chassis, only the slot is replaced; nothing moves because another slot is listed."""
    first = replace(BLADE, parent="CH1")
    second = replace(BLADE, serial="B8", slot="4", parent="CH1")
    found = compare([first, second], [replace(first, serial="B9", parent="SRV-9")])
    assert [c.message() for c in found] == ["bios B9 replaces B7 at holm/holm-a/1/3"]
    assert compare([first], [replace(second, slot="5")]) == compare([], [replace(second, slot="5")])
