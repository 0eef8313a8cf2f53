"""An inventory as it would be once components run other versions.

Rules: nothing is read here, so only what activating does is set: the running version, the file that it came with, and
what ran before where a bank for that is known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bundlekeeper.model.inventory.types import Component, Inventory


def running(inventory: Inventory, domain: str, versions: Mapping[str, str]) -> Inventory:
    """The inventory of one domain with these components, by key, at these versions."""
    rows = (component for component in inventory.components if component.domain == domain)
    return replace(
        inventory, components=tuple(_at(row, versions[row.key]) if row.key in versions else row for row in rows)
    )


def _at(component: Component, version: str) -> Component:
    if component.active == version:
        return component
    files = component.boot_files
    if files is not None and version not in files:
        files = (*files, version)
    spare = component.active if component.spare is not None else None
    return replace(component, active=version, boot_files=files, spare=spare, pending=None, staged=None)
