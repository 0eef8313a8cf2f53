"""Loading an inventory into the ledger: all of it or nothing, and what changed since the last one."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.recording.manifest_doubts import of_components
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import LEDGER, Session
from bundlekeeper.jobs.shared.otherwise import otherwise

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.as_inventory import InventoryLoad
    from bundlekeeper.ledger.record.ledger import Ledger, Recorded
    from bundlekeeper.model.inventory.changes import Changed
    from bundlekeeper.model.inventory.documents import Document, InventorySource
    from bundlekeeper.model.inventory.headings import ColumnMap, Headings
    from bundlekeeper.model.inventory.read import FilesRead
    from bundlekeeper.model.inventory.types import Inventory

_MANIFEST = re.compile(rb"^manifest(?: = |=)1", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class LoadOptions:
    """How files are read: their form where the name does not give it, and what they do not state themselves.

    `complete` is what they list whole, as `site:X` and `domain:X`; `columns` the file of a column map for sheets.
    """

    form: str | None = None
    read_at: str | None = None
    zone: str | None = None
    complete: Sequence[str] = ()
    columns: str | None = None
    reported_by: str | None = None


@dataclass(frozen=True, slots=True)
class InventoryLoaded:
    """What loading changed, or would change in a dry run; the files' names, what was read, what was recorded, and what
    was found about versions, models, names and the column map. `seen_later` components were read later already.
    """

    plan: InventoryLoad
    files: str
    read: FilesRead
    recorded: Recorded | None
    dry_run: bool
    findings: list[Finding]
    seen_later: int = 0

    @property
    def new(self) -> int:
        """How many events are new."""
        return self.recorded.new if self.recorded else 0


def load(
    session: Session,
    files: Sequence[str],
    options: LoadOptions,
    *,
    dry_run: bool,
    agree: Callable[[Sequence[Changed]], None],
) -> InventoryLoaded:
    """Load the inventory that is in these files together (- is stdin); a dry run, in a session that only reads, finds
    out what would change and makes no store and no ledger. `agree` is asked about what would be gone, and raises where
    it may not be recorded.

    Raises InputError with everything that is wrong with the files; DamagedError, LockedError, RefusedError,
    UnfinishedError; what `agree` raises.
    """
    from bundlekeeper.formats.moments import parse
    from bundlekeeper.ledger.ask.as_inventory import load as record
    from bundlekeeper.ledger.ask.as_inventory import plan_load, seen_after
    from bundlekeeper.model.inventory.read import headings_of, read_files

    raw = [raw_file(name, options.form) for name in files]
    read_at = parse(options.read_at) if options.read_at else None
    with _opened(session, dry_run=dry_run) as (ledger, kinds):
        column_map = _column_map(options.columns, kinds)
        headings = headings_of(kinds, column_map)
        read = read_files(
            [source for file in raw for source in sources_of(file, headings, session.tell)],
            read_at=read_at, zone=options.zone, usual_zone=session.config.zone, complete=options.complete,
            own_kinds=kinds, column_map=column_map, clock=session.now(),
        )  # fmt: skip
        reported_by = reporter(options.reported_by, session.config.reported_by)
        source = visible(", ".join(files))
        findings = of_components(session, read.inventory.components) if session.write or session.is_there else []
        plan = plan_load(ledger, read.inventory, reported_by=reported_by, source=source)
        findings += [*_to_review(column_map), *_alike(ledger, plan, read, source)]
        later = len(seen_after(ledger, plan))
        if plan.gone and not dry_run:
            agree(plan.gone)
        recorded = None if dry_run else record(ledger, plan, session.now())
    findings += otherwise(recorded)
    findings += _near_models(session, read.inventory)
    return InventoryLoaded(plan, ", ".join(file.name for file in raw), read, recorded, dry_run, findings, later)


def _near_models(session: Session, inventory: Inventory) -> list[Finding]:
    from bundlekeeper.model.inventory.near_models import near_models

    manifest = session.manifest if session.is_there else None
    listed: dict[str, set[str]] = {}
    for bundle in manifest.bundle if manifest is not None else ():
        for image in bundle.images:
            listed.setdefault(image.kind, set()).update(image.models)
    return near_models(inventory.components, listed)


def _to_review(column_map: ColumnMap | None) -> Iterator[Finding]:
    if column_map is not None and column_map.review:
        message = f"REVIEW is still beside line {', '.join(map(str, column_map.review))}"
        yield finding("not-checked", column_map.name, message, "review what is guessed, and delete the word")


def _alike(ledger: Ledger, plan: InventoryLoad, read: FilesRead, source: str) -> list[Finding]:
    """Which names are like others of this inventory; of one that brings anything new, also like what is there now."""
    from bundlekeeper.model.inventory.alike import alike, names
    from bundlekeeper.model.inventory.changes import InventoryChange
    from bundlekeeper.model.inventory.types import Place

    known: set[tuple[str, str, str]] = set()
    if any(change.what in (InventoryChange.ADDED, InventoryChange.REPLACED) for change in plan.changes):
        select = "SELECT DISTINCT component, parent, site, domain, chassis, slot FROM state WHERE present = 1"
        with ledger.reading():
            rows = ledger.connection.execute(select).fetchall()
            ledger.words.fetch({number for row in rows for number in row if number is not None})
            for row in rows:
                component, parent, site, *rest = (None if n is None else ledger.words.text(n) for n in row)
                known.update(names(Place(site or "", *rest), (None if parent else component, parent)))
    return [finding("not-checked", source, message) for message in alike(read.inventory.components, sorted(known))]


@contextmanager
def _opened(session: Session, *, dry_run: bool) -> Iterator[tuple[Ledger, frozenset[str]]]:
    """The ledger, and the manifest's own kinds; a dry run without a ledger gets an empty one, which is deleted."""
    from bundlekeeper.ledger.record.ledger import Ledger

    if not dry_run:
        ledger = session.ledger
        yield ledger, frozenset(session.own_kinds)
        return
    kinds = frozenset(session.own_kinds) if session.is_there else frozenset[str]()
    if session.is_there and session.ledger_is_there:
        yield session.ledger, kinds
        return
    with (
        tempfile.TemporaryDirectory(prefix="bundlekeeper-") as folder,
        Ledger.open(Path(folder) / LEDGER, write=True) as ledger,
    ):
        yield ledger, kinds


