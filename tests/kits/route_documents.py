"""What several tests share with those of planning/route/test_check_plan.py."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from bundlekeeper.model.route.document import SCHEMA, inventory_facts, manifest_facts, to_text
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.route.find import Route, route
from tests.kits.planning_kit import NOW, marram, stored_all, whole_domain


def _document() -> dict[str, Any]:
    fleet = Fleet(marram(), whole_domain("5.4.10"))
    found = route(fleet, "holm-a", "6.1", stored_all(marram()), NOW)
    assert isinstance(found, Route)
    inputs = {
        "manifest": manifest_facts(marram(), "0" * 64),
        "inventory": inventory_facts(fleet.inventory, "holm-a", fleet.manifest_index.by_policy),
    }
    rows = asdict(found)
    rows.pop("findings")
    options = {"window_minutes": None, "per_cluster": 1, "parallel": [["holm", 2]], "windows": []}
    document = {"schema": SCHEMA, "domain": "holm-a", "release": "6.1", "inputs": inputs, "options": options}
    made: dict[str, Any] = json.loads(to_text({**document, "route": rows}))
    return made
