"""What a plan itself changed is progress; anything else is named, whatever was done before."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.model.inventory.types import Inventory
from bundlekeeper.model.route.planned_work import WorkItem
from tests.kits.followed_plans import changed, component, document, facts, found, start, work
from tests.kits.sure import some


def _done(inventory: Inventory, item: WorkItem, how: str) -> Inventory:
    """The inventory once an item was staged, activated, or activated with what ran before in the other bank."""
    old = component(inventory, item.key)
    if how == "staged":
        return changed(inventory, item.key, staged=item.end, spare=item.end)
    values: dict[str, Any] = {"active": item.end, "staged": "", "pending": None}
    values["spare"] = old.active if how == "switched" else old.spare
    if old.boot_files is not None:
        values["boot_files"] = (*old.boot_files, item.end)
    return changed(inventory, item.key, **values)


@st.composite
def _begun(draw: st.DrawFn) -> Inventory:
    """The domain after any part of the plan, step by step: each component went as far as it did."""
    inventory = start()
    for items in work().of.values():
        far = draw(st.integers(0, len(items)))
        for item in items[:far]:
            inventory = _done(inventory, item, draw(st.sampled_from(("activated", "switched"))))
        if far < len(items) and draw(st.booleans()):
            inventory = _done(inventory, items[far], "staged")
    return inventory


_FOREIGN: tuple[tuple[str, Any], ...] = (
    ("active", "9.9.9"),
    ("staged", "9.9.9"),
    ("spare", "9.9.9"),
    ("model", "Other-1"),
    ("healthy", False),
    ("cluster", "elsewhere"),
    ("chassis", "99"),
    ("variant", "single-servers"),
    ("boot_files", ("9.9.9",)),
)


@settings(max_examples=60)
@given(_begun())
def test_what_the_plan_brings_in_any_order_and_number_is_no_difference(inventory: Inventory) -> None:
    """ "What a plan itself changes is progress" (issue 16, point 1)"""
    assert found(inventory) == []


@settings(max_examples=60)
@given(_begun(), st.integers(0, 10_000), st.sampled_from(_FOREIGN))
def test_any_other_change_is_named_whatever_was_done_before(
    inventory: Inventory, at: int, change: tuple[str, Any]
) -> None:
    """ "anything else is input-changed" (issue 16, point 1)"""
    keys = sorted(work().of)
    key = keys[at % len(keys)]
    other = changed(inventory, key, **{change[0]: change[1]})
    assert {(finding.code, key in finding.subject) for finding in found(other)} == {("input-changed", True)}


def test_a_component_that_came_or_went_is_a_difference_of_the_domain() -> None:
    first, *others = start().components
    assert {f.code for f in found(replace(start(), components=tuple(others)))} == {"input-changed"}
    new = replace(first, serial="NEW-1", slot="99")
    assert [f.code for f in found(replace(start(), components=(*start().components, new)))] == ["input-changed"]


def test_a_bank_that_was_emptied_before_the_plan_touched_it_is_a_difference() -> None:
    """The plan explains an emptied bank only where something of it is on the component."""
    key = next(key for key in some(work().of) if component(start(), key).kind == "bios")
    kept = changed(start(), key, spare="5.4.2")
    assert found(kept), "the plan was made without it"


def test_what_people_call_a_component_decides_nothing() -> None:
    key = next(iter(work().of))
    assert found(changed(start(), key, name="host-holm-14", tags=("4711",), note="moved a cable")) == []


def test_an_edited_document_is_named_though_its_facts_are_explained() -> None:
    then = document().inputs["inventory"]
    key = next(iter(work().of))
    edited = {**then, "components": {**then["components"], key: {**then["components"][key], "model": "Other-1"}}}
    from bundlekeeper.model.route.document import differences
    from bundlekeeper.planning.progress.compare import followed
    from tests.kits.followed_plans import same

    now = facts(changed(start(), key, model="Other-1"))
    manifest = document().inputs["manifest"]
    rows = differences(
        {"manifest": manifest, "inventory": followed(edited, now, work(), same)},
        {"manifest": manifest, "inventory": now},
    )
    assert ["edited" in row.message for row in rows] == [True]


@pytest.mark.parametrize("named", ["6.1.0", "6.0.1"])
def test_a_policy_may_name_what_the_steps_bring_and_nothing_else(named: str) -> None:
    from bundlekeeper.model.inventory.types import Policy

    policies = start().policies
    assert policies, "the domain has a policy"
    first = policies[0]
    brought = replace(first, versions={**(first.versions or {}), "blade": named})
    other = replace(first, versions={**(first.versions or {}), "blade": "5.4.2"})
    assert isinstance(first, Policy)
    assert found(replace(start(), policies=(brought, *policies[1:]))) == []
    assert [f.code for f in found(replace(start(), policies=(other, *policies[1:])))] == ["input-changed"]
