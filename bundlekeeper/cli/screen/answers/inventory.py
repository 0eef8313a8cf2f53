"""What loading an inventory changed, and what was read from services, as text and as JSON; the inventory's file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.jobs.recording.inventory_load import InventoryLoaded
    from bundlekeeper.jobs.recording.inventory_read import InventoryRead


def show_loaded(loaded: InventoryLoaded, *, form: OutputForm) -> None:
    """Each change, and what stays as it was because it is not listed."""
    if form is OutputForm.JSON:
        output.envelope("inventory-load", [], _loaded_as_json(loaded))
    else:
        _print_loaded(loaded)


def _loaded_as_json(loaded: InventoryLoaded) -> dict[str, Any]:
    plan = loaded.plan
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
    counts = {"components": loaded.components, "changes": len(changes), "new_events": loaded.new}
    return {
        "reading": plan.reading,
        "again": plan.again,
        "overtaken_by": plan.overtaken or None,
        "dry_run": loaded.dry_run,
        "changes": changes,
        "unlisted": unlisted,
        "counts": counts,
        "batch": loaded.recorded.batch or None if loaded.recorded else None,
    }


def _print_loaded(loaded: InventoryLoaded) -> None:
    plan = loaded.plan
    for change in plan.changes:
        output.line(f"{change.what.value}: {change.message()}")
    for (site, domain, kind), number in plan.unlisted.items():
        output.line(
            f"not listed: {number} {kind} in {site}/{domain or '-'} stay as they were (with --complete they are gone)"
        )
    done = "would be recorded" if loaded.dry_run else "recorded"
    done = "was recorded before; nothing is new" if plan.again or not (loaded.new or loaded.dry_run) else done
    output.line(f"{counted(loaded.components, 'component')}, {counted(len(plan.changes), 'change')}; {done}")
    if plan.overtaken:
        message = f"another reading of the same moment was loaded later and counts instead: {plan.overtaken[:12]}"
        output.line(f"{message}; if it is wrong: bundlekeeper ledger undo {plan.overtaken[:12]} --reason TEXT")
    if loaded.recorded:
        output.recorded_as(loaded.recorded.batch_name)
    output.aside("next: bundlekeeper where")


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
