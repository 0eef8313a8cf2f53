"""From inventory files to one inventory, or to every problem that they have.

Rules: all problems at once, each with its file and place; nothing half-read comes out; several files (a table of
components, one of partitions, …) make one inventory; two rows about the same thing are a problem, never a choice.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from operator import attrgetter
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats import moments
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory import cells as fields
from bundlekeeper.model.inventory.checks import InventoryRow, Place, together
from bundlekeeper.model.inventory.documents import Document, InventorySource, Path, UnreadRow
from bundlekeeper.model.inventory.headings import ColumnMap, Headings, fold
from bundlekeeper.model.inventory.tables import form_of, parse
from bundlekeeper.model.inventory.types import (
    ANSWER_COLUMNS,
    DOMAIN_WHOLE,
    FORMAT,
    SITE_WHOLE,
    Component,
    Inventory,
    Partition,
    Policy,
    SeparateWindows,
    coverable,
    identity,
)

__all__ = ["Document", "InventorySource", "form_of", "headings_of", "read_files", "read_inventory"]

_MAX_PROBLEMS = 1000  # of one load; the number of the others is reported
_MAKE: dict[str, Any] = {
    "component": Component,
    "partition": Partition,
    "policy": Policy,
    "separate_windows": SeparateWindows,
}


@dataclass(frozen=True, slots=True)
class FilesRead:
    """One inventory from one or several files, and of sheets among them: how many rows were read, which headings are
    ignored, and which texts above the headings were not read."""

    inventory: Inventory
    rows: int
    ignored: tuple[str, ...]
    above: tuple[str, ...]


def headings_of(own_kinds: Collection[str] = (), column_map: ColumnMap | None = None) -> Headings:
    """What understands the headings of sheets. Raises nothing."""
    return Headings(fields.tables(own_kinds), own_kinds, column_map)


def read_inventory(sources: Sequence[InventorySource | Document], **how: Any) -> Inventory:  # noqa: ANN401
    """Read one inventory from one or several files: as `read_files`, which see for `how` and what is raised."""
    return read_files(sources, **how).inventory


def read_files(
    sources: Sequence[InventorySource | Document],
    *,
    read_at: date | datetime | None = None,
    zone: str | None = None,
    usual_zone: str = "",
    complete: Sequence[str] = (),
    own_kinds: Collection[str] = (),
    column_map: ColumnMap | None = None,
    clock: datetime | None = None,
    kept: bool = False,
) -> FilesRead:
    """Read one inventory from one or several files.

    `read_at` and `zone` count where no file states them, and must not contradict one that does; `usual_zone` counts
    where neither states a zone; `complete` adds to what the files state that they list whole, as `site:X` and
    `domain:X`; `own_kinds` are those of a manifest's [kind.X], `column_map` is for sheets that are parsed here; with
    `clock`, the time now, aware, an inventory of more than a day after it is a problem.
    `kept` is for an inventory that was loaded once: the rules about slots and times do not apply to it. Raises
    InputError whose `problems` are findings of INVENTORY_CODES: all of them, or the first 1000 and the number of all
    in `message`.
    """
    reading = _Reading(own_kinds, clock, kept, column_map)
    for source in sources:
        reading.add(source)
    found = reading.finish(read_at, zone, usual_zone, complete)
    if found is not None:
        sheets = [document for document in reading.documents if document.columns is not None]
        ignored, above = ([text for s in sheets for text in texts(s)] for texts in (_IGNORED, _ABOVE))
        return FilesRead(found, sum(s.rows for s in sheets), tuple(ignored), tuple(above))
    names = ", ".join(dict.fromkeys(s.name for s in sources)) or "the inventory"
    problems = reading.problems()
    count = reading.count - len(reading.noted) + len(problems)
    message = f"{names}: {count} problem{'' if count == 1 else 's'}, nothing was loaded"
    if count > _MAX_PROBLEMS:
        message += f"; the first {_MAX_PROBLEMS} are shown"
    raise InputError(message, hint="fix what is named and load it again", where=names, problems=problems)


_IGNORED, _ABOVE = attrgetter("ignored"), attrgetter("above")
_NOTED = ("component", "separate_windows")  # their notes are kept
_HEADER = ("inventory", "read_at", "zone", "complete", "note")
_MAP_HINT = "bundlekeeper inventory columns SHEET -o map.toml drafts a map of what each heading means"
_MEANING = {"read_at": "when the inventory was read", "zone": "in which time zone its days are"}


def _called(document: Document, path: Path) -> str:
    """What a person calls the cell: by its heading, with the key where that is another word."""
    key = str(path[-1])
    heading, kind = document.called(path)
    if not heading or fold(heading) == fold(key):
        return key
    return f"{heading!r} ({key}{' of ' + kind if kind else ''})"


class _Reading:
    """One load: the rows read so far, and every problem found on the way."""

    def __init__(
        self, own_kinds: Collection[str], clock: datetime | None, kept: bool, column_map: ColumnMap | None
    ) -> None:
        self.clock = clock
        self.kept = kept
        self.own_kinds = frozenset(own_kinds)
        self.keys = fields.tables(self.own_kinds)
        self.headings = Headings(self.keys, self.own_kinds, column_map)
        self.documents: list[Document] = []
        self.rows: dict[str, list[InventoryRow]] = {table: [] for table in self.keys}
        self.noted: list[tuple[Finding, Place, Place]] = []
        self.count = 0
        self.unparsed = False  # whether a file, and so its header, could not be read at all
        self.unread: set[str] = set()  # identities in rows that could not be read; "" may be any

    def problem(self, code: str, place: Place, subject: str, message: str, hint: str = "", other: Place = None) -> None:
        """Note one problem; `other` is a second place, which is added at the end of `message`."""
        self.count += 1
        if self.count <= _MAX_PROBLEMS:
            self.noted.append((Finding(code, Level.ERROR, subject, message, hint), place, other))

    def problems(self) -> list[Finding]:
        """Every problem noted, with its place. Places are looked up once for each file, because that is slow."""
        asked: dict[int, tuple[Document, dict[Path, tuple[str, str]]]] = {}
        for _, *places in self.noted:
            for document, path in filter(None, places):
                asked.setdefault(id(document), (document, {}))[1][path] = ("", "")
        for document, paths in asked.values():
            paths.update(zip(paths, document.locate(list(paths)), strict=True))
        found = []
        for problem, place, other in self.noted:
            where, excerpt = asked[id(place[0])][1][place[1]] if place else (problem.where, "")
            message = f"{problem.message} {asked[id(other[0])][1][other[1]][0]}" if other else problem.message
            found.append(replace(problem, message=message, where=where, excerpt=excerpt))
        return list(dict.fromkeys(found))  # a wrong cell of a server is wrong for each of its components

    def add(self, source: InventorySource | Document) -> None:
        """Read one file's rows."""
        if isinstance(source, InventorySource):
            try:
                source = parse(source, self.headings)
            except InputError as e:
                self.count += 1
                where = e.where or source.name
                found = Finding("inventory-syntax", Level.ERROR, source.name, e.message, e.hint, where)
                self.noted.append((found, None, None))
                self.unread.add("")
                self.unparsed = True
                return
        self.documents.append(source)
        for row in source.unread:
            self._unread(source.name, row)
        for table, content in source.tables.items():
            self._columns(source, table)
            if not isinstance(content, list):
                message, hint = f"{table} is not a list of tables", f"write [[{table}]]"
                self.problem("inventory-value", (source, (table,)), table, message, hint)
                continue
            required = fields.REQUIRED[table]
            required = tuple(key for key in required if key in source.columns) if source.columns else required
            for index, cells in enumerate(content):
                self._row((source, (table, index)), table, cells, required)

    def _unread(self, name: str, row: UnreadRow) -> None:
        self.count += 1
        self.unread.update({cell for cell in row.cells if cell} or {""})
        if self.count <= _MAX_PROBLEMS:
            found = Finding(row.code, Level.ERROR, name, row.message, row.hint, row.where)
            self.noted.append((found, None, None))

    def _columns(self, document: Document, table: str) -> None:
        """A column that is unknown, and one that is missing, is one problem, not one for each row."""
        if not document.columns:
            return
        keys = self.keys[table]
        for column in document.columns:
            if column not in keys and column not in ANSWER_COLUMNS:
                near = fields.suggest(column, keys)
                hint = f"{near} {_MAP_HINT}" if near else _MAP_HINT
                if self.headings.map is not None:
                    hint = f"state in {self.headings.map.name} what it holds, or list it there as ignored"
                message = f"no key of {table} has the heading {column!r}"
                self.problem("inventory-key", (document, (table, -1, column)), column, message, hint)
        for key in fields.REQUIRED[table]:
            if key not in document.columns:
                message = f"no column is called {key}"
                hint = f"add it to the first row, or state it for all rows in a column map; {_MAP_HINT}"
                self.problem("inventory-missing", (document, (table, -1, key)), key, message, hint)

    def _unknown_key(self, place: tuple[Document, Path], table: str, key: str) -> None:
        hint = fields.suggest(key, self.keys[table]) or f"the keys are {', '.join(self.keys[table])}"
        self.problem("inventory-key", place, key, f"{table} has no key {key!r}", hint)

    def _row(self, place: tuple[Document, Path], table: str, cells: object, required: Sequence[str]) -> None:
        """Read one row; `required` are the keys that it must have, without those whose whole column is missing."""
        document, path = place
        if not isinstance(cells, Mapping):
            self.problem("inventory-value", place, table, f"an entry of {table} is not a table")
            return
        keys, before, wrong = self.keys[table], self.count, set()
        values: dict[str, Any] = {}
        for key, cell in cells.items():
            convert = keys.get(key)
            if convert is None:
                if document.columns is None:
                    self._unknown_key((document, (*path, key)), table, key)
                continue
            try:
                value = convert(cell)
            except fields.BadCellError as e:
                wrong.add(key)
                where = (document, (*path, key))
                self.problem("inventory-value", where, key, f"{_called(*where)} {e.message}", e.hint)
                continue
            if value is not None:
                values[key] = value
        if table not in _NOTED:
            values.pop("note", None)
        for key in required:
            if key not in wrong and not values.get(key) and (key != "domain" or key not in values):
                hint = 'write "-" for a component that belongs to no domain' if key == "domain" else ""
                where = (document, (*path, key))
                self.problem("inventory-missing", where, key, f"{_called(*where)} is empty", hint)
        if before == self.count and len(required) == len(fields.REQUIRED[table]):
            self.rows[table].append(InventoryRow(place, _MAKE[table](**values)))
        elif table == "component":
            known: dict[str, Any] = {"kind": "", "site": "", "domain": ""}
            known |= {key: values[key] for key in ("kind", "slot", "parent", "serial") if key in values}
            component = Component(**known)
            self.unread.add(identity(component) if component.serial or (component.parent and component.kind) else "")

    def finish(
        self, read_at: date | datetime | None, zone: str | None, usual_zone: str, complete: Sequence[str]
    ) -> Inventory | None:
        """Check the rows with each other. None where there was any problem."""
        headers = [self._header(document) for document in self.documents]
        if usual_zone and zone is None and not any(header[2] for header in headers):
            zone = usual_zone
        found_zone = self._agreed("zone", [(h[0], h[2]) for h in headers], zone)
        found_read_at = self._agreed("read_at", [(h[0], h[1]) for h in headers], read_at)
        if isinstance(found_read_at, date) and isinstance(found_zone, str) and not self.kept:
            self._moment(found_read_at, found_zone)
        if not self.rows["component"] and not self.count:
            self.problem("inventory-missing", None, "component", "no component is listed")
        self._unused_headings()
        covered = self._complete([(h[0], h[3]) for h in headers], complete)
        together(self.rows, self.problem, self.unread, kept=self.kept, own_kinds=self.own_kinds)
        if self.count or not isinstance(found_read_at, date) or not isinstance(found_zone, str):
            return None
        made = {table: tuple(row.made for row in rows) for table, rows in self.rows.items()}
        return Inventory(
            found_read_at,
            found_zone,
            made["component"],
            made["partition"],
            made["policy"],
            made["separate_windows"],
            self.own_kinds,
            covered,
        )

    def _unused_headings(self) -> None:
        """A heading that the column map names and no sheet has is a problem: the sheet is not the one of the map."""
        column_map = self.headings.map
        if column_map is None or self.unparsed:
            return
        there = {fold(heading) for document in self.documents for heading in document.headings}
        for word, heading in column_map.headings.items():
            if word not in there and word not in column_map.ignored:
                message = f"the column map names the column {heading!r}, which no sheet has"
                self.problem("inventory-missing", None, heading, message, f"change {column_map.name}; {_MAP_HINT}")

    def _complete(self, stated: list[tuple[Document, tuple[str, ...]]], given: Sequence[str]) -> tuple[str, ...]:
        """What is listed whole; a site or domain that no row is of is a problem, unless rows could not be read."""
        known = coverable((row.made.site, row.made.domain) for row in self.rows["component"])
        places: list[tuple[Place, str]] = [(None, covered) for covered in given]
        places += [((document, ("complete",)), covered) for document, names in stated for covered in names]
        for place, covered in places:
            if covered in known or (self.unread and covered.startswith((SITE_WHOLE, DOMAIN_WHOLE))):
                continue
            message = f"complete names {covered!r}, " + (
                "but no component of it is listed"
                if covered.startswith((SITE_WHOLE, DOMAIN_WHOLE))
                else "neither site:NAME nor domain:NAME"
            )
            hint = fields.suggest(covered, known) or f"it can name {', '.join(sorted(known)[:6])}"
            self.problem("inventory-value", place, "complete", message, hint)
        return tuple(sorted({covered for _, covered in places}))

    def _header(self, document: Document) -> tuple[Document, date | datetime | None, str | None, tuple[str, ...]]:
        """The document's own header, with its format checked."""
        header = document.header
        for key in header:
            if key not in _HEADER:
                hint = fields.suggest(key, [*_HEADER, *self.keys])
                self.problem("inventory-key", (document, (key,)), key, f"an inventory has no {key!r}", hint)
        if "inventory" not in header and document.columns is None:
            message, hint = "the file does not state that it is an inventory", f"write inventory = {FORMAT} at the top"
            self.problem("inventory-missing", (document, ()), "inventory", message, hint)
        elif str(header.get("inventory", FORMAT)) != str(FORMAT):
            message = f"inventory has format {header['inventory']!r}; this program reads format {FORMAT}"
            self.problem("inventory-value", (document, ("inventory",)), "inventory", message)
        stated: dict[str, Any] = {}
        for key, convert in (("read_at", fields.when), ("zone", fields.text), ("complete", fields.texts)):
            try:
                stated[key] = convert(header.get(key)) or None
            except fields.BadCellError as e:
                self.problem("inventory-value", (document, (key,)), key, f"{key} {e.message}", e.hint)
        return document, stated.get("read_at"), stated.get("zone"), stated.get("complete") or ()

    def _agreed(self, key: str, stated: list[tuple[Document, Any]], given: object) -> object:
        """The value that all files which state it agree on, else the one given by an option."""
        values = [(document, value) for document, value in stated if value is not None]
        for document, value in values:
            if value != values[0][1]:
                message = f"{key} is {value} here and {values[0][1]} in {values[0][0].name}"
                self.problem("inventory-twice", (document, (key,)), key, message, "load them one after the other")
        if values and given is not None and given != values[0][1]:
            document, value = values[0]
            option = f"--{key.replace('_', '-')}"
            message = f"{key} is {value} here and {given} by {option}"
            self.problem("inventory-twice", (document, (key,)), key, message, f"omit {option}, or fix the file")
        if not values and given is None and not self.unparsed:
            wrong = any(p.subject == key for p, _, _ in self.noted)
            if not wrong:
                place = (self.documents[0], (key,)) if self.documents else None
                option = f"--{key.replace('_', '-')}"
                of_sheet = place is not None and place[0].columns is not None
                hint = f"give {option}" if of_sheet else f"write {key} = … into the file, or give {option}"
                self.problem("inventory-missing", place, key, f"nothing states {_MEANING[key]}", hint)
        return values[0][1] if values else given

    def _moment(self, read_at: date | datetime, zone: str) -> None:
        key = "zone"
        try:
            moments.zone_of(zone)
            key = "read_at"
            found = moments.moment(read_at, zone)
            if self.clock is not None:
                moments.not_ahead(found, self.clock)
        except InputError as e:
            stating = next((document for document in self.documents if key in document.header), None)
            self.problem("inventory-value", (stating, (key,)) if stating else None, key, e.message, e.hint)
