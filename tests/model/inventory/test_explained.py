"""Every key explained; the JSON Schema held against the jsonschema library, the templates against our own reader."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.model.inventory.cells import tables
from bundlekeeper.model.inventory.explained import csv_template, explained, json_schema, sheet_template
from bundlekeeper.model.inventory.read import InventorySource, read_inventory

MARRAM = Path(__file__).parents[3] / "manifests" / "marram-2026-11.toml"


def test_every_key_of_every_table_is_explained() -> None:
    for table, keys in tables(()).items():
        assert list(explained(table)) == list(keys)
        assert all(explained(table).values())
    assert set(sheet_template()) == {*tables(()), "inventory", "explained"}


def test_an_empty_sheet_that_is_filled_in_is_an_inventory() -> None:
    text = csv_template().replace("# read_at = ", "# read_at = 2026-03-01").replace("# zone = ", "# zone = UTC")
    columns = text.splitlines()[-1].split(",")
    row = {"site": "holm", "domain": "holm-a", "kind": "bios", "serial": "B1"}
    text += ",".join(row.get(column, "") for column in columns) + "\n"
    found = read_inventory([InventorySource("t.csv", text.encode(), "csv")])
    assert (found.read_at, [c.key for c in found.components]) == (date(2026, 3, 1), ["B1"])


def _plain(value: Any) -> Any:
    return json.loads(json.dumps(value, default=str))


def test_the_schema_takes_what_the_reader_takes_and_refuses_keys_that_it_does_not_know() -> None:
    """Held against the library `jsonschema` (JSON Schema 2020-12)."""
    jsonschema = pytest.importorskip("jsonschema", reason="the library for JSON Schema is in the extra test")
    validator = jsonschema.Draft202012Validator
    schema = json_schema()
    validator.check_schema(schema)
    good = _plain(tomllib.loads(MARRAM.read_text("utf-8")))
    good["complete"] = ["domain:holm-a"]
    assert list(validator(schema).iter_errors(good)) == []
    bad: list[dict[str, Any]] = [
        {**good, "listing": "all"},
        {key: value for key, value in good.items() if key != "inventory"},
        {**good, "component": [{**good["component"][0], "cabinet": "3"}]},
        {**good, "component": [{"site": "holm", "domain": "holm-a"}]},
        {**good, "component": [{**good["component"][0], "active": 6.1}]},
        {**good, "component": [{**good["component"][0], "half": "left"}]},
        {**good, "policy": [{"name": "web", "applies": "soon"}]},
    ]
    for document in bad:
        assert list(validator(schema).iter_errors(document)), document
        with pytest.raises(Exception, match="problem"):
            read_inventory([InventorySource("i.json", json.dumps(document).encode(), "json")])
