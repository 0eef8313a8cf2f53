"""Any answer as plain values and as text: every field and every property of it, nothing left out, in a fixed order."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime
from enum import Enum
from typing import Any

from pydantic import BaseModel

from bundlekeeper.errors import KeeperError


def plain(value: Any) -> Any:
    """The value as JSON has it. Raises TypeError for what has no fields to tell."""
    if value is None or isinstance(value, bool | int | float):
        return value
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, str):
        return value
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json", by_alias=True)
    if isinstance(value, KeeperError):
        told = {"message": value.whole, "hint": value.hint, "where": value.where, "problems": plain(value.problems)}
        return {"error": type(value).__name__, "exit": value.exit_code, **told}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return _fields(value)
    if isinstance(value, Mapping):
        return {_key(key): plain(row) for key, row in value.items()}
    if isinstance(value, set | frozenset):
        return sorted((plain(row) for row in value), key=repr)
    if isinstance(value, tuple) and hasattr(value, "_asdict"):
        return plain(value._asdict())
    if isinstance(value, Iterable):
        return [plain(row) for row in value]
    raise TypeError(f"{type(value).__name__} has no fields to tell")


def _fields(value: Any) -> dict[str, Any]:
    names = [f.name for f in dataclasses.fields(value) if not f.name.startswith("_")]
    for kind in type(value).__mro__:
        names += [name for name, got in vars(kind).items() if isinstance(got, property) and not name.startswith("_")]
    rows = {name: plain(getattr(value, name)) for name in names if not callable(getattr(value, name))}
    if rows.get("accepted") == "":  # of a finding: as the JSON envelope, which has it only where somebody accepted it
        del rows["accepted"]
    return {"": type(value).__name__, **rows}


def _key(key: object) -> str:
    return key if isinstance(key, str) else json.dumps(plain(key))


def text(value: Any) -> str:
    """The value as text of many short lines; a text of several lines stays one."""
    if isinstance(value, str):
        return value
    return json.dumps(plain(value), indent=1, ensure_ascii=True, allow_nan=False)


def told(ask: Callable[..., Any], *words: Any, **options: Any) -> Any:
    """What a question answers, or the error of ours that it raises."""
    try:
        return plain(ask(*words, **options))
    except KeeperError as error:
        return plain(error)
