"""What several tests share with those of planning/route/test_find.py."""

from __future__ import annotations

from dataclasses import replace

from bundlekeeper.model.inventory.types import Component, Inventory
from tests.kits.planning_kit import blade, inventory

VERSIONS = ("1.0", "2.0", "3.0")


def stock(own: str, *servers: tuple[str, str], table: str = "") -> Inventory:
    """Two switches, two managers and a table at one version; blades of (model, version)."""
    base = Component("fabric-switch", "holm", "holm-a", "", model="Reed-40", active=own, pair="p", healthy=True)
    components = [
        replace(base, kind=kind, serial=f"{kind}-{half}", half=half)
        for kind in ("fabric-switch", "domain-manager")
        for half in ("leading", "following")
    ]
    tables = {v: f"t{n}" for n, v in enumerate(VERSIONS, 1)}
    components.append(replace(base, kind="model-list", serial="T", active=table or tables[own], pair=""))
    for n, (model, version) in enumerate(servers, 1):
        components.append(blade(str(n), version, model=model)[0])
    return inventory(components)
