"""The bytes of one inventory file as tables of cells that still know their place.

Rules: the bytes are bounded before they are parsed; nothing here opens a file; a text that cannot be parsed is one
InputError with its line and column, but a row with too many cells is reported, and the other rows are read; what a
cell may have is not judged here. TOML 1.0; JSON by RFC 8259, strictly; CSV by RFC 4180 with comma, semicolon or tab,
any line ends, with or without a byte-order mark, and with `# key = value` lines before the column names for the
header.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

from bundlekeeper.errors import InputError
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.escape import without_quote
from bundlekeeper.model.inventory.documents import Document, InventorySource, Locate, Path, UnreadRow
from bundlekeeper.model.inventory.headings import Headings
from bundlekeeper.model.inventory.sheets import MOST_TITLES, rectangle

FORMS = ("toml", "json", "csv", "xlsx")


def form_of(name: str) -> str:
    """Find the form by a file's name. Raises InputError when its ending is none of FORMS."""
    ending = name.rpartition(".")[2].lower()
    if ending not in FORMS:
        raise InputError(
            f"{name}: the file's name does not end with one of {', '.join(FORMS)}", hint="rename it, or give --form"
        )
    return ending


def parse(source: InventorySource, headings: Headings) -> Document:
    """Parse one file, a sheet by its `headings`. Raises InputError with the place."""
    if len(source.data) > limits.INVENTORY_BYTES:
        raise InputError(
            f"it has {len(source.data)} bytes; an inventory has at most {limits.INVENTORY_BYTES}",
            hint="load it site by site",
            where=source.name,
        )
    if source.data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError("it is UTF-16, not UTF-8", hint='save it as "CSV UTF-8"', where=source.name)
    try:
        text = source.data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        line = e.object.count(b"\n", 0, e.start) + 1
        where = f"{source.name}:{line}:1"
        raise InputError(f"it is not UTF-8: byte {e.object[e.start]:#04x}", hint="save it as UTF-8", where=where) from e
    if source.form == "csv":
        return _csv(source.name, text, headings)
    return (_json if source.form == "json" else _toml)(source.name, text, headings.tables)


def _json(name: str, text: str, tables: Collection[str]) -> Document:
    whole = json_read.loads(text, name)
    if not isinstance(whole, dict):
        raise InputError("the document is not one object", where=name)
    return _document(name, whole, tables, lambda paths: [(f"{name}#{json_read.pointer(path)}", "") for path in paths])


_TOML_PLACE = re.compile(r" \(at (?:line ([0-9]+), column ([0-9]+)|end of document)\)$")


def _toml(name: str, text: str, tables: Collection[str]) -> Document:
    import tomllib  # JSON and CSV need not pay for it

    from bundlekeeper.formats import toml_fast

    try:
        whole = toml_fast.loads(text)
        if whole is None:
            whole = tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        place = _TOML_PLACE.search(str(e))
        where = f"{name}:{place[1]}:{place[2]}" if place and place[1] else name
        raise InputError(f"it is not TOML: {_TOML_PLACE.sub('', str(e))}", where=where) from e
    except (ValueError, RecursionError) as e:  # a number of thousands of digits, or far too deep nesting
        raise InputError(
            "it cannot be read as TOML: a number is too long or the nesting is too deep", where=name
        ) from e

    def locate(paths: Sequence[Path]) -> list[tuple[str, str]]:
        from bundlekeeper.formats import caret, toml_positions  # only where something is wrong

        lines = text.replace("\r\n", "\n").split("\n")
        found = toml_positions.places("\n".join(lines), paths)
        nearest = [toml_positions.nearest(found, path) for path in paths]
        return [(f"{name}:{p.line}:{p.column}", caret.excerpt(lines[p.line - 1], p.column)) for p in nearest]

    return _document(name, whole, tables, locate)


def _document(name: str, whole: dict[str, object], tables: Collection[str], locate: Locate) -> Document:
    header = {key: value for key, value in whole.items() if key not in tables}
    return Document(name, header, {key: value for key, value in whole.items() if key in tables}, locate)


_HEADER_LINE = re.compile(r"#\s*([A-Za-z_]+)\s*=\s*\"?([^\"]*?)\"?[,;\t]*\s*")


_QUOTED = re.compile(r'"[^"]*"')
_DELIMITERS = ",;\t"


def _delimiter(lines: Sequence[str], knows: Callable[[str], bool]) -> str:
    """What divides a line into most headings that are understood, else what is most often in the first with any."""
    start = lines[:MOST_TITLES]

    def understood(delimiter: str) -> int:
        return max(sum(knows(cell.strip(' "')) for cell in line.split(delimiter)) for line in start)

    bare = [_QUOTED.sub("", line) for line in start]
    first = next((line for line in bare if any(delimiter in line for delimiter in _DELIMITERS)), "")
    return max(_DELIMITERS, key=lambda delimiter: (understood(delimiter), first.count(delimiter)))


def csv_rows(
    name: str, lines: Sequence[str], knows: Callable[[str], bool], first: int = 0
) -> tuple[list[int], list[list[str]]]:
    """The number of each row's line in the file, and its cells, from the line `first` on; blank rows are left out.

    Commas, semicolons or tabs divide cells, by the headings that `knows` understands. Raises InputError.
    """
    reader = csv.reader(
        (line + "\n" for line in lines[first:]), delimiter=_delimiter(lines[first:], knows), strict=True
    )
    rows: list[list[str]] = []
    starts: list[int] = []
    try:
        start = first + 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append([without_quote(cell) for cell in cells])
                starts.append(start)
            start = first + 1 + reader.line_num
    except csv.Error as e:
        raise InputError(f"it is not CSV: {e}", where=f"{name}:{first + reader.line_num}:1") from e
    return starts, rows


def _csv(name: str, text: str, headings: Headings) -> Document:
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")  # not splitlines: it knows eight more
    first = 0
    header: dict[str, object] = {}
    twice: list[UnreadRow] = []
    while first < len(lines) and (not lines[first].strip(" ,;\t") or lines[first].startswith("#")):
        line = _HEADER_LINE.fullmatch(lines[first])
        if line and header.setdefault(line[1], line[2]) != line[2]:
            message = f"{line[1]} is {line[2]} here and {header[line[1]]} above"
            twice.append(UnreadRow(f"{name}:{first + 1}:1", message, "delete one of them"))
        first += 1
    no_columns = InputError("it has no row with the names of the columns", where=name, hint="add it as the first row")
    if first == len(lines):
        raise no_columns
    starts, rows = csv_rows(name, lines, headings.knows, first)
    if not rows:
        raise no_columns
    found = rectangle(name, header, rows, lambda row, column: f"{name}:{starts[row]}:{column + 1}", headings)
    return replace(found, unread=(*twice, *found.unread)) if twice else found
