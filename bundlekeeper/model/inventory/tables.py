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
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from bundlekeeper.errors import InputError
from bundlekeeper.formats import json_read, limits
from bundlekeeper.formats.escape import without_quote

FORMS = ("toml", "json", "csv", "xlsx")

Path = tuple[str | int, ...]
#: Finds for each path, such as ("component", 3, "kind"), its place and, for text, the line with a caret under it.
Locate = Callable[[Sequence[Path]], list[tuple[str, str]]]


@dataclass(frozen=True, slots=True)
class InventorySource:
    """One file's bytes; `form` is "toml", "json" or "csv" (the reader of a workbook makes Documents itself)."""

    name: str
    data: bytes
    form: str


@dataclass(frozen=True, slots=True)
class UnreadRow:
    """A row, or the name of a column, of a sheet that cannot be read: where, why, what to do, and its cells."""

    where: str
    message: str
    hint: str = ""
    cells: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Document:
    """One file, or one sheet, as tables of cells that are not judged yet.

    `columns` names the columns of a sheet, whose rows omit empty cells; such a document needs no header. `unread` is
    what could not be read of it.
    """

    name: str
    header: Mapping[str, object]
    tables: Mapping[str, object]
    locate: Locate
    columns: tuple[str, ...] | None = None
    unread: tuple[UnreadRow, ...] = ()


def form_of(name: str) -> str:
    """Find the form by a file's name. Raises InputError when its ending is none of FORMS."""
    ending = name.rpartition(".")[2].lower()
    if ending not in FORMS:
        raise InputError(
            f"{name}: the file's name does not end with one of {', '.join(FORMS)}", hint="rename it, or give --form"
        )
    return ending


def parse(source: InventorySource, tables: Mapping[str, Collection[str]]) -> Document:
    """Parse one file; `tables` names the tables and their keys. Raises InputError with the place."""
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
        return _csv(source.name, text, tables)
    return (_json if source.form == "json" else _toml)(source.name, text, tables)


def table_of(keys: Sequence[str], tables: Mapping[str, Collection[str]]) -> str:
    """Which table a row of column names belongs to: the one that has most of them, the first among equals."""
    return max(tables, key=lambda table: sum(key in tables[table] for key in keys))


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


def _csv(name: str, text: str, tables: Mapping[str, Collection[str]]) -> Document:
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
    delimiter = max(",;\t", key=lines[first].count)
    reader = csv.reader((line + "\n" for line in lines[first:]), delimiter=delimiter, strict=True)
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
    if not rows:
        raise no_columns
    found = rectangle(name, header, rows, lambda row, column: f"{name}:{starts[row]}:{column + 1}", tables)
    return replace(found, unread=(*twice, *found.unread)) if twice else found


def rectangle(
    name: str,
    header: Mapping[str, object],
    rows: Sequence[Sequence[object]],
    where: Callable[[int, int], str],
    tables: Mapping[str, Collection[str]],
) -> Document:
    """Make a document of rows of cells, the first of them the names of the columns.

    `where` gives the place of a cell by row and column, both from 0. Rows with more cells than there are columns are
    `unread`; where a column has no name, or two have the same, no row is read. Raises nothing.
    """
    keys = [str(cell).strip() if cell is not None else "" for cell in rows[0]]
    while keys and not keys[-1]:
        keys.pop()
    unread = []
    for number, key in enumerate(keys):
        if not key or key in keys[:number]:
            unread.append(
                UnreadRow(where(0, number), f"two columns are called {key!r}" if key else "a column has no name")
            )
    good: list[int] = []
    hint = "put a cell that has the delimiter inside in quotes"
    titles_are_wrong = bool(unread)
    for number, cells in enumerate(rows[1:], 1):
        if any(cell not in (None, "") for cell in cells[len(keys) :]):
            message, texts = (
                "the row has more cells than there are columns",
                tuple(str(cell).strip() for cell in cells),
            )
            unread.append(UnreadRow(where(number, len(keys)), message, hint, texts))
        elif not titles_are_wrong:
            good.append(number)

    def locate(paths: Sequence[Path]) -> list[tuple[str, str]]:
        return [(where(*cell(path)), "") for path in paths]

    def cell(path: Path) -> tuple[int, int]:
        row = good[path[1]] if len(path) > 1 and isinstance(path[1], int) and path[1] >= 0 else 0
        return row, keys.index(str(path[2])) if len(path) > 2 and path[2] in keys else 0

    body = [{key: cell for key, cell in zip(keys, rows[number], strict=False) if cell != ""} for number in good]
    columns = () if titles_are_wrong else tuple(keys)
    return Document(name, header, {table_of(keys, tables): body}, locate, columns, tuple(unread))
