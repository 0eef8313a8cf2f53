"""What stands between domains and a release, as text, JSON and JUnit XML, domain by domain."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import manifest_signature, output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.errors import worst_exit
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.gaps import FoundGaps
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.planning.gaps.report import GapReport

_LONG = 20  # values; evidence with more of them is reported once


def show(found: FoundGaps, *, junit: str | None, form: OutputForm) -> int:
    """Print each domain once it is judged, write JUnit XML to the file `junit`; returns the exit status.

    Raises InputError, UnfinishedError when that file cannot be written.
    """
    given = found.given
    kept: list[GapReport] = []
    statuses = [exit_status(given.findings)]
    if form is not OutputForm.JSON and junit != "-":
        manifest_signature.tell(given.signature)
        output.findings_text(given.findings)
    for report in found.reports:
        statuses.append(exit_status(report.findings))
        if (form is OutputForm.JSON) or junit is not None:
            kept.append(report)
        if form is not OutputForm.JSON and junit != "-":
            _print(report)
    if junit is not None:
        from bundlekeeper.cli.screen.user_files import TEST_REPORT, write_new
        from bundlekeeper.reports.junit import render

        rows = [*given.findings, *(finding for report in kept for finding in report.findings)]
        text = render((), rows, name=f"gaps to {found.release}", at=found.made_at)
        write_new(junit, text, force=True, kind=TEST_REPORT)
    if form is OutputForm.JSON:
        _print_json(given, kept, found.release)
    return worst_exit(statuses)


def _print_json(given: Inputs, reports: list[GapReport], release: str) -> None:
    """Findings are reported once, at the top; a domain's gaps refer to them by their place, long evidence to `shared`."""
    shared = _Shared()
    for report in reports:
        for gap in report.gaps:
            for value in gap.evidence.values():
                shared.note(value)
    findings = [*given.findings, *(finding for report in reports for finding in report.findings)]
    data = {"release": release, **given.about(), "shared": shared.rows}
    first = len(given.findings)
    rows = []
    for report in reports:
        rows.append((report, first))
        first += len(report.gaps)
    document = output.enveloped("gaps", findings, data)
    output.write_json_rows(document, "domains", (_as_json(report, at, shared) for report, at in rows))


class _Shared:
    """Long lists of evidence that many gaps share (a policy's servers): each is reported once, under a name."""

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
