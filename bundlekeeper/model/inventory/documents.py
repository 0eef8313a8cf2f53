"""An inventory's file before and after its bytes are parsed: tables of cells that still know their place."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bundlekeeper.frozen import dataclass

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
    """A row, or the name of a column, of a sheet that cannot be read: where, why, what to do, its cells, the code."""

    where: str
    message: str
    hint: str = ""
    cells: tuple[str, ...] = ()
    code: str = "inventory-syntax"


@dataclass(frozen=True, slots=True)
class Document:
    """One file, or one sheet, as tables of cells that are not judged yet.

    `columns` names what the columns of a sheet hold, whose rows omit empty cells; such a document needs no header.
    `unread` is what could not be read of it. Of a sheet: `rows`, how many were read, the `headings` of its columns, the
    ones that are `ignored`, and the texts that are `above` them; `called` gives the heading and the kind of a path's
    column, "" for none.
    """

    name: str
    header: Mapping[str, object]
    tables: Mapping[str, object]
    locate: Locate
    columns: tuple[str, ...] | None = None
    unread: tuple[UnreadRow, ...] = ()
    rows: int = 0
    headings: tuple[str, ...] = ()
    ignored: tuple[str, ...] = ()
    above: tuple[str, ...] = ()
    called: Callable[[Path], tuple[str, str]] = lambda _: ("", "")
