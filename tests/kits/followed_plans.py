"""A plan as a document with its windows, and domains in which a part of it was done."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from functools import cache
from typing import Any

from bundlekeeper.findings import Finding
from bundlekeeper.model.inventory.types import Component, Inventory
from bundlekeeper.model.route.document import (
    SCHEMA,
    RouteDocument,
    differences,
    digest_of,
    inventory_facts,
    manifest_facts,
    to_text,
)
from bundlekeeper.model.route.planned_work import PlannedWork, planned_work
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import ManifestIndex
from bundlekeeper.planning.progress.choices import Ground
from bundlekeeper.planning.progress.compare import followed
from bundlekeeper.planning.progress.judge import progress
from bundlekeeper.planning.progress.types import Heard, PlanProgress
from bundlekeeper.planning.route.find import route
from bundlekeeper.planning.route.types import Route
from bundlekeeper.planning.windows.make import schedule
from tests.kits.planning_kit import NOW, marram, stored_all, whole_domain

DOMAIN = "holm-a"
BANKS = ("active", "pending", "staged", "spare")


@cache
def start() -> Inventory:
    """The domain before the plan."""
    return whole_domain("5.4.10")


@cache
def document() -> RouteDocument:
    """The plan of the domain from 5.4.10 to 6.1, with its windows."""
    fleet = Fleet(marram(), start())
    found = route(fleet, DOMAIN, "6.1", stored_all(marram()), NOW)
    assert isinstance(found, Route)
    rows, times = asdict(found), asdict(schedule(fleet, found))
    for table in (rows, times):
        for name in ("findings", "own_findings"):
            table.pop(name, None)
    inputs = {
        "manifest": manifest_facts(marram(), "0" * 64),
        "inventory": inventory_facts(fleet.inventory, DOMAIN, fleet.manifest_index.by_policy),
    }
    options: dict[str, Any] = {"window_minutes": None, "per_cluster": 1, "parallel": [], "windows": []}
    raw = {"schema": SCHEMA, "domain": DOMAIN, "release": "6.1", "inputs": inputs, "options": options}
    text = to_text({**raw, "route": rows, "timeline": times})
    return RouteDocument(json.loads(text), "plan.json", digest_of(text))


@cache
def work() -> PlannedWork:
    """The plan's work."""
    return planned_work(document())


def same(kind: str, a: str, b: str) -> bool:
    """Whether two versions of a kind are one."""
    return _index().scale(kind).same(a, b)


@cache
def _index() -> ManifestIndex:
    return ManifestIndex(marram())


def changed(inventory: Inventory, key: str, **values: Any) -> Inventory:
    """The inventory with other values of one component."""
    assert any(component.key == key for component in inventory.components)
    rows = (replace(row, **values) if row.key == key else row for row in inventory.components)
    return replace(inventory, components=tuple(rows))


def facts(inventory: Inventory) -> dict[str, Any]:
    """What a plan would record of the domain."""
    return inventory_facts(inventory, DOMAIN, _index().by_policy)


def found(inventory: Inventory) -> list[Finding]:
    """What differs from the plan's inputs, beside what it changed itself."""
    now = {"manifest": document().inputs["manifest"], "inventory": facts(inventory)}
    then = {**document().inputs, "inventory": followed(document().inputs["inventory"], now["inventory"], work(), same)}
    return differences(then, now)


def how_far(inventory: Inventory, heard: Mapping[str, list[Heard]]) -> PlanProgress:
    """How far the plan is."""
    return progress(work(), facts(inventory)["components"], heard, same)


def ground(inventory: Inventory) -> Ground:
    """What the plan is judged on."""
    return Ground(Fleet(marram(), inventory), inventory, document().plan, work(), stored_all(marram()))


def component(inventory: Inventory, key: str) -> Component:
    """One component."""
    return next(row for row in inventory.components if row.key == key)
