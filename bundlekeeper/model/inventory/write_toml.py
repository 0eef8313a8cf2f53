"""An inventory as the TOML that the reader reads and a person edits, one table to a component.

Rules: as for JSON (`write_json`): reading what was written gives an equal inventory; what is not known is left out,
what is known to be none is `-`; equal inventories give equal bytes; no text can end a line.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any

from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.toml_edit import basic_string
from bundlekeeper.model.inventory.types import FORMAT, Inventory


def to_toml(inventory: Inventory, comments: Iterable[str] = ()) -> str:
    """The whole inventory as TOML, in the order of its rows; `comments` are lines that follow it.

    Raises InputError for a text that is no Unicode.
    """
    read_at = inventory.read_at
    lines = [
        f"inventory = {FORMAT}",
        f"read_at = {read_at.isoformat(sep=' ') if isinstance(read_at, datetime) else read_at}",
        f"zone = {basic_string(inventory.zone)}",
        *([f"complete = {_value(inventory.complete)}"] if inventory.complete else []),
    ]
    tables: tuple[tuple[str, Iterable[Any]], ...] = (
        ("component", inventory.components),
        ("partition", inventory.partitions),
        ("policy", inventory.policies),
        ("separate_windows", inventory.separate_windows),
    )
    for table, rows in tables:
        for row in rows:
            lines += ["", f"[[{table}]]", *_lines(row)]
    lines += ["", *(f"# {visible(comment)}".rstrip() for comment in comments)]
    return "\n".join(lines).rstrip() + "\n"


def _lines(row: Any) -> list[str]:  # noqa: ANN401  (one of the four tables' types)
    found = []
    for field in fields(row):
        value = getattr(row, field.name)
        if value is None or (field.name == "note" and not value):
            continue
        found.append(f"{field.name} = {_value(value)}")
    return found


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, tuple):
        return "[" + ", ".join(basic_string(str(v)) for v in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{basic_string(k)} = {basic_string(v or '-')}" for k, v in value.items()) + " }"
    return basic_string(str(value) or "-")
