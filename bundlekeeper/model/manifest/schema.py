"""The manifest's format as a JSON Schema, for editors that complete and check while one writes.

Rules: made from the types, never by hand, so that both agree; TOML dates are strings of format date, as editors that
check TOML by a JSON Schema expect them; what only lint can check is not in it. Dialect: JSON Schema 2020-12.
"""

from __future__ import annotations

from typing import Any

from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.model.vocabulary import KINDS

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema() -> dict[str, Any]:
    """The schema as one JSON object. Raises nothing."""
    made = Manifest.model_json_schema(by_alias=True)
    _tidy(made)
    for definition in made["$defs"].values():
        kind = definition.get("properties", {}).get("kind")
        if kind is not None:
            kind["examples"] = list(KINDS)
    made["$defs"]["Bundle"]["allOf"] = [
        _when("lifecycle", "withdrawn", "reason"),
    ]
    return {
        "$schema": DIALECT,
        "title": "bundlekeeper manifest",
        "description": "which bundles exist, how big, with which SHA-256, which images, allowed after and beside what",
        **{key: value for key, value in made.items() if key not in {"title", "description"}},
    }


def _when(key: str, value: str, needed: str) -> dict[str, Any]:
    """Where `key` is `value`, `needed` must be there."""
    return {"if": {"properties": {key: {"const": value}}, "required": [key]}, "then": {"required": [needed]}}


def _tidy(node: object) -> None:
    """Remove titles that only repeat the key, and nulls: TOML has no null, an absent key is simply not there."""
    if isinstance(node, list):
        for item in node:
            _tidy(item)
    if not isinstance(node, dict):
        return
    for properties in (node.get("properties", {}), node.get("$defs", {})):
        for inner in properties.values():
            inner.pop("title", None)
    if node.get("default", "") is None:
        del node["default"]
    choices = node.get("anyOf")
    if isinstance(choices, list):
        left = [choice for choice in choices if choice != {"type": "null"}]
        if len(left) == 1:
            del node["anyOf"]
            node.update(left[0])
        else:
            node["anyOf"] = left
    for value in list(node.values()):
        _tidy(value)
