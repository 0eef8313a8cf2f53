"""The handbook's reference (topic `json`) as values: each command's part with its options and JSON fields."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.kits.printed_json import FieldPath

HANDBOOK = Path(__file__).parents[2] / "bundlekeeper" / "handbook"
REFERENCE = (HANDBOOK / "json.md").read_text("utf-8")
REST = "…"  # all that is beneath
_CODE = re.compile(r"`([^`]+)`")
_OPTION = re.compile(r"(?<![\w-])--?[a-z][a-z0-9-]*")
_ROW = re.compile(r"(?m)^\| (?!---|option|JSON field)(.*) \|\n")
_WHOSE = re.compile(r"((?:`[a-z ]+`(?:, )?)+): ")


@dataclass(frozen=True)
class ReferenceRow:
    """One row of a table: its line, the commands of which it speaks, and what it documents."""

    line: str
    commands: frozenset[str]
    options: frozenset[str]
    fields: frozenset[FieldPath]
    message: str


@dataclass(frozen=True)
class ReferencePart:
    """What stands under one heading: the commands that it is about (none for the beginning), and its rows."""

    commands: tuple[str, ...]
    text: str
    rows: tuple[ReferenceRow, ...]

    def without(self, row: ReferenceRow) -> ReferencePart:
        """The part with one row less."""
        return ReferencePart(self.commands, self.text, tuple(other for other in self.rows if other is not row))

    def of(self, command: str) -> list[ReferenceRow]:
        """The rows that speak of a command."""
        return [row for row in self.rows if command in row.commands]


def topic_file(name: str) -> str:
    """A topic as its file has it, without its generated parts."""
    return (HANDBOOK / f"{name}.md").read_text("utf-8")


def rows_of(text: str) -> list[tuple[str, list[str]]]:
    """Every row of the tables in a text, but their heads: the line, and its cells."""
    return [(row[0], re.split(r" (?<!\\)\| ", row[1])) for row in _ROW.finditer(text)]


def spans(cell: str) -> list[str]:
    """What stands between backticks."""
    return _CODE.findall(cell)


def options_in(text: str) -> set[str]:
    """Every option that stands in the text's backticks, without its value."""
    return {option for span in spans(text) for option in _OPTION.findall(span.replace("\\|", "|"))}


def paths_of(span: str) -> Iterator[FieldPath]:
    """The paths that a field's text means: `{a,b}` stands for each."""
    pieces = re.split(r"\{([^{}]*)\}", span)
    choices = [piece.split(",") if number % 2 else [piece] for number, piece in enumerate(pieces)]
    for chosen in itertools.product(*choices):
        yield tuple(re.findall(r"\[\]|[^.\[\]]+", "".join(chosen)))


def reference(text: str = REFERENCE) -> list[ReferencePart]:
    """The reference, part by part; the first is its beginning, which is about all commands."""
    first, *others = re.split(r"(?m)^## ", text)
    parts = [_part((), first)]
    for other in others:
        title, _, body = other.partition("\n")
        parts.append(_part(tuple(title.split(", ")), body))
    return parts


def _part(commands: tuple[str, ...], text: str) -> ReferencePart:
    rows = []
    for line, (first, message) in rows_of(text):
        whose = _WHOSE.match(message)
        named = frozenset(spans(whose[1])) & frozenset(commands) if whose else frozenset()
        options = frozenset(
            option for span in spans(first) if span.startswith("-") for option in options_in(f"`{span}`")
        )
        fields = frozenset(path for span in spans(first) if not span.startswith("-") for path in paths_of(span))
        rows.append(ReferenceRow(line, named or frozenset(commands), options, fields, message))
    return ReferencePart(commands, text, tuple(rows))
