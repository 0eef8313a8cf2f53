"""JSON read strictly: what a lenient reader ignores is an error here.

Rules: RFC 8259 text in UTF-8, no byte-order mark; no key twice in one object (RFC 8259 §4 leaves it open, we refuse);
no NaN or Infinity, no number beyond a double or 64 bits; nesting is limited; only our own error comes out.
The caller bounds the bytes before they come here.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import NoReturn

from bundlekeeper.errors import InputError

_MAX_DIGITS = 19  # of a whole number: 64 bits


class _StrictError(ValueError):
    """Something that json.loads would accept and we don't."""


def loads(data: bytes | str, where: str = "") -> object:
    """Read one JSON document; objects come as dict, arrays as list. Raises InputError, with `where` and the place."""
    try:
        text = data if isinstance(data, str) else data.decode("utf-8")
        if text.startswith("\ufeff"):
            raise json.JSONDecodeError("it begins with a byte-order mark", text, 0)
        found: object = _DECODER.decode(text)
        return found
    except UnicodeDecodeError as e:
        raise InputError(f"not UTF-8: byte {e.start} is {e.object[e.start]:#04x}", where=where) from e
    except json.JSONDecodeError as e:
        place = f"{where}:{e.lineno}:{e.colno}" if where else f"line {e.lineno}, column {e.colno}"
        raise InputError(f"not JSON: {e.msg}", where=place) from e
    except _StrictError as e:
        raise InputError(f"not valid JSON: {e}", where=where) from e
    except RecursionError as e:
        raise InputError("not valid JSON: nested too deeply", where=where) from e


def pointer(path: Sequence[str | int]) -> str:
    """The path as a JSON pointer (RFC 6901 §3: `~` is written ~0 and `/` is written ~1)."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in path)


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise _StrictError(f"the key {twice!r} is twice in one object")
    return found


def _whole(digits: str) -> int:
    if len(digits.lstrip("-")) > _MAX_DIGITS:
        raise _StrictError(f"a whole number of {len(digits)} digits")
    return int(digits)


def _fraction(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise _StrictError(f"the number {digits[:40]} is beyond a double")
    return value


def _constant(name: str) -> NoReturn:
    raise _StrictError(f"{name} is no JSON number")


#: Made once: `json.loads` makes one for each text, which is a fifth of the time of a line of the ledger.
_DECODER = json.JSONDecoder(
    object_pairs_hook=_object, parse_int=_whole, parse_float=_fraction, parse_constant=_constant
)
