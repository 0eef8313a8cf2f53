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
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import LEDGER, Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.as_inventory import InventoryLoad
    from bundlekeeper.ledger.record.ledger import Ledger, Recorded
    from bundlekeeper.model.inventory.read import Document, InventorySource

_MANIFEST = re.compile(rb"^manifest(?: = |=)1", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class LoadOptions:
    """How files are read: their form where the name does not give it, and what they do not state themselves.

    `listing` is what they list: everything ("all"), some components ("some"), or as usual ("").
    """

    form: str | None = None
    read_at: str | None = None
    zone: str | None = None
    listing: str = ""
    reported_by: str | None = None


@dataclass(frozen=True, slots=True)
class InventoryLoaded:
    """What loading changed, or would change in a dry run; how many components, and what was recorded."""

    plan: InventoryLoad
    components: int
    recorded: Recorded | None
    dry_run: bool

    @property
    def new(self) -> int:
        """How many events are new."""
        return self.recorded.new if self.recorded else 0


def load(session: Session, files: Sequence[str], options: LoadOptions, *, dry_run: bool) -> InventoryLoaded:
    """Load the inventory that is in these files together (- is stdin); a dry run, in a session that only reads, finds
    out what would change and makes no store and no ledger.

    Raises InputError with everything that is wrong with the files; DamagedError, LockedError, RefusedError,
    UnfinishedError.
    """
    from bundlekeeper.formats.moments import parse
    from bundlekeeper.ledger.ask.as_inventory import load as record
    from bundlekeeper.ledger.ask.as_inventory import plan_load
    from bundlekeeper.model.inventory.read import read_inventory

    sources = [source for name in files for source in _sources(name, options.form, session.tell)]
    read_at = parse(options.read_at) if options.read_at else None
    with _opened(session, dry_run=dry_run) as (ledger, kinds):
        inventory = read_inventory(
            sources, read_at=read_at, zone=options.zone, usual_zone=session.config.zone, own_kinds=kinds,
            clock=session.now(),
        )  # fmt: skip
        reported_by, source = reporter(options.reported_by, session.config.reported_by), visible(", ".join(files))
        plan = plan_load(ledger, inventory, reported_by=reported_by, source=source, listing=options.listing)
        recorded = None if dry_run else record(ledger, plan, session.now())
    return InventoryLoaded(plan, len(inventory.components), recorded, dry_run)


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


def _sources(name: str, form: str | None, tell: Callable[[str], None]) -> list[InventorySource | Document]:
    from bundlekeeper.model.inventory.read import InventorySource, form_of

    if name == "-" and form is None:
        raise InputError("stdin needs --form", hint="--form toml, csv or json")
    data = read_bounded(name, limits.INVENTORY_BYTES, "the inventory")
    kind = form or form_of(name)
    if kind == "toml" and _MANIFEST.search(data):
        raise InputError("this is a manifest, not an inventory", where=name, hint="bundlekeeper inventory load --help")
    if kind == "xlsx":
        from bundlekeeper.links.spreadsheet.read import documents

        found, passed = documents(name, data)
        for sheet in passed:
            tell(f"note: {name}: sheet {sheet} was not read, it is no table of an inventory")
        return list(found)
    if kind not in ("toml", "csv", "json"):
        raise InputError(f"--form {kind}: not a form of inventory", hint="toml, csv or json")
    return [InventorySource(Path(name).name if name != "-" else "stdin", data, kind)]
