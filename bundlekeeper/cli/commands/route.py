"""`bundlekeeper route`: the ordered route to a release, or why there is none."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    DetailsOption,
    InventoryOption,
    JsonOption,
    ManifestOption,
    ParallelOption,
    PerClusterOption,
    ReasonOption,
    SignatureOption,
    StoreOption,
    ToOption,
    WindowOption,
    WindowsOption,
    WithoutOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status

OutOption = Annotated[
    str | None, typer.Option("--out", "-o", "--output", metavar="FILE", help="Write the route as JSON (- is stdout).")
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
    windows: WindowsOption = None,
    per_cluster: PerClusterOption = 1,
    without: WithoutOption = None,
    continues: Annotated[
        str, typer.Option("--continues", metavar="PLAN", help="The plan that this one goes on with; kept in its file.")
    ] = "",
    reason: ReasonOption = None,
    parallel: ParallelOption = None,
    out: OutOption = None,
    force: Annotated[bool, typer.Option("--force", "-f", help="Replace an older route's file.")] = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    details: DetailsOption = False,
    json: JsonOption = False,
) -> int:
    """Find the allowed route with the fewest windows, then server restarts, then minutes, then bytes.

    Every state between obeys every rule of the manifest; what was not known is reported. It plans, and changes nothing.
    --without leaves a server as it is, where the rules allow what it runs beside everything else at each step.
    Several domains share one timeline of rounds, or the real windows of their site; domains of one separate_windows are
    never in one round.
    """
    from bundlekeeper.cli.screen.answers import route as screen
    from bundlekeeper.jobs.planning import plan_file, routes
    from bundlekeeper.jobs.planning import route as job
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    options = job.options_of(window, per_cluster, parallel or ())
    left = job.without_of(without or (), reason or ())
    if json and out == "-":
        raise InputError("--json and --out - would put two documents on stdout", hint="--out FILE writes to a file")
    names, several = domains or [], every or bool(site)
    if (bool(names) + every + bool(site)) != 1 or not to:
        raise InputError(_NAME, hint="bundlekeeper route DOMAIN --to RELEASE")
    for option, value in (("a route's file", out), ("--continues", continues or None)):
        if value is not None and (several or len(names) > 1):
            raise InputError(f"{option} is about one domain", hint="name one, and repeat the command for each")
    if windows is not None and window is not None:
        raise InputError("the file of windows says how long they are", hint="leave out --window")
    files, session = InputFiles(manifest, inventory, signature), Session(store_root(store), caller())
    asked: dict[str, object] = {"to": to, "window": window, "per_cluster": None if per_cluster == 1 else per_cluster}
    asked |= {"without": without, "reason": reason, "windows": windows, "parallel": parallel, "continues": continues}
    asked |= {"manifest": manifest, "inventory": inventory, "signature": signature}
    if several or len(names) > 1:
        from bundlekeeper.cli.screen.answers import routes as together

        with session:
            many = routes.find_routes(session, names, site, to, options, files, left, windows)
        if json:
            together.show_json(many)
        else:
            chosen = [*names, *(["--all"] if every else []), *(["--site", site] if site else [])]
            together.show_text(many, chosen, asked, whole=details)
        return exit_status(many.findings)
    with session:
        before = plan_file.continued(session, names[0], continues)
        if before is not None:
            options, left = job.continued_options(session, before, options, left, is_dated=windows is not None)
        sha256 = before.sha256 if before is not None else ""
        found = job.find_route(session, names[0], to, options, files, left, windows, sha256)
    screen.show(found, asked, out=out, force=force, form=form_of(json=json), whole=details)
    return exit_status(found.findings)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("route")(route)
