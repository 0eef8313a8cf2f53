"""An inventory as the JSON that the reader reads, one component to a line.

Rules: reading what was written gives an equal inventory; what is not known is left out, what is known to be none is
`-` (an empty list for lists); equal inventories give equal bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any

from bundlekeeper.model.inventory.types import FORMAT, Component, Inventory, Partition, Policy, SeparateWindows

_KEYS: dict[type, tuple[str, ...]] = {
    made: tuple(field.name for field in fields(made)) for made in (Component, Partition, Policy, SeparateWindows)
}
_ENCODE = json.JSONEncoder(ensure_ascii=False).encode


def to_json(inventory: Inventory) -> str:
    """The whole inventory as one JSON document, in the order of its rows. Raises nothing."""
    read_at = inventory.read_at
    tables: tuple[tuple[str, Iterable[Any]], ...] = (
        ("component", inventory.components),
        ("partition", inventory.partitions),
        ("policy", inventory.policies),
        ("separate_windows", inventory.separate_windows),
    )
    head = {
        "inventory": FORMAT,
        "read_at": read_at.isoformat() if isinstance(read_at, datetime) else str(read_at),
        "zone": inventory.zone,
        **({"complete": inventory.complete} if inventory.complete else {}),
    }
    blocks = [_ENCODE(head)[:-1]]
    for table, rows in tables:
        lines = [_ENCODE(_cells(row)) for row in rows]
        if lines:
            blocks.append(f'"{table}": [\n' + ",\n".join(lines) + "\n]")
    return ",\n".join(blocks) + "}\n"


def _cells(row: Any) -> dict[str, object]:  # noqa: ANN401  (one of the four tables' types)
    found: dict[str, object] = {}
    for key in _KEYS[type(row)]:
        value = getattr(row, key)
        if value is None or (key == "note" and not value):
            continue
        if type(value) is str:  # nearly all are
            found[key] = value or "-"
        elif isinstance(value, Mapping):
            found[key] = {k: v or "-" for k, v in value.items()}
        else:
            found[key] = list(value) if isinstance(value, tuple) else value
    return found
