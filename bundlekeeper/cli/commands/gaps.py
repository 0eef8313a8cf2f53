"""`bundlekeeper gaps`: everything that stands between a domain and a release, before anything is uploaded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.options import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError, worst_exit
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.manifest_signature import SignatureOption, tell
from bundlekeeper.jobs.planning.inputs import InventoryOption, ManifestOption, ToOption, read_inputs

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.planning.gaps.report import GapReport

_LONG = 20  # values; evidence with more of them is told once


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
    from bundlekeeper.planning.gaps.find import Fleet, gaps_all, gaps_of

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
    kept: list[GapReport] = []
    statuses = [exit_status(given.findings)]
    if not json and junit != "-":
        tell(given.signature)
        output.findings_text(given.findings)
    for report in reports:
        statuses.append(exit_status(report.findings))
        if json or junit is not None:
            kept.append(report)
        if not json and junit != "-":
            _print(report)
    if junit is not None:
        from bundlekeeper.cli.screen.user_files import TEST_REPORT, write_new
        from bundlekeeper.reports.junit import render

        found = [*given.findings, *(f for report in kept for f in report.findings)]
        write_new(junit, render((), found, name=f"gaps to {release}", at=now()), force=True, kind=TEST_REPORT)
    if json:
        _print_json(given, kept, release)
    return worst_exit(statuses)


def _print_json(given: Inputs, reports: list[GapReport], release: str) -> None:
    """Findings are told once, at the top; a domain's gaps refer to them by their place, long evidence to `shared`."""
    shared = _Shared()
    for report in reports:
        for gap in report.gaps:
            for value in gap.evidence.values():
                shared.note(value)
    findings = [*given.findings, *(f for report in reports for f in report.findings)]
    data = {"release": release, **given.about(), "shared": shared.rows}
    first = len(given.findings)
    rows = []
    for report in reports:
        rows.append((report, first))
        first += len(report.gaps)
    document = output.enveloped("gaps", findings, data)
    output.write_json_rows(document, "domains", (_as_json(report, at, shared) for report, at in rows))


class _Shared:
    """Long lists of evidence that many gaps share (a policy's servers): each is told once, under a name."""

    def __init__(self) -> None:
        self.rows: dict[str, Any] = {}
        self._names: dict[int, str] = {}  # by the object's identity: planning hands out one object for all
        self._kept: list[object] = []

    def note(self, value: object) -> None:
        """Give a long value a name."""
        if id(value) in self._names or not isinstance(value, (Mapping, list, tuple)) or _size(value) <= _LONG:
            return
        self._names[id(value)] = f"{len(self.rows) + 1}"
        self._kept.append(value)  # so that no other object gets its identity
        self.rows[self._names[id(value)]] = value

    def of(self, value: object) -> object:
        """The value as evidence carries it: itself, or the name of what is shared."""
        name = self._names.get(id(value))
        return value if name is None else {"shared": name}


def _size(value: object) -> int:
    if isinstance(value, Mapping):
        return sum(1 + _size(v) for v in value.values())
    return sum(1 + _size(v) for v in value) if isinstance(value, (list, tuple)) else 0


def _as_json(report: GapReport, first: int, shared: _Shared) -> dict[str, Any]:
    checks = {name: {"made": made, "not_made": lacking} for name, (made, lacking) in report.checks.items()}
    gaps = [
        {
            "finding": place,
            "code": gap.code,
            "evidence": {key: shared.of(value) for key, value in gap.evidence.items()},
            "sources": gap.sources,
        }
        for place, gap in enumerate(report.gaps, first)
    ]
    return {
        "domain": report.domain,
        "ok": report.ok,
        "gaps": gaps,
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
        f"{report.domain}: {counted(len(report.gaps), 'gap')}; {counted(report.checks_made, 'check')} made, "
        f"{report.checks_not_made} could not be made"
    )


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("gaps")(gaps)
