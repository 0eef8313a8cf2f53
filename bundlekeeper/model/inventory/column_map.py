"""A user's map of the columns of a sheet: read, and drafted from the headings.

A TOML file; a heading is found whatever its case, blanks and punctuation are::

    columns = 1                     # format
    ignored = ["Owner", "Warranty"]

    [keys]                          # heading = the key of a component that its cells hold
    "Host" = "name"
    "Asset no." = "tags"

    [versions]                      # heading = the kind whose version its cells hold: one row is one server
    "BIOS" = "bios"
    "NIC 1" = "network-adapter/1"   # at this position in the server
    "BMC staged" = "management-controller.staged"

    [values]                        # what no column states and all rows have
    site = "holm"

Rules: every problem at once, each at its line and column, an unknown key or kind with a did-you-mean; what a person
must fill in is the value REVIEW, which a reader refuses; a guess has REVIEW beside it. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Code, Finding, Level
from bundlekeeper.formats import limits, toml_positions, toml_read
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.text_file import SourceText
from bundlekeeper.formats.toml_edit import basic_string
from bundlekeeper.model.inventory.cells import REQUIRED, suggest, tables
from bundlekeeper.model.inventory.documents import Document
from bundlekeeper.model.inventory.headings import ColumnMap, Headings, SheetColumn, fold, holds_version, may_repeat
from bundlekeeper.model.vocabulary import ACTIVE, KINDS

FORMAT = 1
REVIEW = "REVIEW"
_MOST_SAMPLES = 3  # cells that a draft shows beside a heading
_STRING, _REVIEWED = re.compile(r'"(?:[^"\\]|\\.)*"'), re.compile(rf"#\s*{REVIEW}\b")
_VERSION = re.compile(r"[vV]?[0-9]+(?:\.[0-9]+)+(?:[-+._ ]?[0-9A-Za-z]+)*")
_NO_VERSION = re.compile(r"[0-9]{1,2}\.[0-9]{1,2}\.[0-9]{4}|(?:[0-9]{1,3}\.){3}[0-9]{1,3}")  # a date, an address
_TABLES = {
    "keys": "heading = the key of a component that its cells hold",
    "versions": "heading = the kind whose version its cells hold: one row is one server",
    "values": "the same for all rows, in no column",
}
#: What a column map may have, each with its meaning.
MAP_KEYS = {
    "columns": f"the format, {FORMAT}",
    "ignored": "headings that are not loaded",
    "[keys]": f'{_TABLES["keys"]}: `"Asset no." = "tags"`',
    "[versions]": f'{_TABLES["versions"]}: `"BIOS" = "KIND"`, `KIND/1` where it is at this position in the server, '
    "`KIND.staged` for another bank",
    "[values]": f'{_TABLES["values"]}: `site = "holm"`',
}

#: Codes of what reading a column map finds.
COLUMN_CODES: dict[str, Code] = {
    "columns-key": Code(Level.ERROR, "a key, kind or table that a column map does not have"),
    "columns-twice": Code(Level.ERROR, "two entries for one heading, or for what only one column can hold"),
    "columns-value": Code(Level.ERROR, "a value that its entry cannot have, or that is still to be filled in"),
}


def read_map(data: bytes, *, name: str, own_kinds: Collection[str] = ()) -> ColumnMap:
    """Read a column map; `name` is what problems call the file.

    Raises InputError whose `problems` are findings of COLUMN_CODES, all of them.
    """
    source, raw = toml_read.load(data, name=name, max_bytes=limits.COLUMN_MAP_BYTES)
    reading = _Reading(source, own_kinds)
    found = reading.document(name, raw)
    if reading.problems:
        count = len(reading.problems)
        message = f"the column map has {count} problem{'' if count == 1 else 's'}"
        raise InputError(message, hint="fix the lines that are named", where=name, problems=reading.located())
    return found


def _to_review(text: str) -> tuple[int, ...]:
    """The lines with a comment that begins with REVIEW."""
    lines = enumerate((_STRING.sub("", line) for line in text.split("\n")), 1)
    return tuple(number for number, line in lines if _REVIEWED.search(line))


class _Reading:
    """One map, and every problem found on the way."""

    def __init__(self, source: SourceText, own_kinds: Collection[str]) -> None:
        self.source = source
        self.kinds = (*KINDS, *own_kinds)
        self.keys = tables(own_kinds)["component"]
        self.problems: list[tuple[Finding, tuple[str | int, ...]]] = []
        self.headings: dict[str, str] = {}
        self.held: dict[tuple[str, ...], str] = {}

    def document(self, name: str, raw: Mapping[str, Any]) -> ColumnMap:
        """The whole map, as far as it has no problem."""
        known = ("columns", "ignored", *_TABLES)
        for key in raw:
            if key not in known:
                self._problem("columns-key", (key,), f"a column map has no {key!r}", suggest(key, known))
        if raw.get("columns") != FORMAT:
            self._problem("columns-value", ("columns",), f"it does not state its format: columns = {FORMAT}")
        ignored = raw.get("ignored", [])
        if not isinstance(ignored, list) or not all(isinstance(heading, str) for heading in ignored):
            self._problem("columns-value", ("ignored",), "ignored is not a list of headings")
            ignored = []
        keys = {self._heading("keys", h): self._key(h, v) for h, v in self._table(raw, "keys").items()}
        versions = {self._heading("versions", h): self._version(h, v) for h, v in self._table(raw, "versions").items()}
        values = {key: self._value(key, value) for key, value in self._table(raw, "values").items()}
        if versions and (both := {"kind", ACTIVE} & {*keys.values(), *values}):
            what = " and ".join(sorted(both))
            self._problem(
                "columns-twice", ("versions",), f"one row is one server by [versions], but it has {what}, too"
            )
        skipped = frozenset(self._heading("ignored", heading) for heading in ignored)
        return ColumnMap(name, keys, versions, skipped, values, self.headings, _to_review(self.source.text))

    def located(self) -> list[Finding]:
        """Every problem, at its line and column."""
        from dataclasses import replace

        places = toml_positions.places(self.source.text, [path for _, path in self.problems])
        found = []
        for problem, path in self.problems:
            place = toml_positions.nearest(places, path)
            found.append(replace(problem, where=self.source.where(place.line, place.column)))
        return found

    def _problem(self, code: str, path: tuple[str | int, ...], message: str, hint: str = "") -> None:
        self.problems.append((Finding(code, Level.ERROR, str(path[-1]), message, hint), path))

    def _table(self, raw: Mapping[str, Any], name: str) -> Mapping[str, Any]:
        table = raw.get(name, {})
        if not isinstance(table, Mapping):
            self._problem("columns-value", (name,), f"{name} is not a table", f"write [{name}]")
            return {}
        return table

    def _heading(self, table: str, heading: str) -> str:
        word = fold(heading)
        if word in self.headings:
            self._problem("columns-twice", (table, heading), f"the heading {heading!r} is in the map twice")
        self.headings.setdefault(word, heading)
        return word

    def _key(self, heading: str, value: object) -> str:
        if value == REVIEW or not isinstance(value, str) or value not in self.keys:
            hint = suggest(str(value), self.keys) or f"the keys are {', '.join(self.keys)}; or list it as ignored"
            self._problem("columns-key", ("keys", heading), f"{heading!r} is {value!r}, which is no key", hint)
            return ""
        if not may_repeat(value):
            self._hold(("keys", heading), (value,), heading)
        return value

    def _version(self, heading: str, value: object) -> tuple[str, str, str]:
        text = value if isinstance(value, str) else ""
        whole, _, bank = text.partition(".")
        kind, _, position = whole.partition("/")
        if kind not in self.kinds:
            hint = suggest(kind, self.kinds) or f"the kinds are {', '.join(self.kinds)}"
            self._problem("columns-key", ("versions", heading), f"{heading!r} is {value!r}, which is no kind", hint)
        elif bank and not holds_version(bank):
            hint = "after the dot: active, pending, staged or spare"
            self._problem("columns-value", ("versions", heading), f"{heading!r} is of the bank {bank!r}", hint)
        else:
            self._hold(("versions", heading), (kind, position, bank or ACTIVE), heading)
        return kind, position, bank or ACTIVE

    def _value(self, key: str, value: object) -> str:
        if key not in self.keys:
            self._problem("columns-key", ("values", key), f"a component has no key {key!r}", suggest(key, self.keys))
        elif not isinstance(value, str) or value.strip() in ("", REVIEW):
            self._problem("columns-value", ("values", key), f"{key} is still to be filled in", "or map a column to it")
        else:
            self._hold(("values", key), (key,), key)
        return str(value)

    def _hold(self, path: tuple[str, str], held: tuple[str, ...], heading: str) -> None:
        if held in self.held:
            what = " ".join(filter(None, held))
            hint = ""
            if path[0] == "versions":
                kind, position, _ = held
                place = f"{kind}/{position}" if position else kind
                hint = f"where it is not what runs: {place}.staged, .pending or .spare"
            self._problem("columns-twice", path, f"{heading!r} and {self.held[held]!r} both hold {what}", hint)
        self.held.setdefault(held, heading)


def draft(document: Document, samples: Sequence[Sequence[str]], headings: Headings) -> str:
    """A column map of a sheet's headings, to be reviewed; `samples` are cells of each column.

    Raises InputError for a text that is no Unicode.
    """
    _, columns = headings.of(document.headings)
    columns = [headings.understood(column.heading, guess=True) for column in columns]
    of_server = any(column.kind for column in columns)
    keys: list[str] = []
    versions: list[str] = []
    ignored: list[str] = []
    held: set[tuple[str, str, str]] = set()
    for column, cells in zip(columns, samples, strict=True):
        if not column.heading:
            continue
        wrong = bool(column.kind) != of_server and (column.kind or column.key in ("kind", ACTIVE))
        holds = (column.key, column.kind, column.position)
        if not column.key or wrong or (holds in held and not may_repeat(column.key)):
            is_doubtful = not column.key and (headings.may_be_version(column.heading) or _are_versions(cells))
            review = f"{REVIEW}: versions? Of which kind: under [versions]" if is_doubtful else ""
            if holds in held:
                review = f"{REVIEW}: or is this the {_stated(column)}?"
            ignored.append(f"    {basic_string(column.heading)},{_remark(column, cells, review)}")
            continue
        held.add(holds)
        line = f"{basic_string(column.heading)} = {basic_string(_stated(column))}"
        review = "" if column.sure else f"{REVIEW}: guessed"
        (versions if column.kind else keys).append(line + _remark(column, cells, review))
    needed = [key for key in REQUIRED["component"] if (key, "", "") not in held and not (of_server and key == "kind")]
    lines = [
        f"columns = {FORMAT}",
        f"# Of {visible(document.name)}. Review each line with {REVIEW} beside it; what is ignored is not loaded.",
        *(["ignored = [", *ignored, "]"] if ignored else ["ignored = []"]),
    ]
    if not {("serial", "", ""), ("parent", "", "")} & held:
        keys.append(f'# "…" = "serial"  # {REVIEW}: which column is it? Without a serial a component has no identity')
    if ignored:
        unheld = [key for key in ("model", "slot") if (key, "", "") not in held]
        keys += [f'# "…" = "{key}"  # {REVIEW}: is it one of those that are ignored?' for key in unheld]
    values = [f"{key} = {basic_string(REVIEW)}" for key in needed]
    for (table, meaning), rows in zip(_TABLES.items(), (keys, versions, values), strict=True):
        if rows:
            lines += ["", f"[{table}]  # {meaning}", *rows]
    return "\n".join(lines) + "\n"


def _are_versions(cells: Sequence[str]) -> bool:
    """True where every cell that is filled in looks like a version, and not like a date or an address."""
    filled = [cell for cell in cells if cell]
    return bool(filled) and all(_VERSION.fullmatch(cell) and not _NO_VERSION.fullmatch(cell) for cell in filled)


def _stated(column: SheetColumn) -> str:
    if not column.kind:
        return column.key
    place = column.kind + (f"/{column.position}" if column.position else "")
    return place if column.key == ACTIVE else f"{place}.{column.key}"


def _remark(column: SheetColumn, cells: Sequence[str], review: str) -> str:
    """What stands beside a line: that it is a guess, and cells of the column."""
    shown = ", ".join(visible(cell)[:20] for cell in dict.fromkeys(cells) if cell)
    remark = "; ".join(filter(None, (review, f"such as {shown}" if shown else "")))
    return f"  # {remark}" if remark else ""


def samples_of(rows: Sequence[Mapping[str, object]], columns: Sequence[str]) -> list[list[str]]:
    """The first few different cells of each column."""
    found: list[list[str]] = []
    for column in columns:
        cells = dict.fromkeys(str(row[column]).strip() for row in rows if row.get(column) not in (None, ""))
        found.append([*cells][:_MOST_SAMPLES])
    return found
