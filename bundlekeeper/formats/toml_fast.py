"""TOML of the plainest kind, read several times as fast as by tomllib: what a program writes for many components.

Rules: plain is a text of which every line is blank, a comment, `[[name]]` or `key = value` with a bare key and a value
that ends on its line; the result is None for a text that is not plain, or not TOML: the caller uses tomllib then, which
also reports what is wrong; a plain text gives the same as tomllib (the tests compare both).
Grammar: TOML 1.0.0, 'Comment', 'Keys', 'String', 'Array of Tables'.
"""

from __future__ import annotations

import re
import tomllib

# Control characters but the tab are allowed neither in comments nor in strings (TOML 1.0.0, 'Comment', 'String').
_CONTROL = r"\x00-\x08\x0a-\x1f\x7f"
_LINE = re.compile(
    rf"""[ \t]*+(?:
          ([A-Za-z0-9_-]++)[ \t]*+=[ \t]*+(?:"([^"\\{_CONTROL}]*+)"[ \t]*+(?=\n|\Z)|([^\n]++))
        | \[\[[ \t]*+([A-Za-z0-9_-]++)[ \t]*+\]\][ \t]*+
        | (?:\#[^{_CONTROL}]*+)?
    )(?:\n|\Z)""",
    re.VERBOSE,
)
_STRING, _OTHER, _TABLE = 2, 3, 4  # groups


def loads(text: str) -> dict[str, object] | None:
    """The document, or None where the text is not plain. Raises nothing."""
    text = text.replace("\r\n", "\n")  # as tomllib does
    whole: dict[str, object] = {}
    lists: dict[str, list[dict[str, object]]] = {}
    values: dict[str, object] = {}  # of the few that are no simple strings and are on many lines
    table, end = whole, 0
    for line in _LINE.finditer(text):
        if line.start() != end:
            return None
        end = line.end()
        group = line.lastindex
        if group is None:
            continue
        name = line[group] if group == _TABLE else line[1]
        if group == _TABLE:
            table = {}
            there = lists.get(name)
            if there is not None:
                there.append(table)
                continue
            lists[name] = [table]
            if name in whole:
                return None
            whole[name] = lists[name]
            continue
        if name in table:
            return None
        if group == _STRING:
            table[name] = line[_STRING]
            continue
        found = _value(line[_OTHER], values)
        if found is None:
            return None
        table[name] = found
    return whole if end == len(text) else None


def _value(text: str, values: dict[str, object]) -> object:
    """One value, None where it is none that ends on its line; a list or table is a new one each time."""
    found = values.get(text)
    if found is None:
        try:
            found = tomllib.loads(f"value = {text}")["value"]
        except (ValueError, RecursionError):
            return None
        if not isinstance(found, list | dict) and len(values) < 1000:
            values[text] = found
    return found
