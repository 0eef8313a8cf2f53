"""A sheet's rows of cells as a document: one row a component, or one row a server with a version of each kind.

Rules: rows with more cells than there are columns are `unread`, and where a column cannot be told from another no row
is read; empty rows, and lines of one cell above the headings, are passed over, the latter by name; of one row a
server each kind with a column is a component, with the server's serial as parent: an empty cell is a version that is
not known, `-` says that there is no such component.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.documents import Document, Path, UnreadRow
from bundlekeeper.model.inventory.headings import Headings, SheetColumn, joined, may_repeat
from bundlekeeper.model.inventory.types import NONE

MOST_TITLES = 20  # lines above the headings
_DELIMITER_HINT = "put a cell that has the delimiter inside in quotes"
_BLANK = (None, "")


def rectangle(
    name: str,
    header: Mapping[str, object],
    rows: Sequence[Sequence[object]],
    where: Callable[[int, int], str],
    headings: Headings,
) -> Document:
    """Make a document of rows of cells; `where` gives the place of a cell by row and column, both from 0.

    Raises nothing.
    """
    first = _first(rows, headings)
    titles = [str(cell).strip() if cell is not None else "" for cell in rows[first]]
    while titles and not titles[-1]:
        titles.pop()
    table, columns = headings.of(titles)
    unread = [UnreadRow(where(first, number), wrong, hint) for number, wrong, hint in _wrong(columns)]
    good: list[int] = []
    titles_are_wrong = bool(unread)
    for number, cells in enumerate(rows[first + 1 :], first + 1):
        if any(cell not in _BLANK for cell in cells[len(titles) :]):
            texts = tuple(str(cell).strip() for cell in cells)
            message = "the row has more cells than there are columns"
            unread.append(UnreadRow(where(number, len(titles)), message, _DELIMITER_HINT, texts))
        elif not titles_are_wrong and any(cell not in _BLANK for cell in cells):
            good.append(number)
    sheet = _Sheet(rows, columns, headings.map.values if headings.map is not None and table == "component" else {})
    if sheet.versions and (twice := sheet.twice(good, where)):
        unread += twice.values()
        good = [number for number in good if number not in twice]
    body, origin = sheet.by_server(good) if sheet.versions else (sheet.by_component(good), None)

    def cell(path: Path) -> tuple[int, int]:
        index = path[1] if len(path) > 1 and isinstance(path[1], int) else -1
        key = str(path[2]) if len(path) > 2 else ""
        if index < 0 or index >= len(body):
            return first, sheet.column(key)
        row, group = (good[index], None) if origin is None else origin[index]
        return row, sheet.column(key, group)

    def called(path: Path) -> tuple[str, str]:
        column = columns[cell(path)[1]] if columns else SheetColumn("")
        key = "parent" if path[-1] == "parent" and column.key == "serial" else column.key
        return (column.heading, column.kind) if key == path[-1] else ("", "")

    return Document(
        name,
        header,
        {table: body},
        lambda paths: [(where(*cell(path)), "") for path in paths],
        () if titles_are_wrong else sheet.keys(),
        tuple(unread),
        rows=len(good),
        ignored=tuple(column.heading for column in columns if column.ignored and column.heading),
        above=tuple(str(cell).strip() for row in rows[:first] for cell in row if cell not in _BLANK),
        headings=tuple(titles),
        called=called,
    )


def _first(rows: Sequence[Sequence[object]], headings: Headings) -> int:
    """Which row has the headings: the first in which most are understood, else the first that has several cells."""
    there = [[str(cell) for cell in cells if cell not in _BLANK] for cells in rows[:MOST_TITLES]]
    scores = [sum(map(headings.knows, cells)) for cells in there]
    if max(scores, default=0) > 1:
        return scores.index(max(scores))
    return next((number for number, cells in enumerate(there) if len(cells) > 1 or scores[number]), 0)


def _wrong(columns: Sequence[SheetColumn]) -> list[tuple[int, str, str]]:
    """Columns that have no name, or hold what another one holds: number, what is wrong, what to do."""
    found = []
    seen: dict[tuple[str, str, str], str] = {}
    for number, column in enumerate(columns):
        held = (column.key or column.heading, column.kind, column.position)
        if column.ignored:
            continue
        if not column.heading:
            found.append((number, "a column has no name", ""))
        elif held in seen and not may_repeat(column.key):
            both, hint = f"two columns are called {column.heading!r}", "give each a name of its own"
            if seen[held] != column.heading:
                both = (
                    f"the columns {seen[held]!r} and {column.heading!r} hold the same: {' '.join(filter(None, held))}"
                )
                hint = "bundlekeeper inventory columns drafts a map that states which one counts"
            found.append((number, both, hint))
        seen.setdefault(held, column.heading)
    return found


def _row_of(where: str) -> str:
    """The row of a place as a person counts it: of servers.csv:4:2, or of servers.xlsx!Sheet!B4."""
    return re.sub(r".*?([0-9]+)(:[0-9]+)?", r"\1", where)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The cells of a sheet and what its columns hold; `values` are what every row has."""

    rows: Sequence[Sequence[object]]
    columns: Sequence[SheetColumn]
    values: Mapping[str, str]

    @property
    def versions(self) -> bool:
        """True where one row is a server."""
        return any(column.kind for column in self.columns)

    def keys(self) -> tuple[str, ...]:
        """What its rows can have, headings that are not understood included."""
        found = [column.key or column.heading for column in self.columns if not column.ignored]
        return tuple(dict.fromkeys((*found, *self.values, *(["kind"] if self.versions else []))))

    def column(self, key: str, group: tuple[str, str] | None = None) -> int:
        """The number of the column that holds a key, of this kind and position if there is such; else 0."""
        if key == "parent" and group is not None:
            key = "serial"
        held = [n for n, column in enumerate(self.columns) if (column.key or column.heading) == key]
        if group is not None:
            of_kind = [n for n, column in enumerate(self.columns) if (column.kind, column.position) == group]
            held = [n for n in held if n in of_kind] or held or of_kind
        return held[0] if held else 0

    def by_component(self, good: Sequence[int]) -> list[dict[str, object]]:
        """Each row's cells by key; empty ones are left out."""
        keys = [column.key or ("" if column.ignored else column.heading) for column in self.columns]
        if self.values or any(may_repeat(key) for key in keys) or "name" in keys:
            return [self._shared(number) for number in good]
        return [
            {key: cell for key, cell in zip(keys, self.rows[number], strict=False) if cell != "" and key}
            for number in good
        ]

    def twice(self, good: Sequence[int], where: Callable[[int, int], str]) -> dict[int, UnreadRow]:
        """The rows whose server is in an earlier row, too, by their numbers."""
        column, first, found = self.column("serial"), dict[str, int](), dict[int, UnreadRow]()
        for number in good:
            serial = str(self._shared(number).get("serial") or "").strip()
            if serial in ("", "-") or first.setdefault(serial, number) == number:
                continue
            rows = " and ".join(_row_of(where(row, column)) for row in (first[serial], number))
            message, hint = f"serial {serial} is in rows {rows}", "delete one of them, or correct its serial"
            cells = (serial,)
            found[number] = UnreadRow(where(number, column), message, hint, cells, "inventory-twice")
        return found

    def by_server(self, good: Sequence[int]) -> tuple[list[dict[str, object]], list[tuple[int, tuple[str, str]]]]:
        """The components of each row's server, and for each the row and the kind and position that it comes from."""
        groups: dict[tuple[str, str], list[tuple[str, int]]] = {}
        for number, column in enumerate(self.columns):
            if column.kind:
                groups.setdefault((column.kind, column.position), []).append((column.key, number))
        body: list[dict[str, object]] = []
        origin: list[tuple[int, tuple[str, str]]] = []
        for number in good:
            shared = self._shared(number)
            serial = shared.pop("serial", None)
            if serial is not None:
                shared["parent"] = serial
            row = self.rows[number]
            for (kind, position), banks in groups.items():
                cells = {key: row[n] for key, n in banks if n < len(row) and row[n] not in _BLANK}
                if all(str(cell).strip() == "-" for cell in cells.values()) and cells:
                    continue  # there is no such component
                component = {**shared, **cells, "kind": kind}
                if position:
                    component["slot"] = f"{str(shared.get('slot', NONE)).strip().removeprefix('-')}/{position}"
                body.append(component)
                origin.append((number, (kind, position)))
        return body, origin

    def _shared(self, number: int) -> dict[str, object]:
        """A row's cells by key, without those of single kinds."""
        found: dict[str, list[object]] = {}
        for column, cell in zip(self.columns, self.rows[number], strict=False):
            if cell not in _BLANK and not column.kind and not column.ignored:
                found.setdefault(column.key or column.heading, []).append(cell)
        return {**self.values, **{key: joined(key, cells) for key, cells in found.items()}}