@dataclass(frozen=True, slots=True)
class InventoryFile:
    """One file's bytes; `name` is that of the file without its folders."""

    name: str
    data: bytes
    form: str


def raw_file(name: str, form: str | None) -> InventoryFile:
    """Read one file's bytes (- is stdin). Raises InputError, UnfinishedError."""
    from bundlekeeper.model.inventory.read import form_of

    if name == "-" and form is None:
        raise InputError("stdin needs --form", hint="--form toml, csv or json")
    data = read_bounded(name, limits.INVENTORY_BYTES, "the inventory")
    kind = form or form_of(name)
    if kind == "toml" and _MANIFEST.search(data):
        raise InputError("this is a manifest, not an inventory", where=name, hint="bundlekeeper inventory load --help")
    if kind not in ("toml", "csv", "json", "xlsx"):
        raise InputError(f"--form {kind}: not a form of inventory", hint="toml, csv, json or xlsx")
    return InventoryFile(Path(name).name if name != "-" else "stdin", data, kind)


def _column_map(file: str | None, kinds: frozenset[str]) -> ColumnMap | None:
    if file is None:
        return None
    from bundlekeeper.model.inventory.column_map import read_map

    return read_map(read_bounded(file, limits.COLUMN_MAP_BYTES, "the column map"), name=file, own_kinds=kinds)


def sources_of(
    file: InventoryFile, headings: Headings, tell: Callable[[str], None]
) -> Sequence[InventorySource | Document]:
    """What the reader of inventories is given: the file, or each table of a workbook. Raises InputError."""
    from bundlekeeper.model.inventory.read import InventorySource

    if file.form != "xlsx":
        return [InventorySource(file.name, file.data, file.form)]
    from bundlekeeper.links.spreadsheet.read import documents

    found, passed = documents(file.name, file.data, headings)
    for sheet in passed:
        tell(f"note: {file.name}: sheet {sheet} was not read, it is no table of an inventory")
    return found
