"""Where each value of a TOML text is: `tomllib` gives values without places, this gives places without values.

Rules: it is used only on text that `tomllib` accepts, so it never judges; a surprise ends the search and keeps what was
found, and `nearest` then gives the closest place around; it neither raises nor loops on any text; lines and columns
count characters from 1, offsets count characters from 0. Grammar: TOML 1.0.0 (toml.io/en/v1.0.0); line breaks, comments
and a last comma in inline tables (1.1) do no harm.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping
from contextlib import suppress

from bundlekeeper.frozen import dataclass

#: Keys from the top down; an int is an index into an array or an array of tables.
Path = tuple[str | int, ...]

_MAX_DEPTH = 100  # deeper nesting, or a longer dotted key, ends the search; readers refuse far less before
_BLANK = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]++|#[^\n]*+)*+")  # blanks, line breaks and comments
_QUOTED = r""""[^"\\\n]*(?:\\.[^"\\\n]*)*"|'[^'\n]*'"""
_KEY = re.compile(rf"[A-Za-z0-9_-]+|{_QUOTED}")
_LONG_BASIC = re.compile(r'"""[^"\\]*(?:(?:\\.|"{1,2}(?!"))[^"\\]*)*"""(?:"{1,2})?', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''[^']*(?:'{1,2}(?!')[^']*)*'''(?:'{1,2})?")
# What can be inside an array or an inline table, as far as brackets are to be counted.
_NESTED = re.compile(rf"""{_LONG_BASIC.pattern}|{_LONG_LITERAL.pattern}|{_QUOTED}|#[^\n]*+|[\[\]{{}}]""", re.DOTALL)
_SCALAR = re.compile(r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2} (?=[0-9]{2}:))?[^ \t\r\n,\[\]{}#]+")


@dataclass(frozen=True, slots=True)
class TomlPlace:
    """One value's place: the value is `text[start:end]`, its own key (not the dotted whole) `text[key_start:key_end]`.

    `line` and `column` are those of `start`. An element of an array has no key: `key_start == key_end == start`.
    A table's value is its header, `[a.b]` or `[[a.b]]`; a table that only a longer key or header implies is that part
    of the key. The place of an array of tables is its first header; its elements have an index each.
    `body_end` is where something may be added: for a table or the document, the end of the line (before its line
    break) of its last own statement; for an inline table, an array or a table that only dotted keys imply, the end of
    its last value; else `end`.
    """

    line: int
    column: int
    start: int
    end: int
    key_start: int
    key_end: int
    body_end: int


class _SurpriseError(Exception):
    """The text is not what was expected; the search ends."""


@dataclass(slots=True)
class _Part:
    """One part of a dotted key."""

    name: str
    start: int
    end: int


class _Search:
    """One walk over one text."""

    def __init__(self, text: str, wanted: Collection[Path] | None) -> None:
        self.text = text
        self.found: dict[Path, TomlPlace] = {}
        self._line, self._line_start, self._counted = 1, 0, 0
        self._wanted = None if wanted is None else {path[:i] for path in wanted for i in range(len(path) + 1)}
        self._implied: set[Path] = set()
        self._counts: dict[Path, int] = {}  # elements so far of each array of tables

    def run(self) -> None:
        """Walk the whole text, one statement after the other."""
        table: Path = ()
        self._keep(table, 0, 0, 0, 0, 0)
        pos = _skip(_GAP, self.text, 0)
        while pos < len(self.text):
            if self.text[pos] == "[":
                table, pos = self._header(pos)
            else:
                pos = self._pair(table, pos)
            pos = _skip(_BLANK, self.text, pos)
            line_end = self._line_end(pos)
            if pos < line_end and self.text[pos] != "#":
                raise _SurpriseError
            self._grow(table, line_end)
            pos = _skip(_GAP, self.text, line_end)

    def _line_end(self, pos: int) -> int:
        end = self.text.find("\n", pos)
        if end < 0:
            return len(self.text)
        return end - 1 if end > pos and self.text[end - 1] == "\r" else end

    def _keep(self, path: Path, start: int, end: int, key_start: int, key_end: int, body_end: int) -> None:
        if self._wanted is not None and path not in self._wanted:
            return
        self._count_lines(start)
        column = start - self._line_start + 1
        self.found[path] = TomlPlace(self._line, column, start, end, key_start, key_end, body_end)

    def _count_lines(self, start: int) -> None:
        """Make `_line` and `_line_start` those of an offset; they come in order of lines, so each is counted once."""
        if start < self._line_start:
            self._line, self._line_start, self._counted = 1, 0, 0
        if start > self._counted:
            breaks = self.text.count("\n", self._counted, start)
            if breaks:
                self._line += breaks
                self._line_start = self.text.rfind("\n", self._counted, start) + 1
            self._counted = start

    def _grow(self, path: Path, body_end: int, end: int | None = None) -> None:
        """Move the end of a body, and of a value, that was kept when it began."""
        old = self.found.get(path)
        if old is not None:
            end = old.end if end is None else end
            body_end = max(body_end, old.body_end)
            self.found[path] = TomlPlace(old.line, old.column, old.start, end, old.key_start, old.key_end, body_end)

    def _imply(self, path: Path, part: _Part) -> None:
        """Note a table that only a longer key or header names; a header of its own replaces it later."""
        if path not in self.found and path not in self._counts:
            self._implied.add(path)
            self._keep(path, part.start, part.end, part.start, part.end, part.end)

    def _key(self, pos: int) -> tuple[list[_Part], int]:
        """Read a key, dotted or not; return its parts and the offset after it and the blanks behind it."""
        parts: list[_Part] = []
        while len(parts) < _MAX_DEPTH:
            match = _KEY.match(self.text, pos)
            if match is None:
                break
            parts.append(_Part(_key_name(match.group()), match.start(), match.end()))
            pos = _skip(_BLANK, self.text, match.end())
            if not self.text.startswith(".", pos):
                return parts, pos
            pos = _skip(_BLANK, self.text, pos + 1)
        raise _SurpriseError

    def _inside(self, path: Path) -> Path:
        """The table that a path of keys means now: in an array of tables, the last element."""
        count = self._counts.get(path, 0)
        return (*path, count - 1) if count else path

    def _header(self, start: int) -> tuple[Path, int]:
        """Read `[a.b]` or `[[a.b]]`; return the table that it opens and the offset after it."""
        fence = "]]" if self.text.startswith("[[", start) else "]"
        parts, pos = self._key(_skip(_BLANK, self.text, start + len(fence)))
        if not self.text.startswith(fence, pos):
            raise _SurpriseError
        end = pos + len(fence)
        path: Path = ()
        for part in parts[:-1]:
            path = (*path, part.name)
            self._imply(path, part)
            path = self._inside(path)
        last = parts[-1]
        path = (*path, last.name)
        if fence == "]]":
            self._counts[path] = self._counts.get(path, 0) + 1
            if self._counts[path] == 1:
                self._keep(path, start, end, last.start, last.end, end)
            path = self._inside(path)
        self._implied.discard(path)
        self._keep(path, start, end, last.start, last.end, end)
        return path, end

    def _pair(self, table: Path, pos: int, depth: int = 0) -> int:
        """Read `key = value` of a table; return the offset after the value."""
        parts, pos = self._key(pos)
        if not self.text.startswith("=", pos):
            raise _SurpriseError
        path = table
        for part in parts[:-1]:
            path = self._inside((*path, part.name))
            self._imply(path, part)
        last = parts[-1]
        start = _skip(_BLANK, self.text, pos + 1)
        end = self._value((*path, last.name), start, last.start, last.end, depth)
        for length in range(len(table) + 1, len(path) + 1):
            if path[:length] in self._implied:
                self._grow(path[:length], end)
        return end

    def _value(self, path: Path, start: int, key_start: int, key_end: int, depth: int) -> int:
        """Read one value and keep its place and those inside it; return the offset after it."""
        if depth > _MAX_DEPTH:
            raise _SurpriseError
        self._keep(path, start, start, key_start, key_end, start)  # so that a surprise inside still finds it here
        opening = self.text[start : start + 1]
        if opening in "[{" and self._wanted is not None and path not in self._wanted:
            return self._nested(start)
        if opening == "[":
            body_end, end = self._array(path, start + 1, depth)
        elif opening == "{":
            body_end, end = self._inline(path, start + 1, depth)
        else:
            body_end = end = self._scalar(start)
        self._grow(path, body_end, end)
        return end

    def _nested(self, start: int) -> int:
        """Walk over an array or inline table in which nothing is wanted; return the offset after it."""
        depth = 0
        for match in _NESTED.finditer(self.text, start):
            char = self.text[match.start()]
            if char in "[{":
                depth += 1
            elif char in "]}":
                depth -= 1
                if depth == 0:
                    return match.end()
        raise _SurpriseError

    def _scalar(self, start: int) -> int:
        pattern = _SCALAR
        if self.text.startswith('"""', start):
            pattern = _LONG_BASIC
        elif self.text.startswith("'''", start):
            pattern = _LONG_LITERAL
        elif self.text.startswith(('"', "'"), start):
            pattern = _KEY
        match = pattern.match(self.text, start)
        if match is None:
            raise _SurpriseError
        return match.end()

    def _array(self, path: Path, pos: int, depth: int) -> tuple[int, int]:
        """Read an array after its bracket; return the end of its last element and the offset after it."""
        body_end = pos
        index = 0
        pos = _skip(_GAP, self.text, pos)
        while not self.text.startswith("]", pos):
            body_end = self._value((*path, index), pos, pos, pos, depth + 1)
            index += 1
            pos = self._comma(body_end, "]")
        return body_end, pos + 1

    def _inline(self, path: Path, pos: int, depth: int) -> tuple[int, int]:
        """Read an inline table after its brace; return the end of its last value and the offset after it."""
        body_end = pos
        pos = _skip(_GAP, self.text, pos)
        while not self.text.startswith("}", pos):
            body_end = self._pair(path, pos, depth + 1)
            pos = self._comma(body_end, "}")
        return body_end, pos + 1

    def _comma(self, pos: int, closing: str) -> int:
        pos = _skip(_GAP, self.text, pos)
        if self.text.startswith(",", pos):
            return _skip(_GAP, self.text, pos + 1)
        if not self.text.startswith(closing, pos):
            raise _SurpriseError
        return pos


def _skip(pattern: re.Pattern[str], text: str, pos: int) -> int:
    match = pattern.match(text, pos)
    return match.end() if match else pos


def _key_name(raw: str) -> str:
    if raw[0] not in "\"'":
        return raw
    if "\\" not in raw or raw[0] == "'":
        return raw[1:-1]
    try:
        (name,) = tomllib.loads(f"{raw} = 0")
    except ValueError as e:
        raise _SurpriseError from e
    return str(name)


def places(text: str, wanted: Collection[Path] | None = None) -> dict[Path, TomlPlace]:
    """Find the place of every value of `text`, or only of the `wanted` paths and all above them (saves memory).

    `()` is the document itself and is always there. Raises nothing: what cannot be found is left out.
    """
    search = _Search(text, wanted)
    with suppress(_SurpriseError):
        search.run()
    return search.found


def nearest(found: Mapping[Path, TomlPlace], path: Path) -> TomlPlace:
    """Return the place of `path`, or of the closest table or array around it that has one.

    Raises KeyError only where `found` lacks the document's own place `()`, which `places` always gives.
    """
    for length in range(len(path), 0, -1):
        place = found.get(path[:length])
        if place is not None:
            return place
    return found[()]
