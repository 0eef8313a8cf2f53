"""What several tests share with those of links/redfish/test_map_firmware.py."""

from __future__ import annotations

from typing import Any

from bundlekeeper.links.redfish.map_firmware import Placed, place
from bundlekeeper.links.redfish.types import Placement
from bundlekeeper.links.redfish.user_map import MapEntry
from bundlekeeper.links.redfish.walk import Resource, Tree, type_of
from bundlekeeper.model.inventory.types import Component
from tests.kits.redfish_server import Documents

ITEMS = "/redfish/v1/UpdateService/FirmwareInventory"


SYSTEM = "/redfish/v1/Systems/1"


MANAGER = "/redfish/v1/Managers/bmc"


ADAPTER = "/redfish/v1/Chassis/1/NetworkAdapters/A"


def placed(made: Documents, *entries: MapEntry, where: Placement | None = None) -> Placed:
    """Place everything in a fixture's documents, in their order, as if all of it had been read."""
    tree = Tree(lambda ref: ref.partition("#")[0].rstrip("/") if ref.startswith("/") else None)
    for path, body in made.items():
        kind = type_of(body, "")
        tree.resources[path] = Resource(path, kind, body)
        if kind == "SoftwareInventory":
            tree.items.append(path)
    found = place(tree, where or Placement("holm", "holm-a"), entries, "https://bmc.holm.example")
    assert found.mapped + found.skipped <= len(tree.items)
    assert (
        len([u for u in found.unmapped if u.odata_id in tree.items]) == len(tree.items) - found.mapped - found.skipped
    )
    return found


def only(found: Placed, kind: str) -> Component:
    """The one component of a kind."""
    (part,) = [c for c in found.components if c.kind == kind]
    return part


def banks(part: Component) -> tuple[str | None, str | None, str | None]:
    return part.active, part.pending, part.spare


def reasons(found: Placed) -> dict[str, str]:
    return {u.odata_id.rpartition("/")[2]: u.reason for u in found.unmapped}


def two(made: Documents, first: dict[str, Any], second: dict[str, Any]) -> Placed:
    """The management controller's two items, with other facts."""
    for name, more in (("bmc-a", first), ("bmc-b", second)):
        item = made[f"{ITEMS}/{name}"]
        del item["Active"], item["Staged"]
        item.update(more)
    return placed(made)


def to(*refs: str) -> list[dict[str, str]]:
    return [{"@odata.id": each} for each in refs]
