"""What the types of `model.manifest` refuse in the document, in plain words.

Rules: every error of pydantic becomes exactly one problem, except its own noise (both branches of a union, 'too short'
after a bad element) and what another check reports better; a document that the types refuse always gets an error.
pydantic's words and type names are never shown.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from bundlekeeper.formats.text_file import shown
from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.model.lint.common.format import choices, did_you_mean, keys_of
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.model.vocabulary import KINDS

_Error = Mapping[str, Any]


def check_shape(raw: dict[str, Any]) -> tuple[Manifest | None, Iterator[Problem]]:
    """Check the document by the types; return the manifest, None where they refuse it, and what is wrong.

    Raises nothing.
    """
    from pydantic import ValidationError

    try:
        manifest = Manifest.model_validate(raw)
    except ValidationError as e:
        errors = e.errors(include_url=False, include_input=False)
    else:
        return manifest, iter(())
    return None, (p for error in errors if (p := _problem(raw, error)) is not None)


#: (pydantic's type of the error, last key) -> the check that reports it better.
_REPORTED_ELSEWHERE = {
    ("string_pattern_mismatch", "sha256"): "digests",
    ("string_pattern_mismatch", "kind"): "words",
    ("string_pattern_mismatch", "only"): "words",
    ("string_too_short", "file"): "names",
    ("string_too_short", "reason"): "bundles",
    ("missing", "source"): "rules",
    ("string_too_short", "source"): "rules",
    ("literal_error", "manifest"): "words",
}


def _problem(raw: dict[str, Any], error: _Error) -> Problem | None:
    path, kind = _clean(raw, error)
    value = value_at(raw, path[:-1] if kind == "missing" else path)
    if kind == "noise" or (kind, _last_key(path)) in _REPORTED_ELSEWHERE:
        return None
    if kind == "missing":
        message, hint = f"{path[-1]} is missing", f"add {path[-1]} = {_example(str(path[-1]))}"
        return Problem("missing-key", path[:-1], message, hint)
    if kind == "extra_forbidden":
        return _unknown_key(raw, path)
    if kind == "date_type":
        return _date_form(path, value)
    if kind in _TYPES:
        takes, hint = _TYPES[kind]
        message = f"{_called(path)} takes {takes}, not {shown(value)}"
        return Problem("wrong-type", path, message, _quoted_hint(kind, value) or hint)
    return _bad_value(path, kind, value, error.get("ctx", {}))


#: pydantic's type of the error -> what the key takes, what to do.
_TYPES = {
    "string_type": ("a text", "put it in quotes"),
    "int_type": ("a whole number", "write it without quotes and without a decimal point; 1_000_000 is fine"),
    "int_from_float": ("a whole number", "write it without a decimal point"),
    "tuple_type": ("an array", "put it in brackets: [ … ]"),
    "model_type": ("a table", "write it as a table: { key = value, … }"),
    "dict_type": ("a table", "write it as a table: { key = value, … }"),
    "one_or_more": ("a version or an array of versions", 'write "6.1.0" or ["6.1.0", "6.0.1"]'),
}


def _quoted_hint(kind: str, value: object) -> str:
    if kind in {"int_type", "int_from_float"} and isinstance(value, str):
        return "write the number without quotes" if value.strip().isdigit() else ""
    if kind in {"tuple_type", "model_type", "dict_type"} and isinstance(value, (dict, list)):
        if isinstance(value, dict) and kind == "tuple_type":
            return "write its header with double brackets, [[…]], or put it in an array"
        return "write its header with single brackets, […]"
    return ""


def _clean(raw: dict[str, Any], error: _Error) -> tuple[Path, str]:
    """The error's path without pydantic's own steps, and its type; `noise` where another error reports it."""
    path: Path = tuple(error["loc"])
    kind = str(error["type"])
    if len(path) >= 4 and path[0] == "release" and isinstance(path[3], str):
        value = value_at(raw, path[:3])
        array_branch = path[3].startswith("tuple")
        path = path[:3] + path[4:]
        if not isinstance(value, (str, list)):
            return path, "noise" if array_branch else "one_or_more"
        if isinstance(value, list) != array_branch:
            return path, "noise"
    if kind == "too_short" and value_at(raw, path):  # its elements were refused, each with an error of its own
        return path, "noise"
    return path, kind


def _bad_value(path: Path, kind: str, value: object, limits: Mapping[str, Any]) -> Problem:
    key = _called(path)
    message, hint = f"{key} cannot be {shown(value)}", ""
    if kind in {"literal_error", "enum"}:
        words = choices(path)
        hint = did_you_mean(value, words) or f"one of {', '.join(words)}"
    elif kind in {"string_too_short", "too_short"}:
        message, hint = f"{key} is empty", "give a value, or delete the key where it is not required"
    elif kind == "string_too_long":
        message = f"{key} has {len(str(value))} characters, more than {limits.get('max_length')}"
        hint = "shorten it"
    elif kind == "greater_than_equal":
        hint = f"it is at least {limits.get('ge')}"
    elif kind == "less_than_equal":
        hint = f"it is at most {limits.get('le')}"
    elif kind == "string_pattern_mismatch":
        hint = "small letters and digits, in words joined by single hyphens: marram-2"
    return Problem("bad-value", path, message, hint or "see the format of the manifest")


def _date_form(path: Path, value: object) -> Problem:
    key = _last_key(path)
    if isinstance(value, str):
        return Problem("date-form", path, f"{key} is a text, not a date", "write the date without quotes: 2026-08-14")
    if hasattr(value, "hour"):
        return Problem("date-form", path, f"{key} is more than a date", "delete the time: 2026-08-14")
    return Problem("wrong-type", path, f"{key} takes a date, not {shown(value)}", "write it like 2026-08-14")


def _unknown_key(raw: dict[str, Any], path: Path) -> Problem:
    key, table = str(path[-1]), path[:-1]
    known = keys_of(table)
    above = value_at(raw, table)
    missing = [k for k in known if not isinstance(above, dict) or k not in above]
    elsewhere = {"bundles": "bundle", "images": "image", "releases": "release", "jumps": "jump", "kinds": "kind"}
    near = did_you_mean(key, missing) or did_you_mean(key, known)
    if not near and elsewhere.get(key) in known:
        near = f"did you mean {elsewhere[key]}?"
    hint = near or f"known here: {', '.join(known)}"
    return Problem("key-unknown", path, f"there is no key {shown(key)} here", hint, on_key=True)


def value_at(raw: object, path: Path) -> object:
    """The raw value at `path`, or None where there is none."""
    value = raw
    for step in path:
        if isinstance(value, dict) and isinstance(step, str):
            value = value.get(step)
        elif isinstance(value, list) and isinstance(step, int) and 0 <= step < len(value):
            value = value[step]
        else:
            return None
    return value


def _last_key(path: Path) -> str:
    return next((step for step in reversed(path) if isinstance(step, str)), "the file")


def _called(path: Path) -> str:
    """How a sentence names the value at `path`."""
    key = _last_key(path)
    return f"an element of {key}" if path and isinstance(path[-1], int) else key


def _example(key: str) -> str:
    examples: dict[str, str] = {
        "manifest": "1", "platform": '"marram"', "sequence": "1", "issued": "2026-08-14", "size": "1_284_308_992",
        "sha256": '"…64 hexadecimal digits…"', "models": '["Rush-4"]', "what": '{ family = "infrastructure" }',
        "when": '{ family = "infrastructure", version = ">=6.0" }', "to": '">=6.0"', "from": '">=5.4"',
        "need": '[{ family = "blade", version = ">=5.4" }]', "family": '"infrastructure"', "version": '"6.1.0"',
        "file": '"marram-infrastructure-6.1.0.bin"', "kind": f'"{next(iter(KINDS))}"', "name": '"6.1"',
        "scope": '"domain"',
        "form": '"sshsig"', "key": '"marram-2026"',
    }  # fmt: skip
    return examples.get(key, "…")
