"""Facts of readings for a few domains are those of the inventory as it is believed, which reads everything."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from bundlekeeper.errors import DamagedError
from bundlekeeper.ledger.ask.as_inventory import believed, load, plan_load
from bundlekeeper.ledger.ask.stated import stated
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.inventory.types import Inventory
from tests.kits.planning_kit import whole_domain

_NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
_DOMAINS = {("holm", "holm-a"), ("holm", "holm-b")}


def _load(ledger: Ledger, inventory: Inventory) -> None:
    load(ledger, plan_load(ledger, inventory, reported_by="kim", source="list.toml"), _NOW)


def _readings() -> list[Inventory]:
    """A whole one; a newer one of a part of a domain that states less; one with other variants; one of next year."""
    first = [*whole_domain().components, *whole_domain(domain="holm-b").components]
    part = [replace(component, variant=None, pair=None) for component in whole_domain().components[:6]]
    other = [replace(c, variant="single-servers") for c in whole_domain().components if c.kind == "domain-manager"]
    rows = zip((10, 12, 14), (first, part, other), strict=True)
    found = [Inventory(date(2026, 11, day), "UTC", tuple(components)) for day, components in rows]
    return [replace(found[0], complete=("site:holm",)), *found[1:]]


def test_they_are_those_of_the_believed_inventory(tmp_path: Path) -> None:
    with Ledger.open(tmp_path / "l.sqlite", write=True) as ledger:
        for inventory in _readings():
            _load(ledger, inventory)
            whole = believed(ledger, clock=_NOW)
            assert whole is not None
            facts = stated(ledger, _DOMAINS, ("variant", "pair"), _NOW)
            for component in whole.inventory.components:
                known = facts[component.key]
                assert (known.get("variant"), known.get("pair")) == (component.variant, component.pair), component.key
        assert {one["variant"] for one in facts.values() if "variant" in one} >= {"single-servers", "managed-servers"}
        assert stated(ledger, {("holm", "holm-c")}, ("variant",), _NOW) == {}


def test_a_text_that_is_lost_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    with Ledger.open(path, write=True) as ledger:
        _load(ledger, _readings()[0])
        ledger.connection.execute("DELETE FROM document")
        with pytest.raises(DamagedError):
            stated(ledger, _DOMAINS, ("variant",), _NOW)
