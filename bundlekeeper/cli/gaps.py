"""`bundlekeeper gaps`: everything that stands between a domain and a release, before anything is uploaded."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli import output
from bundlekeeper.cli.common import JsonOption, StoreOption, load_manifest, now, read_bounded, store_root
from bundlekeeper.cli.opening import manifest_in_force, open_book, open_store
from bundlekeeper.errors import InputError, worst_exit
from bundlekeeper.model.findings import Finding, exit_status

if TYPE_CHECKING:
    from bundlekeeper.model.inventory import Inventory
    from bundlekeeper.model.manifest import Manifest
    from bundlekeeper.planning.gap import GapReport
    from bundlekeeper.planning.supply import Holdings
    from bundlekeeper.store.layout import Store

_INVENTORY_LIMIT = 64 * 1024 * 1024

ToOption = Annotated[str, typer.Option("--to", metavar="RELEASE", help="The release to be reached.")]
ManifestOption = Annotated[
    str | None, typer.Option("--manifest", metavar="FILE", help="This manifest, not the one that the store accepted.")
]
InventoryOption = Annotated[
    str | None, typer.Option("--inventory", metavar="FILE", help="This inventory, not what the store's record says.")
]


def gaps(
    domain: Annotated[str | None, typer.Argument(metavar="[DOMAIN]", help="The domain; or --all.")] = None,
    to: ToOption = "",
    every: Annotated[bool, typer.Option("--all", help="Every domain of the inventory.")] = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    junit: Annotated[
        str | None, typer.Option("--junit", metavar="FILE", help="Also write JUnit XML to this file (- is stdout).")
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Everything between a domain and a release, worst first, each with its evidence and a hint.

    What could not be checked is named and counted: it is never taken for good.
    """
    from bundlekeeper.planning.gaps import Fleet, gaps_all, gaps_of

    if not to or (domain is None) != every:
        raise InputError("name a domain (or --all) and a release", hint="bundlekeeper gaps DOMAIN --to RELEASE")
    with ExitStack() as stack:
        rules, parts, held = inputs(store_root(store), stack, manifest, inventory)
    fleet = Fleet(rules, parts)
    moment = now()
    if domain is not None:
        reports: Iterable[GapReport] = [gaps_of(fleet, domain, to, held, moment)]
    else:
        reports = gaps_all(fleet, to, held, moment)
    return _tell(reports, to, junit=junit, json=json)


def inputs(
    root: Path, stack: ExitStack, manifest: str | None, inventory: str | None
) -> tuple[Manifest, Inventory, Holdings]:
    """Manifest, inventory and holdings: from files that are named, else from the store and its record.

    Raises InputError when one of them is not to be had.
    """
    store = open_store(root, stack, write=False) if (root / ".keeper").is_dir() else None
    if manifest is not None:
        rules = load_manifest(manifest).manifest
    else:
        found = manifest_in_force(store) if store is not None else None
        if found is None:
            raise InputError(
                "no manifest was accepted yet", hint="bundlekeeper take MANIFEST --from DIR, or --manifest"
            )
        rules = found
    if inventory is not None:
        parts = _from_file(inventory, rules)
    elif store is not None:
        parts = _believed(store, stack)
    else:
        raise InputError("there is no inventory", hint="bundlekeeper inventory load FILE, or --inventory")
    return rules, parts, holdings_of(store)


def _from_file(name: str, rules: Manifest) -> Inventory:
    from bundlekeeper.model.inventory_reading import Source, form_of, read_inventory

    data = read_bounded(name, _INVENTORY_LIMIT, "the inventory")
    return read_inventory([Source(name, data, form_of(name))], own_kinds=frozenset(rules.kind))


def _believed(store: Store, stack: ExitStack) -> Inventory:
    from bundlekeeper.ledger.inventories import believed

    found = believed(open_book(store, stack, write=False), clock=now())
    if found is None:
        raise InputError("no inventory was loaded yet", hint="bundlekeeper inventory load FILE, or --inventory")
    for key in found.unplaced[:20]:
        output.aside(f"note: {key} is recorded, but nothing says where it is: left out")
    return found.inventory


def holdings_of(store: Store | None) -> Holdings:
    """What the store holds, as planning asks for it; nothing where there is no store."""
    from bundlekeeper.planning.supply import HeldFile, Holdings
    from bundlekeeper.store.holding import holdings

    if store is None or not store.catalogue_path.exists():
        return Holdings()
    with store.catalogue(write=False) as catalogue:
        rows = [row for row in holdings(store, catalogue) if row.state != "missing"]
    files = [
        HeldFile(
            row.held.sha256,
            row.held.family,
            row.held.version,
            row.held.build,
            proven=row.proof is not None,
            proven_at=row.proof.proven_at if row.proof is not None else None,
        )
        for row in rows
    ]
    return Holdings(files)


def _tell(reports: Iterable[GapReport], release: str, *, junit: str | None, json: bool) -> int:
    statuses, found, rows = [], list[Finding](), list[dict[str, Any]]()
    for report in reports:
        statuses.append(exit_status(report.findings))
        found += report.findings
        if json:
            rows.append(_as_json(report))
        elif junit != "-":
            _print(report)
    if junit is not None:
        from bundlekeeper.cli.writing import write_new
        from bundlekeeper.reports.junit import render

        write_new(junit, render((), found, name=f"gaps to {release}", at=now()), force=True)
    if json:
        output.envelope("gaps", found, {"release": release, "domains": rows})
    return worst_exit(statuses)


def _as_json(report: GapReport) -> dict[str, Any]:
    checks = {name: {"made": made, "not_made": lacking} for name, (made, lacking) in report.checks.items()}
    return {
        "domain": report.domain,
        "ok": report.ok,
        "gaps": [gap.as_json() for gap in report.gaps],
        "checks": checks,
        "counts": {"gaps": len(report.gaps), "made": report.checks_made, "not_made": report.checks_not_made},
    }


def _print(report: GapReport) -> None:
    output.line(f"{report.domain} to {report.release}")
    for gap in report.gaps:
        output.findings_text([gap.finding])
        for source in gap.sources:
            output.line(f"  rule: {source}")
    output.line(
        f"{report.domain}: {len(report.gaps)} gaps; {report.checks_made} checks made, "
        f"{report.checks_not_made} could not be made"
    )


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("gaps")(gaps)
