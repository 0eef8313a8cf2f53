"""`bundlekeeper gaps`: everything that stands between a domain and a release, before anything is uploaded."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli import output
from bundlekeeper.cli.common import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.route_inputs import InventoryOption, ManifestOption, ToOption, read_inputs
from bundlekeeper.cli.signed import SignatureOption, tell
from bundlekeeper.errors import InputError, worst_exit
from bundlekeeper.model.findings import exit_status

if TYPE_CHECKING:
    from bundlekeeper.cli.route_inputs import Inputs
    from bundlekeeper.planning.gap import GapReport


def gaps(
    domain: Annotated[str | None, typer.Argument(metavar="[DOMAIN]", help="The domain; or --all.")] = None,
    to: ToOption = "",
    every: Annotated[bool, typer.Option("--all", help="Every domain of the inventory.")] = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    junit: Annotated[
        str | None, typer.Option("--junit", metavar="FILE", help="Also write JUnit XML to this file (- is stdout).")
    ] = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Everything between a domain and a release, worst first, each with its evidence and a hint.

    What could not be checked is named and counted: it is never taken for good.
    """
    from bundlekeeper.planning.gaps import Fleet, gaps_all, gaps_of

    if not to or (domain is None) != every:
        raise InputError("name a domain (or --all) and a release", hint="bundlekeeper gaps DOMAIN --to RELEASE")
    given = read_inputs(store_root(store), manifest, inventory, signature)
    fleet, held = Fleet(given.manifest, given.inventory), given.holdings
    moment = now()
    if domain is not None:
        reports: Iterable[GapReport] = [gaps_of(fleet, domain, to, held, moment)]
    else:
        reports = gaps_all(fleet, to, held, moment)
    return _tell(given, reports, to, junit=junit, json=json)


def _tell(given: Inputs, reports: Iterable[GapReport], release: str, *, junit: str | None, json: bool) -> int:
    statuses, found, rows = [exit_status(given.findings)], list(given.findings), list[dict[str, Any]]()
    if not json and junit != "-":
        tell(given.signature)
        output.findings_text(given.findings)
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
        output.envelope("gaps", found, {"release": release, **given.about(), "domains": rows})
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
