"""`bundlekeeper inventory`: what components exist and run, from files or read from a management service."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.commands.inventory_read import read
from bundlekeeper.cli.options import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.user_files import MANIFEST
from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import counted, visible
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.open import LEDGER, is_there, open_book, open_store, own_kinds, store_is_there
from bundlekeeper.jobs.recording.who import says_who

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.as_inventory import InventoryLoad
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.model.inventory.read import Document, InventorySource

app = typer.Typer(
    help="What components exist and run: load it from files, read it from a service.", rich_markup_mode=None
)

_LIMIT = 64 * 1024 * 1024  # bytes; model.inventory.MAX_BYTES

SaysOption = Annotated[
    str | None, typer.Option("--says", metavar="WHO", help="On whose word (default: your user name).")
]


FormOption = Annotated[
    str | None, typer.Option("--form", metavar="FORM", help="toml, csv or json, where the name does not say (-).")
]
TakenOption = Annotated[
    str | None, typer.Option("--taken", metavar="TIME", help="When it was taken, where no file says it.")
]
ZoneOption = Annotated[str | None, typer.Option("--zone", metavar="ZONE", help="Its zone, where no file says it.")]
CompleteOption = Annotated[
    bool, typer.Option("--complete", help="It lists everything in its domains: what it lacks is gone.")
]
PartialOption = Annotated[bool, typer.Option("--partial", help="It lists some parts: nothing is gone because of it.")]


@app.command()
def load(
    files: Annotated[list[str], typer.Argument(metavar="FILE...", help="TOML, CSV, JSON (XLSX with the extra).")],
    form: FormOption = None,
    taken: TakenOption = None,
    zone: ZoneOption = None,
    complete: CompleteOption = False,
    partial: PartialOption = False,
    says: SaysOption = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would change; record nothing.")] = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Load an inventory, all of it or nothing, and say what changed since the last one."""
    from bundlekeeper.formats.moments import parse
    from bundlekeeper.ledger.ask.as_inventory import load as record
    from bundlekeeper.ledger.ask.as_inventory import plan_load
    from bundlekeeper.model.inventory.read import read_inventory

    if complete and partial:
        raise InputError("--complete and --partial at once", hint="one of them, or neither")
    listing = "all" if complete else "some" if partial else ""
    sources = [each for name in files for each in _sources(name, form)]
    day = parse(taken) if taken else None
    with ExitStack() as stack:
        book, kinds = _opened(store_root(store), stack, dry_run=dry_run)
        inventory = read_inventory(sources, taken=day, zone=zone, own_kinds=kinds, clock=now())
        plan = plan_load(book, inventory, says=says_who(says), source=visible(", ".join(files)), listing=listing)
        recorded = None if dry_run else record(book, plan, now())
    new = recorded.new if recorded else 0
    if json:
        output.envelope("inventory-load", [], _as_json(plan, len(inventory.components), new, dry_run))
    else:
        _print(plan, len(inventory.components), new, dry_run)
    return 0


def _opened(root: Path, stack: ExitStack, *, dry_run: bool) -> tuple[Ledger, frozenset[str]]:
    """The ledger and the manifest's own kinds; a dry run makes no store and no ledger."""
    from bundlekeeper.ledger.record.ledger import Ledger

    if not dry_run:
        store = open_store(root, stack, write=True)
        return open_book(store, stack, write=True), frozenset(own_kinds(store))
    kinds: frozenset[str] = frozenset()
    if store_is_there(root):
        store = open_store(root, stack, write=False)
        kinds = frozenset(own_kinds(store))
        if is_there(root / ".keeper" / LEDGER):
            return open_book(store, stack, write=False), kinds
    import tempfile

    folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="bundlekeeper-"))
    return stack.enter_context(Ledger.open(Path(folder) / LEDGER, write=True)), kinds


def _sources(name: str, form: str | None) -> list[InventorySource | Document]:
    from bundlekeeper.model.inventory.read import InventorySource, form_of

    if name == "-" and form is None:
        raise InputError("--form is needed for stdin", hint="--form toml, csv or json")
    data = read_bounded(name, _LIMIT, "the inventory")
    kind = form or form_of(name)
    if kind == "toml" and any(data.startswith(s) or b"\n" + s in data for s in MANIFEST.signs):
        raise InputError(
            "this is a manifest, an inventory is due", where=name, hint="bundlekeeper inventory load --help"
        )
    if kind == "xlsx":
        from bundlekeeper.links.spreadsheet.read import documents

        found, passed = documents(name, data)
        for sheet in passed:
            output.aside(f"note: {name}: sheet {sheet} is no table of an inventory; not read")
        return list(found)
    if kind not in ("toml", "csv", "json"):
        raise InputError(f"--form {kind}: not a form of inventory", hint="toml, csv or json")
    return [InventorySource(Path(name).name if name != "-" else "stdin", data, kind)]


def _as_json(plan: InventoryLoad, components: int, new: int, dry_run: bool) -> dict[str, Any]:
    changes = [
        {
            "change": c.what.value,
            "component": c.part.key,
            "kind": c.part.kind,
            "place": c.part.place.path(),
            "says": c.says(),
        }
        for c in plan.changes
    ]
    unlisted = [{"site": s, "domain": d, "kind": k, "count": n} for (s, d, k), n in plan.unlisted.items()]
    counts = {"components": components, "changes": len(changes), "new_events": new}
    return {
        "reading": plan.reading,
        "again": plan.again,
        "overtaken_by": plan.overtaken or None,
        "dry_run": dry_run,
        "changes": changes,
        "unlisted": unlisted,
        "counts": counts,
    }


def _print(plan: InventoryLoad, components: int, new: int, dry_run: bool) -> None:
    for change in plan.changes:
        output.line(f"{change.what.value}: {change.says()}")
    for (site, domain, kind), number in plan.unlisted.items():
        output.line(
            f"not spoken of: {number} {kind} in {site}/{domain or '-'} stay as they were (--complete means gone)"
        )
    known = "would be recorded" if dry_run else "recorded"
    known = "was recorded before; nothing is new" if plan.again or not (new or dry_run) else known
    output.line(f"{counted(components, 'component')}, {counted(len(plan.changes), 'change')}; {known}")
    if plan.overtaken:
        says = f"a reading of the same moment was loaded after this one and counts: {plan.overtaken[:12]}"
        output.line(f"{says}; if it is wrong: bundlekeeper correct {plan.overtaken[:12]} --why TEXT")
    output.aside("next: bundlekeeper where")


app.command("read")(read)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="inventory")
