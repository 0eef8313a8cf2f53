"""What loading an inventory changed, and what was read from services, as text and as JSON; the inventory's file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import counted
from bundlekeeper.model.inventory.changes import Changed, InventoryChange
from bundlekeeper.model.inventory.types import is_of_server

if TYPE_CHECKING:
    from bundlekeeper.jobs.recording.inventory_load import InventoryLoaded
    from bundlekeeper.jobs.recording.inventory_read import InventoryRead
    from bundlekeeper.ledger.ask.as_inventory import InventoryReading


def ask_gone(gone: Sequence[Changed]) -> None:
    """Ask on the terminal whether these components are gone. Raises RefusedError without a yes, or a terminal."""
    from bundlekeeper.cli.screen.answers.recording import insist_on_yes  # only where something is gone

    messages = [change.message() for change in gone]
    count = counted(len(gone), "component")
    hint = "if that is right: --gone; else omit what it covers whole (--complete, or complete = in the file)"
    insist_on_yes(f"{count} would be gone", "Record that?", messages, hint)


def show_loaded(loaded: InventoryLoaded, *, form: OutputForm, details: bool) -> None:
    """How much was read and what changed; with `details` each change, and what is not mentioned and kept."""
    if form is OutputForm.JSON:
        output.envelope("inventory-load", loaded.findings, _loaded_as_json(loaded))
    else:
        _print_loaded(loaded, details=details)


def _loaded_as_json(loaded: InventoryLoaded) -> dict[str, Any]:
    plan, read = loaded.plan, loaded.read
    changes = [
        {
            "change": changed.what.value,
            "component": changed.component.key,
            "kind": changed.component.kind,
            "place": changed.component.place.path(),
            "message": changed.message(),
        }
        for changed in plan.changes
    ]
    unlisted = [{"site": s, "domain": d, "kind": k, "count": n} for (s, d, k), n in plan.unlisted.items()]
    counts = {
        "rows": read.rows,
        "components": len(read.inventory.components),
        "changes": len(changes),
        "new_events": loaded.new,
        "seen_later": loaded.seen_later,
    }
    return {
        "reading": plan.reading,
        "again": plan.again,
        "overtaken_by": plan.overtaken or None,
        "dry_run": loaded.dry_run,
        "complete": read.inventory.complete,
        "ignored": read.ignored,
        "changes": changes,
        "unlisted": unlisted,
        "counts": counts | _listed(loaded),
        "batch": loaded.recorded.batch or None if loaded.recorded else None,
    }


_NAMES = (("added", "new"), ("moved", "moved"), ("replaced", "replaced"))  # the first that fits a component counts


def _listed(loaded: InventoryLoaded) -> dict[str, int]:
    """How many of the components that are listed are new, …, the same; how many are gone, and not mentioned."""
    whats: dict[str, set[str]] = {component.key: set() for component in loaded.read.inventory.components}
    for change in loaded.plan.changes:
        whats.get(change.component.key, set()).add(change.what.value)
    counts = dict.fromkeys(("new", "replaced", "moved", "changed", "same"), 0)
    for what in whats.values():
        counts[next((name for key, name in _NAMES if key in what), "changed" if what else "same")] += 1
    return counts | {"gone": len(loaded.plan.gone), "not_mentioned": sum(loaded.plan.unlisted.values())}


def _print_loaded(loaded: InventoryLoaded, *, details: bool) -> None:
    plan, read = loaded.plan, loaded.read
    rows = f"{counted(read.rows, 'row')}, " if read.rows else ""
    ignored = f"; {counted(len(read.ignored), 'column')} ignored: {', '.join(read.ignored)}" if read.ignored else ""
    output.line(f"{loaded.files}: {rows}{counted(len(read.inventory.components), 'component')}{ignored}")
    for text in read.above:
        output.line(f"  above the headings, not read: {text}")
    if not plan.again:
        output.line(f"  {_counted(loaded)}")
    if loaded.seen_later:
        read_later = counted(loaded.seen_later, "component was", "components were")
        output.line(f"  {read_later} read later already: nothing of those changes today")
    for line in dict.fromkeys(map(_change_line, plan.changes)) if not details else ():
        if line:
            output.line(line)
    for change in plan.changes if details else ():
        output.line(f"  {change.what.value}: {change.message()}")
    for (site, domain, kind), number in plan.unlisted.items() if details else ():
        output.line(f"  not mentioned: {number} {kind} in {site}/{domain or '-'}, kept as they were")
    if plan.overtaken:
        message = f"another reading of the same moment was loaded later and counts instead: {plan.overtaken[:12]}"
        undo = f"bundlekeeper ledger undo {plan.overtaken[:12]} --reason TEXT"
        output.line(output.of_store(f"{message}; if it is wrong: {undo}"))
    if plan.again or not (loaded.new or loaded.dry_run):
        output.line("was recorded before; nothing is new")
    elif loaded.dry_run:
        output.line("would be recorded; nothing was")
    output.findings_text(loaded.findings)
    if loaded.recorded:
        output.recorded_as(loaded.recorded.batch_name)
    output.aside("next: bundlekeeper where")


def _counted(loaded: InventoryLoaded) -> str:
    counts = _listed(loaded)
    words = [f"{name} {counts[name]}" for name in ("new", "replaced", "moved", "changed", "same")]
    words += [f"gone {counts['gone']}"] if counts["gone"] else []
    words += [f"not mentioned {counts['not_mentioned']} (kept)"] if counts["not_mentioned"] else []
    return " · ".join(words)


def _change_line(change: Changed) -> str:
    """A change that takes something away or elsewhere, in one line for all that is in one server; else nothing."""
    before, component = change.before, change.component
    if before is None or change.what not in (InventoryChange.REPLACED, InventoryChange.GONE, InventoryChange.MOVED):
        return ""
    old, new = before.key, change.by or component.key
    where, there = before.place.path(), component.place.path()
    if is_of_server(before.kind) and before.parent and (change.by or component.parent != before.parent):
        old, new = before.parent, change.by or component.parent or component.key
        where = where.rpartition("/")[0] if "/" in (before.slot or "") else where
    if change.what is InventoryChange.REPLACED:
        return f"  replaced: {where}  {old} -> {new}"
    return (
        f"  gone: {where}  {before.key}"
        if change.what is InventoryChange.GONE
        else f"  moved: {before.key}  {where} -> {there}"
    )


def show_readings(readings: Sequence[InventoryReading], *, form: OutputForm) -> None:
    """Each reading: when, by whom, from what, how much, what it lists whole, and whether it was undone."""
    if form is OutputForm.JSON:
        rows = [
            {
                "reading": reading.id,
                "read_at": reading.at.text(),
                "zone": reading.at.zone,
                "reported_by": reading.reported_by,
                "from": reading.source,
                "components": reading.components,
                "domains": sorted({f"{site}/{domain or '-'}" for site, domain, _ in reading.scope}),
                "complete": reading.complete,
                "undone": reading.undone,
            }
            for reading in readings
        ]
        output.envelope("inventory-list", [], {"readings": rows})
        return
    from bundlekeeper.cli.screen.tables import Column, write

    columns: list[Column[InventoryReading]] = [
        Column("reading", lambda reading: reading.id[:12]),
        Column("read at", lambda reading: reading.at.text()),
        Column("reported by", lambda reading: reading.reported_by, below=True),
        Column("from", lambda reading: reading.source),
        Column("components", lambda reading: str(reading.components), right=True),
        Column("whole", lambda reading: ", ".join(reading.complete) or "-", below=True),
        Column("state", lambda reading: "undone" if reading.undone else "counts"),
    ]
    write(columns, readings)
    output.aside(counted(len(readings), "reading"))


class ReadingSink:
    """Writes the inventory that was read, and the report."""

    def __init__(self, out: str, force: bool, form: OutputForm) -> None:
        """Raises InputError where the file's name gives no form, or the file exists already."""
        self.out = out
        self.force = force
        self.json = form is OutputForm.JSON
        if out != "-" and not out.endswith((".toml", ".json")):
            hint = "name a file that ends with .toml or .json"
            raise InputError("the name of the inventory's file gives no form", where=out, hint=hint)
        if out != "-" and not force and Path(out).exists():  # before the services are read, not after
            raise InputError("the file exists already", where=out, hint="name another, or --force")

    def show(self, found: InventoryRead) -> None:
        """Write the inventory, unless nothing was read or stdout is needed for the JSON report; then the report.

        Raises as `write_new`.
        """
        from bundlekeeper.cli.screen.user_files import INVENTORY, write_new

        if found.inventory.components and not (self.out == "-" and self.json):
            text = found.document("json" if self.out.endswith(".json") else "toml")
            write_new(self.out, text, force=self.force, kind=INVENTORY)
        if self.json:
            output.envelope("inventory-read", found.findings, _read_as_json(found, self.out))
        else:
            _print_read(found, self.out)


