"""Change values in a TOML text and leave every other byte alone.

Rules: the text is spliced, never written again, so comments, layout and line ends stay; what comes out is parsed again
and compared with the intended document, and a difference is an internal error, never written to a file; every text is
written as a basic string that reads back exactly. Grammar: TOML 1.0.0 (toml.io/en/v1.0.0), parser: tomllib.
"""

from __future__ import annotations

import copy
import json
import re
import tomllib
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from datetime import date
from typing import Any

from bundlekeeper.errors import InputError, KeeperError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.toml_positions import Path, TomlPlace, places
from bundlekeeper.formats.toml_read import load

_COMMENT = re.compile(r"[ \t]*#[^\r\n]*")
_SHORT = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r", '"': '\\"', "\\": "\\\\"}


def basic_string(text: str) -> str:
    """`text` as a TOML basic string, quotes and all; invisible characters are escaped, so it is safe in a comment too.

    Raises InputError for text that is no Unicode (a file name's undecodable bytes), which TOML cannot express.
    """
    return '"' + "".join(_character(c, text) for c in text) + '"'


def _character(char: str, text: str) -> str:
    if char in _SHORT:
        return _SHORT[char]
    category = unicodedata.category(char)
    if category == "Cs":
        raise InputError(f"{visible(text)} is not UTF-8, so a manifest cannot name it", hint="rename the file")
    if category[0] in "CZ" and char != " ":
        return f"\\u{ord(char):04X}" if ord(char) < 0x10000 else f"\\U{ord(char):08X}"
    return char


def literal(value: str | int | date) -> str:
    """A value as TOML: an integer with its digits in threes, a text as `basic_string` writes it (and raises)."""
    if isinstance(value, date):
        return value.isoformat()
    return f"{value:_}" if isinstance(value, int) else basic_string(value)


class Edit:
    """One round of changes to one text: read `data`, change, get `result`."""

    def __init__(self, text: str, *, name: str, wanted: Collection[Path] | None = None) -> None:
        """`name` is the file's name for places; only `wanted` paths can be changed when given.

        Raises InputError when the text is no TOML or is refused before it is parsed.
        """
        self.source, self.data = load(text.encode("utf-8", "surrogatepass"), name=name, max_bytes=limits.MANIFEST_BYTES)
        self.newline = "\r\n" if "\r\n" in text else "\n"
        self._places = places(text, wanted)
        self._meant = copy.deepcopy(self.data)
        self._splices: list[tuple[int, int, str]] = []
        self._blocks: list[str] = []  # new tables, which go to the end of the text

    @property
    def changed(self) -> bool:
        """True when something was changed."""
        return bool(self._splices or self._blocks)

    def place(self, path: Path) -> TomlPlace:
        """Where the value of `path` is. Raises InputError when it was not found."""
        place = self._places.get(path)
        if place is None:
            raise InputError(
                f"the place of {'.'.join(map(str, path))} was not found in the text",
                hint="write this part of the file in a plainer way, or change it by hand",
                where=self.source.name,
            )
        return place

    def where(self, path: Path) -> tuple[str, str]:
        """`file:line:column` of a value, and its line with a caret. Raises InputError when it was not found."""
        place = self.place(path)
        return (
            self.source.where(place.line, place.column),
            self.source.excerpt(place.column, place.start),
        )

    def comment(self, path: Path) -> str:
        """The comment that follows the value of `path` on its line, with the blanks before it; empty where none does.

        Raises InputError when the value was not found.
        """
        end = self.place(path).end
        found = _COMMENT.match(self.source.text, end)
        return found[0] if found else ""

    def put(self, table: Path, key: str, value: str | int | date, *, after: str, comment: str | None = None) -> None:
        """Set `key` of a table: in its place, or, where it is missing, behind the key `after` of the same table.

        `comment` replaces the one of a key that is there (`comment()`); None keeps it.
        Raises InputError when a place was not found, and for a text that TOML cannot express.
        """
        target = self._table(table)
        shown = literal(value)
        if key in target:
            place = self.place((*table, key))
            old = "" if comment is None else self.comment((*table, key))
            self._splices.append((place.start, place.end + len(old), shown + (comment or "")))
        elif self._is_inline(table):
            end = self.place((*table, after)).end
            self._splices.append((end, end, f", {key} = {shown}"))
        else:
            self._new_line(self.place((*table, after)), f"{key} = {shown}")
        target[key] = value

    def _table(self, path: Path) -> dict[str, Any]:
        found: Any = self._meant
        for part in path:
            found = found[part]
        table: dict[str, Any] = found
        return table

    def _is_inline(self, table: Path) -> bool:
        return bool(table) and self.source.text.startswith("{", self.place(table).start)

    def _new_line(self, after: TomlPlace, statement: str) -> None:
        """Put a statement on a line of its own below the line on which `after` ends, indented as that one is."""
        text = self.source.text
        line_start = text.rfind("\n", 0, after.key_start) + 1
        row = text[line_start : after.key_start]
        indent = row if not row.strip(" \t") else ""
        line_end = text.find("\n", after.end)
        if line_end < 0:
            self._splices.append((len(text), len(text), f"{self.newline}{indent}{statement}"))
        else:
            self._splices.append((line_end + 1, line_end + 1, f"{indent}{statement}{self.newline}"))

    def add(self, array: str, lines: Sequence[str]) -> None:
        """Add an element, given as the lines of its table, to an array of tables: at the end of the text, or inline.

        Raises InputError when the array's place was not found.
        """
        element = tomllib.loads("\n".join(lines))
        present = self._meant.setdefault(array, [])
        if array in self.data and (not self.data[array] or self._is_inline((array, 0))):
            end = self.place((array,)).body_end
            row = ", ".join(f"{key} = {literal(value)}" for key, value in element.items())
            self._splices.append((end, end, ("," if present else "") + " { " + row + " }"))
        else:
            self._blocks.append(self.newline.join(["", f"[[{array}]]", *lines, ""]))
        present.append(element)

    def result(self) -> str:
        """The text with all changes. Raises KeeperError, an internal error, when it is not the intended document."""
        parts: list[str] = []
        done = 0
        for start, end, new in sorted(self._splices, key=lambda splice: splice[0]):
            parts += [self.source.text[done:start], new]
            done = end
        text = "".join(parts) + self.source.text[done:]
        if self._blocks and text and not text.endswith("\n"):
            text += self.newline
        text += "".join(self._blocks)
        try:
            same = _canonical(tomllib.loads(text)) == _canonical(self._meant)
        except tomllib.TOMLDecodeError:
            same = False
        if not same:
            raise KeeperError(
                f"changing {self.source.name} went wrong; the file was not changed",
                hint="change it by hand, and report this with the file",
                where=self.source.name,
            )
        return text


def _canonical(data: Mapping[str, Any]) -> str:
    return json.dumps(data, sort_keys=True, default=repr)  # NaN equals NaN as text, dates compare by their form
