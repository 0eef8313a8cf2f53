"""Each word of the trade is declared once: what is listed beside a declaration is compared with it here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import get_args

import pytest

from bundlekeeper.ledger.ask.as_inventory import believed, load, plan_load
from bundlekeeper.ledger.event import rows
from bundlekeeper.ledger.event.events import Seen
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.state import fold
from bundlekeeper.model.inventory import cells
from bundlekeeper.model.inventory.changes import InventoryChange, compare
from bundlekeeper.model.inventory.read import InventorySource, read_inventory
from bundlekeeper.model.inventory.types import (
    COMPONENT_KEYS,
    NEEDED,
    PLACES,
    Compared,
    Component,
    Inventory,
    Place,
    identity,
)
from bundlekeeper.model.inventory.write_json import to_json
from bundlekeeper.model.inventory.write_toml import to_toml
from bundlekeeper.model.manifest.types import Release
from bundlekeeper.model.trust import FORMS
from bundlekeeper.model.vocabulary import BANKS, BOOT_FILES, FAMILIES, KINDS, METHODS, KindFacts, Method
from bundlekeeper.verification.keys.public_key import FORM_TYPES

BASE = Component("bios", "holm", "holm-a", serial="B7")
WRITERS: dict[str, Callable[[Inventory], str]] = {"json": to_json, "toml": to_toml}


def _values(name: str) -> tuple[object, object]:
    """Two values that the key can hold. Raises KeyError for a form of cells that this test does not know."""
    key = COMPONENT_KEYS[name]
    by_form: dict[str, tuple[object, object]] = {
        "kind": ("bios", "disk"),
        "text": ("one", "two"),
        "label": ("1", "2"),
        "running": ("6.0", "6.1"),
        "version": ("6.0", "6.1"),
        "versions": (("6.0",), ("6.0", "6.1")),
        "texts": (("one",), ("one", "two")),
        "note": ("one", "two"),
        "flag": (True, False),
    }
    return (key.words[0], key.words[1]) if key.cell == "choice" else by_form[key.cell]


def _with(name: str, value: object) -> Component:
    return replace(BASE, **{name: value})  # type: ignore[arg-type]  # of the key's own form


def _inventory(part: Component, day: int = 1) -> Inventory:
    return Inventory(date(2026, 3, day), "UTC", (part,))


@pytest.mark.parametrize("name", COMPONENT_KEYS)
@pytest.mark.parametrize("form", WRITERS)
def test_every_key_is_written_and_read(name: str, form: str) -> None:
    """A key that a writer or a reader leaves out is lost here, not silently."""
    inventory = _inventory(_with(name, _values(name)[0]))
    text = WRITERS[form](inventory)
    assert name in text
    assert read_inventory([InventorySource("i", text.encode(), form)]) == inventory


@pytest.mark.parametrize("name", COMPONENT_KEYS)
def test_every_key_survives_the_ledger(name: str, tmp_path: Path) -> None:
    """What an inventory told is in the inventory that is believed afterwards, the newer word instead of the older."""
    older, newer = (_with(name, value) for value in _values(name))
    with Ledger.open(tmp_path / "ledger.sqlite", write=True) as ledger:
        for day, part in enumerate((older, newer), 1):
            plan = plan_load(ledger, _inventory(part, day), reported_by="list", source="i.json")
            load(ledger, plan, datetime(2026, 3, 9, tzinfo=UTC))
            found = believed(ledger)
            assert found is not None
            # what is pending was brought to be activated
            assert replace(part, staged=part.staged or part.pending) in found.inventory.components, name


@pytest.mark.parametrize("name", COMPONENT_KEYS)
def test_every_key_is_compared(name: str) -> None:
    """A difference in any key is reported as its declaration requires."""
    older, newer = (_with(name, value) for value in _values(name))
    found = compare([older], [newer], lambda site, domain: True)
    what = {
        Compared.PLACE: InventoryChange.MOVED,
        Compared.VERSION: InventoryChange.VERSION,
        Compared.FACT: InventoryChange.FACT,
    }
    how = COMPONENT_KEYS[name].compared
    if how is Compared.IDENTITY:
        assert {change.what for change in found} <= {InventoryChange.GONE, InventoryChange.ADDED}
        assert found
    else:
        assert [(c.what, c.keys) for c in found] == [(what[how], () if how is Compared.PLACE else (name,))]


def test_other_lists_of_the_keys_are_equal() -> None:
    """Places and banks are types of their own; the ledger's state has a column for each key that events tell."""
    recorded = [name for name, key in COMPONENT_KEYS.items() if key.recorded]
    assert tuple(field.name for field in fields(Place)) == PLACES
    seen = {field.name for field in fields(Seen)}
    assert seen == {*BANKS, "staged", "healthy"}
    versions = {n for n, k in COMPONENT_KEYS.items() if k.compared is Compared.VERSION and k.recorded}
    assert versions == {*BANKS, "staged"}
    words = [name for name in recorded if name not in seen]
    assert list(fold.Snapshot._fields[: len(words)]) == sorted(words, key=fold.Snapshot._fields.index)
    assert {*recorded, "boot_files_known"} - {BOOT_FILES} <= set(fold.Snapshot._fields)
    assert {name if name in words else f"seen_{name}" for name in recorded} <= set(fold.Fact._fields)
    assert cells.REQUIRED["component"] == ("site", "domain", "kind")
    assert set(cells.tables(())["component"]) == {*COMPONENT_KEYS}


def test_numbers_in_the_ledger_stay() -> None:
    """Methods and banks are numbers in the ledger: an addition goes to the end."""
    assert list(rows.METHOD_CODE)[:4] == ["", "overwrite", "two-bank", "boot-file"]
    assert list(rows.BANK_CODE)[:5] == ["", "active", "pending", "spare", "boot_files"]


def test_each_word_has_its_facts() -> None:
    """Every method has facts, every kind a method, every family its key in a release."""
    assert tuple(METHODS) == get_args(Method)
    assert all(facts.usual in facts.banks or not facts.banks for facts in METHODS.values())
    assert {facts.method for facts in KINDS.values()} == set(METHODS)
    assert set(FAMILIES) <= set(Release.model_fields)
    assert tuple(FORM_TYPES) == FORMS
    assert NEEDED == ("kind", "site", "domain")


@pytest.mark.parametrize("of_server", [True, False])
@pytest.mark.parametrize("slot", [None, "", "3", "3/1", "/2"])
def test_that_a_kind_becomes_known_changes_no_identity(
    monkeypatch: pytest.MonkeyPatch, of_server: bool, slot: str | None
) -> None:
    """Identity follows from the row: history goes on when a later program knows the kind."""
    part = Component("tide-gauge", "holm", "holm-a", "1", slot, "MB4-7")
    before = identity(part)
    facts = KindFacts("overwrite", "operator", "reinstall", "nothing", 5, of_server=of_server)
    monkeypatch.setitem(KINDS, "tide-gauge", facts)
    assert identity(part) == before


def test_the_whole_slot_identifies_components_of_these_kinds_only() -> None:
    """A kind that is added with `whole_slot` would get other identities than its components have in ledgers."""
    assert {kind for kind, facts in KINDS.items() if facts.whole_slot} == {
        "fabric-switch", "domain-manager", "io-module", "port-extender", "chassis-controller", "model-list",
    }  # fmt: skip