def _read_as_json(found: InventoryRead, out: str) -> dict[str, Any]:
    import json

    services: list[dict[str, Any]] = [
        {
            "service": reading.service,
            "complete": reading.complete,
            "counts": dict(reading.counts),
            "unread": reading.unread,
            "unmapped": [
                {name: getattr(unmapped, name) for name in unmapped.__slots__} for unmapped in reading.unmapped
            ],
            "evidence": [
                {
                    "component": evidence.component,
                    "resource": evidence.resource,
                    "items": evidence.items,
                    "additional": dict(evidence.additional),
                }
                for evidence in reading.evidence
            ],
        }
        for reading in found.readings
    ]
    services += [{"service": service, "complete": False, "error": error.message} for service, error in found.failed]
    written = json.loads(found.document("json"))
    return {"inventory": written, "file": "" if out == "-" else out, "services": services, "counts": found.counts}


def _print_read(found: InventoryRead, out: str) -> None:
    """The report: on stdout beside a file, else on stderr."""
    counts, readings = found.counts, found.readings
    components, failed = len(found.inventory.components), len(found.failed)
    cut = sum(not reading.complete for reading in readings)
    summary = (
        f"{counted(components, 'component')} of {len(readings)} services; firmware items: "
        f"{counts.get('mapped', 0)} mapped, {counts.get('unmapped', 0)} unmapped, {counts.get('skipped', 0)} skipped"
    )
    summary += f"; {failed} services not read" if failed else ""
    summary += f"; {cut} read in part" if cut else ""
    if out == "-":
        output.findings_aside(found.findings)
        output.aside(summary)
        return
    output.findings_text(found.findings)
    output.line(summary)
    output.aside(f"next: bundlekeeper inventory load {out}" if components else "nothing was written")
