"""`bundlekeeper route`: the ordered way to a release, or why there is none, and plans held against the rules."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.options import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.answers import route as route_text
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status
from bundlekeeper.jobs.manifest_signature import SignatureOption, tell
from bundlekeeper.jobs.planning import route as plan_route
from bundlekeeper.jobs.planning.inputs import InventoryOption, ManifestOption, ToOption, read_inputs

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.jobs.planning.route import Options
    from bundlekeeper.model.route.hand_plan import Plan

WindowOption = Annotated[
    str | None, typer.Option("--window", metavar="SPAN", help="No window longer than this: 4h, 4h30m, or minutes.")
]
PerClusterOption = Annotated[
    int, typer.Option("--per-cluster", min=1, metavar="N", help="Servers of one cluster at a time.")
]
OutOption = Annotated[
    str | None, typer.Option("--out", "-o", "--output", metavar="FILE", help="Write the route as JSON (- is stdout).")
]
CheckOption = Annotated[
    str | None,
    typer.Option("--check", metavar="FILE", help="Hold a route's file, or a plan made by hand, against the rules."),
]


_NAME = "name a domain (or several, or --all, or --site) and a release"


def route(
    domains: Annotated[
        list[str] | None, typer.Argument(metavar="[DOMAIN]...", help="The domain, or several; or --all.")
    ] = None,
    to: ToOption = "",
    every: Annotated[bool, typer.Option("--all", help="Every domain of the inventory.")] = False,
    site: Annotated[str, typer.Option("--site", metavar="NAME", help="Every domain at this site.")] = "",
    window: WindowOption = None,
    per_cluster: PerClusterOption = 1,
    out: OutOption = None,
    force: Annotated[bool, typer.Option("--force", "-f", help="Write over an older route's file.")] = False,
    check: CheckOption = None,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """The allowed way with the fewest windows, then server restarts, then minutes, then bytes.

    Every state between obeys every rule of the manifest; what was not known is told. It plans, and changes nothing.
    Several domains are put into one timeline of rounds: what one apart set names is never in one round.
    """
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.types import NoRoute

    options = plan_route.options_of(window, per_cluster)
    if json and out == "-":
        raise InputError("--json and --out - would put two documents on stdout", hint="--out FILE writes to a file")
    names, several = domains or [], every or bool(site)
    if check is None and ((bool(names) + every + bool(site)) != 1 or not to):
        raise InputError(_NAME, hint="bundlekeeper route DOMAIN --to RELEASE")
    if check is not None and out is not None:
        raise InputError("--check writes nothing", hint="leave --out away")
    if (check is not None or out is not None) and (several or len(names) > 1):
        raise InputError("a route's file is about one domain", hint="name one, and repeat the command for each")
    given = read_inputs(store_root(store), manifest, inventory, signature)
    if check is not None:
        return _check(given, check, names[0] if names else None, to, json=json)
    if several or len(names) > 1:
        return _several(given, names, site, to, options, json=json)
    domain, moment = names[0], now()
    found = plan_route.find(given, Fleet(given.manifest, given.inventory), domain, to, options, moment)
    document = plan_route.document(given, domain, to, found, options, moment) if json or out is not None else {}
    written = _write(out, document, force)
    findings = (*given.findings, *found.findings) if isinstance(found, NoRoute) else found.findings
    if json:
        output.write_json({**document, "written": written})
    elif out != "-":
        tell(given.signature)
        if isinstance(found, NoRoute):
            output.findings_text(given.findings)
            route_text.tell_none(found)
        else:
            route_text.tell_planned(found)
        if written is not None:
            output.line(f"written: {written['file']}")
            output.line(f"sha256: {written['sha256']}")
            output.aside("next: give that SHA-256 to stage and activate with --route, once the plan is approved")
    return exit_status(findings)


def _several(given: Inputs, names: list[str], site: str, to: str, options: Options, *, json: bool) -> int:
    """Plan several domains together and tell it."""
    from bundlekeeper.jobs.planning import routes
    from bundlekeeper.planning.fleet.domains import Fleet

    fleet, moment = Fleet(given.manifest, given.inventory), now()
    fleet.book.release(to)
    chosen = routes.named(fleet, names, site)
    found = routes.find(given, fleet, chosen, to, options, moment)
    if not names and not site:
        found = replace(found, shared=(*found.shared, *routes.left_out(fleet)))
    if json:
        routes.write_json(given, found, options, moment)
    else:
        tell(given.signature)
        routes.tell(found, options)
    return exit_status(found.findings)


def _write(out: str | None, document: dict[str, Any], force: bool) -> dict[str, str] | None:
    """Write the document where that was asked for; its file and SHA-256. Raises InputError, UnfinishedError."""
    from bundlekeeper.cli.screen.user_files import ROUTE, write_new
    from bundlekeeper.model.route.document import to_text

    if out is None:
        return None
    text = to_text(document)
    write_new(out, text, force=force, kind=ROUTE)
    return {"file": out, "sha256": hashlib.sha256(text.encode()).hexdigest()}


def _check(given: Inputs, file: str, domain: str | None, to: str, *, json: bool) -> int:
    """Hold a file against the rules: a document whose inputs changed is refused, any other plan is judged."""
    from bundlekeeper.model.route.document import RouteDocument
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.find import route as find

    read = plan_route.read_plan_file(file)
    plan = read.plan if isinstance(read, RouteDocument) else read
    insist_on(plan, domain, to, file)
    if isinstance(read, RouteDocument):
        plan_route.insist_unchanged(given, read, file)
    fleet = Fleet(given.manifest, given.inventory)
    held = plan_route.held(given, fleet, plan)
    better = find(fleet, plan.domain, plan.release, given.holdings, now())
    findings = (*given.findings, *held.findings)
    if json:
        data = {"domain": plan.domain, "release": plan.release, **given.about()}
        data |= {"file": file, "sha256": read.sha256 if isinstance(read, RouteDocument) else None}
        data |= {"route": plan_route.plain(held.route), "states": held.states, "rules": held.rules}
        output.envelope("route-check", findings, {**data, "compared": route_text.compared(held, better)})
    else:
        tell(given.signature)
        output.findings_text(given.findings)
        if isinstance(read, RouteDocument):
            route_text.put(f"{file}: made from what there is now (sha256 {read.sha256})")
        route_text.tell_held(held, better)
    return exit_status(findings)


def insist_on(plan: Plan, domain: str | None, to: str, file: str) -> None:
    """The domain and the release that were named, if any, are the plan's. Raises InputError."""
    for what, said, found in (("domain", domain or "", plan.domain), ("release", to, plan.release)):
        if said and said != found:
            raise InputError(f"the plan is for {what} {found}, not {said}", where=file)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("route")(route)
