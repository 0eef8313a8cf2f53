"""What each key of an inventory means: for an empty sheet to fill in, and as a JSON Schema.

Rules: every key of every table is explained, or nothing is; the schema allows what the reader allows of TOML and JSON
and no key that the reader does not know; what keys have to do with each other only the reader checks.
"""

from __future__ import annotations

from typing import Any

from bundlekeeper.model.inventory.cells import REQUIRED, tables
from bundlekeeper.model.inventory.types import COMPONENT_KEYS, FORMAT
from bundlekeeper.model.vocabulary import APPLIES, KINDS

HEADER = {
    "read_at": "when this was read: a day (2026-03-01; its end counts), or a time with its zone",
    "zone": "the time zone of its days: an IANA name, UTC, or an offset such as +02:00",
    "complete": "what it lists whole, so that what is not listed there is gone: site:NAME, domain:NAME",
    "note": "free text",
}
_EXPLAINED = {
    "component": {
        "site": "where it is: the site",
        "domain": "the domain of the site; - for a component that belongs to none",
        "chassis": "the chassis in the domain; - for none, as of a rack server",
        "slot": "the slot in the chassis; in a server its position after a slash: 3/1",
        "parent": "serial of the server or chassis that it sits in",
        "kind": f"one of {', '.join(KINDS)}, or a manifest's own",
        "model": "its model, as the manifest's images name it",
        "serial": "its own hardware serial; a server's serial belongs in parent",
        "name": "what people call its server: the host name",
        "tags": "other names, divided by |: asset tag, rack position",
        "active": "the version that runs",
        "pending": "the version that starts at the next activation; - for none",
        "staged": "the version that was brought to be activated, in whatever bank; - for none",
        "spare": "the version in the bank that neither runs nor starts next; - for none",
        "boot_files": "versions of all image files on its file system, divided by |",
        "pair": "name of the redundant pair that it is half of, within its domain; - for none",
        "half": "which half of the pair: leading or following",
        "healthy": "yes or no: no open faults, every path there",
        "policy": "name of the configuration that is assigned to its server; - for none",
        "cluster": "the cluster whose workload its server carries; - for none",
        "variant": "which variant of a bundle it takes, where the manifest has variants",
        "note": "free text",
    },
    "partition": {
        "component": "serial or identity of the component that it is on",
        "name": "its name",
        "size_bytes": "its size, in bytes",
        "free_bytes": "how many bytes are free",
        "note": "free text",
    },
    "policy": {
        "name": "its name, as components have it",
        "versions": "the version that it names for each family or kind: blade=6.1.0; bios=6.1.2",
        "applies": f"when it is applied: {', '.join(APPLIES)}",
        "scope": "the domains where it is used, divided by |; * for all",
        "note": "free text",
    },
    "separate_windows": {
        "domains": "domains that are never in one window, divided by |",
        "note": "free text",
    },
}
_SHEET_NOTE = (
    "An empty cell is not known, - is known to be none. Write versions as text: a number loses its last zeros."
)


def explained(table: str) -> dict[str, str]:
    """The table's keys in the order of a sheet, each with its meaning. Raises KeyError for a key without one."""
    return {key: _EXPLAINED[table][key] for key in tables(())[table]}


def csv_template() -> str:
    """An empty sheet of components as CSV: each column explained above the headings. Raises nothing."""
    lines = [f"# {_SHEET_NOTE}"]
    for key in ("read_at", "zone", "complete"):
        lines += [f"# {key}: {HEADER[key]}", f"# {key} = "]
    needed = REQUIRED["component"]
    lines += [
        f"# {key}{' (required)' if key in needed else ''}: {meaning}" for key, meaning in explained("component").items()
    ]
    return "\n".join([*lines, ",".join(explained("component"))]) + "\n"


def sheet_template() -> dict[str, list[list[str]]]:
    """Empty sheets of a workbook, one a table, with the header's and one that explains all. Raises nothing."""
    found = {table: [[*explained(table)]] for table in _EXPLAINED}
    found["inventory"] = [[key, "", HEADER[key]] for key in ("read_at", "zone", "complete")]
    rows = [[table, key, "required" if key in REQUIRED[table] else "", meaning]
            for table in _EXPLAINED for key, meaning in explained(table).items()]  # fmt: skip
    return {**found, "explained": [["sheet", "column", "needed", "what it is"], *rows, [], ["", "", "", _SHEET_NOTE]]}


_STRING: dict[str, Any] = {"type": "string"}
_LIST: dict[str, Any] = {"type": ["array", "string"], "items": _STRING}
#: The JSON Schema of each form of cells.
_FORMS: dict[str, dict[str, Any]] = {
    "text": _STRING,
    "kind": _STRING,
    "running": _STRING,
    "version": _STRING,
    "versions": _LIST,
    "texts": _LIST,
    "flag": {"type": ["boolean", "string"]},
    "label": {"type": ["string", "integer"]},
}
_OTHERS: dict[str, dict[str, Any]] = {
    "size_bytes": {"type": ["integer", "string"], "minimum": 0},
    "free_bytes": {"type": ["integer", "string"], "minimum": 0},
    "versions": {"type": ["object", "string"], "additionalProperties": _STRING},
    "applies": {"enum": [*APPLIES, "-", ""]},
    "scope": _LIST,
    "domains": _LIST,
}


def json_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of an inventory in TOML or JSON. Raises KeyError for a form of cells without one."""
    properties: dict[str, Any] = {
        "inventory": {"const": FORMAT, "description": "the format"},
        **{key: {**(_LIST if key == "complete" else _STRING), "description": HEADER[key]} for key in HEADER},
    }
    for table in _EXPLAINED:
        row = {key: {**_form(table, key), "description": meaning} for key, meaning in explained(table).items()}
        properties[table] = {
            "type": "array",
            "items": {
                "type": "object", "properties": row, "required": [*REQUIRED[table]], "additionalProperties": False,
            },
        }  # fmt: skip
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "bundlekeeper inventory",
        "type": "object",
        "properties": properties,
        "required": ["inventory"],
        "additionalProperties": False,
    }


def _form(table: str, key: str) -> dict[str, Any]:
    if table == "component" and key in COMPONENT_KEYS:
        declared = COMPONENT_KEYS[key]
        return {"enum": [*declared.words, "-", ""]} if declared.words else _FORMS.get(declared.cell, _STRING)
    return _OTHERS.get(key, _STRING)
