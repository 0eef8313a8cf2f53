"""The JSON Schema against the example, against bad manifests, and against the types, by a small validator of its own.

The validator follows JSON Schema 2020-12 (json-schema.org) for just the keywords that the schema uses; others fail.
"""

from __future__ import annotations

import json
import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.model.manifest.schema import schema
from bundlekeeper.model.manifest.types import Manifest

EXAMPLE = Path(__file__).parents[3] / "manifests" / "marram-14.toml"
TYPES: dict[str, Any] = {"object": dict, "array": list, "string": str, "integer": int}
SILENT = {"$schema", "title", "description", "default", "examples", "$defs", "then"}


def problems(node: dict[str, Any], value: Any, root: dict[str, Any], path: str = "") -> list[str]:
    found: list[str] = []
    for keyword, wanted in node.items():
        match keyword:
            case _ if keyword in SILENT:
                good = True
            case "$ref":
                target = root
                for part in wanted.removeprefix("#/").split("/"):
                    target = target[part]
                found += problems(target, value, root, path)
                good = True
            case "type":
                good = isinstance(value, TYPES[wanted]) and not isinstance(value, bool)
            case "format":
                assert wanted == "date"
                good = bool(re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value)) if isinstance(value, str) else True
            case "const":
                good = value == wanted
            case "enum":
                good = value in wanted
            case "pattern":
                good = not isinstance(value, str) or bool(re.search(wanted, value))
            case "minLength":
                good = not isinstance(value, str) or len(value) >= wanted
            case "maxLength":
                good = not isinstance(value, str) or len(value) <= wanted
            case "minimum" | "maximum":
                good = not isinstance(value, int) or (value >= wanted if keyword == "minimum" else value <= wanted)
            case "minItems":
                good = not isinstance(value, list) or len(value) >= wanted
            case "items":
                good = True
                for index, item in enumerate(value if isinstance(value, list) else []):
                    found += problems(wanted, item, root, f"{path}[{index}]")
            case "properties":
                good = True
                for key in wanted.keys() & (value.keys() if isinstance(value, dict) else set()):
                    found += problems(wanted[key], value[key], root, f"{path}.{key}")
            case "required":
                good = not isinstance(value, dict) or all(key in value for key in wanted)
            case "additionalProperties":
                good = True
                for key in value.keys() - node.get("properties", {}).keys() if isinstance(value, dict) else ():
                    if wanted is False:
                        found.append(f"{path}.{key}: unknown")
                    else:
                        found += problems(wanted, value[key], root, f"{path}.{key}")
            case "anyOf":
                good = any(not problems(choice, value, root, path) for choice in wanted)
            case "allOf":
                good = True
                for choice in wanted:
                    found += problems(choice, value, root, path)
            case "if":
                good = bool(problems(wanted, value, root, path)) or not problems(node["then"], value, root, path)
            case _:
                raise AssertionError(f"keyword {keyword} is not known here")
        if not good:
            found.append(f"{path}: {keyword}")
    return found


def as_json(value: Any) -> Any:
    """A TOML document as an editor's checker sees it: dates are texts."""
    return json.loads(json.dumps(value, default=lambda v: v.isoformat()))


def test_the_example_is_valid() -> None:
    document = as_json(tomllib.loads(EXAMPLE.read_text("utf-8")))
    assert problems(schema(), document, schema()) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("manifest = 1 ", "manifest = 2 "),
        ('platform = "marram"', 'platform = "Marram"'),
        ("sequence = 14", 'sequence = "14"'),
        ("sequence = 14", "sequence = -1"),
        ("issued = 2026-08-14", ""),
        ("issued = 2026-08-14", "issued = 2026-08-14T10:00:00"),
        ('family = "blade"', 'family = "blades"'),
        ('variants = ["managed-servers"', 'variants = ["Managed servers"'),
        ("reason =", "note ="),
        ("[[jump]]\n", "[[jump]]\nsise = 1\n"),
        ('from = ">=5.4"', 'from_ = ">=5.4"'),
        ('blade = ["6.0.1", "5.4.10"]', "blade = []"),
        ('blade = ["6.0.1", "5.4.10"]', 'blade = ["6.0.1", 5]'),
        ("sha256 =", 'sha256 = "x"\nsha512 ='),
        ("minutes = 14", 'minutes = "14"'),
    ],
)
def test_bad_manifests_are_refused(old: str, new: str) -> None:
    text = EXAMPLE.read_text("utf-8")
    assert old in text
    assert problems(schema(), as_json(tomllib.loads(text.replace(old, new, 1))), schema())


def test_it_is_plain_json_without_an_address_of_its_own() -> None:
    made = schema()
    assert json.loads(json.dumps(made)) == made
    assert "$id" not in json.dumps(made)
    assert made["title"] == "bundlekeeper manifest"
    assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert '"null"' not in json.dumps(made)


def test_it_has_every_key_of_the_types_by_the_name_that_people_write() -> None:
    made = schema()
    assert set(made["properties"]) == set(Manifest.model_fields)
    assert {"to", "from", "what", "direction", "source", "note"} == set(made["$defs"]["Jump"]["properties"])
    assert "from" in made["$defs"]["Jump"]["required"]
    assert made["properties"]["issued"] == {
        "description": "the day of issue", "format": "date", "type": "string"
    }  # fmt: skip
    assert isinstance(date.fromisoformat("2026-08-14"), date)
