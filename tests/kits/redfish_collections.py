"""What several tests share with those of links/redfish/test_reach.py."""

from __future__ import annotations

from typing import Any

from tests.kits.redfish_server import Documents


def collection(made: Documents, path: str, **members: dict[str, Any]) -> dict[str, str]:
    """Add a collection with members; returns a link to it."""
    made[path] = {"Members": [{"@odata.id": f"{path}/{name}"} for name in members]}
    for name, body in members.items():
        made[f"{path}/{name}"] = {"Id": name, "Name": name, **body}
    return {"@odata.id": path}


def item(version: str, *related: str) -> dict[str, Any]:
    rows = [{"@odata.id": each} for each in related]
    return {"@odata.type": "#SoftwareInventory.v1_10_0.SoftwareInventory", "Version": version, "RelatedItem": rows}


def trusted(version: str, **more: Any) -> dict[str, Any]:
    return {"@odata.type": "#TrustedComponent.v1_3_0.TrustedComponent", "FirmwareVersion": version, **more}
