"""`bundlekeeper route`: the ordered way from what runs today to a release, or why there is none."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli import output
from bundlekeeper.cli.common import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.gaps import InventoryOption, ManifestOption, ToOption, inputs
from bundlekeeper.errors import InputError
from bundlekeeper.model.findings import exit_status

if TYPE_CHECKING:
    from bundlekeeper.planning.route_types import NoRoute, Route, Step

CAUTION = "The hardware maker's release notes, local change control and the site's safety rules stand above this plan."


def route(
    domain: Annotated[str, typer.Argument(metavar="DOMAIN", help="The domain.")],
    to: ToOption = "",
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """The allowed way with the fewest windows, then server restarts, then minutes, then bytes.

    Every state between obeys every rule of the manifest; what was not known is told. It plans, and changes nothing.
    """
    from bundlekeeper.planning.fleet import Fleet
    from bundlekeeper.planning.route import route as find
    from bundlekeeper.planning.route_types import Route

    if not to:
        raise InputError("name a release", hint="bundlekeeper route DOMAIN --to RELEASE")
    with ExitStack() as stack:
        rules, parts, held = inputs(store_root(store), stack, manifest, inventory)
    found = find(Fleet(rules, parts), domain, to, held, now())
    if json:
        output.envelope("route", found.findings, {"domain": domain, "release": to, **_as_json(found)})
    elif isinstance(found, Route):
        _print(found)
    else:
        _print_none(found)
    return exit_status(found.findings)


def _as_json(found: Route | NoRoute) -> dict[str, Any]:
    from dataclasses import asdict

    rows = asdict(found)
    rows.pop("findings", None)
    return {"route": rows if hasattr(found, "steps") else None, "no_route": None if hasattr(found, "steps") else rows}


def _print(found: Route) -> None:
    windows, restarts, minutes, size = found.cost
    output.line(f"{found.domain} to {found.release}: {windows} windows, {restarts} server restarts")
    if not found.steps:
        output.line("it runs that release already")
    for step in found.steps:
        _print_step(step)
    output.findings_text(found.findings)
    output.line(f"{minutes} minutes one after the other, {size:,} bytes written")
    output.line(CAUTION)


def _print_step(step: Step) -> None:
    assumed = ", some of them assumed" if step.assumed else ""
    output.line(f"step {step.number}: {step.what} to {step.name} ({step.minutes} minutes{assumed})")
    for change in step.changes:
        output.line(f"  {change.name}: {change.family} {change.version} ({change.file})")
        for part in change.parts:
            output.line(f"    {len(part.keys)} {part.kind} {part.model}: {part.start or '?'} -> {part.end}")
    for quote in step.quotes:
        output.line(f"  rule: {quote.says}{f' ({quote.source})' if quote.source else ''}")


def _print_none(found: NoRoute) -> None:
    output.line(f"{found.domain} to {found.release}: no allowed way was found")
    output.findings_text(found.findings)
    if found.blocking:
        fewest = "the fewest that block it" if found.exact else "some that block it, maybe not the fewest"
        output.line(f"{len(found.blocking)} named above: {fewest}, even where no other rule is held")
    output.line(f"nearest release that can be reached: {found.nearest or 'none'}")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("route")(route)
