"""What is between domains and a release, as text, JSON and JUnit XML, domain by domain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import manifest_signature, output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import again, marked, next_line, put, tally
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.errors import worst_exit
from bundlekeeper.findings import Finding, Level, exit_status
from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.gaps import FoundGaps
    from bundlekeeper.jobs.planning.inputs import Inputs
    from bundlekeeper.planning.gaps.report import GapReport

_LONG = 20  # values; evidence with more of them is reported once


@dataclass(frozen=True, slots=True)
class DomainInShort:
    """What is kept of a domain's report for its line: how many of each, and the codes, worst first."""

    name: str
    errors: int
    warnings: int
    made: int
    not_made: int
    codes: tuple[str, ...]

    @classmethod
    def of(cls, report: GapReport) -> DomainInShort:
        """The domain's line."""
        levels = [finding.level for finding in report.findings]
        worst = min((level for level in levels if level is not Level.NOTE), key=list(Level).index, default=None)
        codes = tuple(dict.fromkeys(finding.code for finding in report.findings if finding.level is worst))
        errors, warnings = levels.count(Level.ERROR), levels.count(Level.WARNING)
        return cls(report.domain, errors, warnings, report.checks_made, report.checks_not_made, codes)


def show(
    found: FoundGaps, words: Mapping[str, object], *, every: bool, junit: str | None, form: OutputForm, whole: bool
) -> int:
    """Print what is between, in short or `whole`, write JUnit XML to the file `junit`; returns the exit status.

    `words` are the options that were given, for the next command. Raises InputError, UnfinishedError when that file
    cannot be written.
    """
    given, as_text = found.given, form is not OutputForm.JSON and junit != "-"
    kept: list[GapReport] = []
    rows: list[DomainInShort] = []
    statuses = [exit_status(given.findings)]
    if as_text:
        manifest_signature.tell(given.signature)
        if whole:
            output.findings_text(given.findings)
    for report in found.reports:
        statuses.append(exit_status(report.findings))
        if (form is OutputForm.JSON) or junit is not None:
            kept.append(report)
        if as_text and every:
            rows.append(DomainInShort.of(report))
        if as_text and whole:
            _print(report)
        elif as_text and not every:
            _in_short(report, given.findings, words)
    if as_text and every:
        _all_in_short(found, rows, words, whole=whole)
    if junit is not None:
        _write_junit(found, kept, junit)
    if form is OutputForm.JSON:
        _print_json(given, kept, found.release)
    return worst_exit(statuses)


def _write_junit(found: FoundGaps, kept: list[GapReport], junit: str) -> None:
    from bundlekeeper.cli.screen.user_files import TEST_REPORT, write_new
    from bundlekeeper.reports.junit import render

    rows = [*found.given.findings, *(finding for report in kept for finding in report.findings)]
    text = render((), rows, name=f"gaps to {found.release}", at=found.made_at)
    write_new(junit, text, force=True, kind=TEST_REPORT)


def _in_short(report: GapReport, about: Sequence[Finding], words: Mapping[str, object]) -> None:
    """One domain: the verdict, what is between, worst first, and how much was looked at."""
    rows = (*about, *report.findings)
    put(f"{report.domain} to {report.release}: {tally(rows) or 'nothing is between'}")
    marked(rows, report.domain)
    put(_checks(report.checks_made, report.checks_not_made))
    codes = {finding.code for finding in rows if finding.level is Level.ERROR}
    if codes <= {"jump-refused"}:
        next_line(again("route", report.domain, **words))
    else:
        next_line(again("gaps", report.domain, **words, details=True))


def _checks(made: int, not_made: int) -> str:
    lacking = f"{not_made:,} not made: a fact is not known (not-checked)" if not_made else "all that there are"
    return f"{counted(made, 'check')} made, {lacking}"


COLUMNS: tuple[Column[DomainInShort], ...] = (
    Column("domain", lambda domain: domain.name),
    Column("errors", lambda domain: str(domain.errors), right=True),
    Column("warnings", lambda domain: str(domain.warnings), right=True),
    Column("not checked", lambda domain: str(domain.not_made), right=True),
    Column("what is between", lambda domain: ", ".join(domain.codes) or "nothing"),
)


def _verdicts(rows: Sequence[DomainInShort]) -> str:
    """How many domains have errors, how many warnings only, how many neither; and how many there are of those."""
    bad = sum(row.errors > 0 for row in rows)
    warned = sum(row.warnings > 0 and not row.errors for row in rows)
    numbers = (
        (bad, "with errors"), (warned, "with warnings only"), (len(rows) - bad - warned, "with nothing between"),
    )  # fmt: skip
    verdicts = ", ".join(f"{number} {verdict}" for number, verdict in numbers if number) or "no domains"
    errors, warnings = sum(row.errors for row in rows), sum(row.warnings for row in rows)
    return f"{verdicts}; {counted(errors, 'error')}, {counted(warnings, 'warning')}"


def _all_in_short(found: FoundGaps, rows: Sequence[DomainInShort], words: Mapping[str, object], *, whole: bool) -> None:
    """Every domain: the verdict, how much was looked at, and a line for each; `whole`, after the reports, that line
    only."""
    if not whole:
        put(f"{found.given.manifest.platform} to {found.release}: {_verdicts(rows)}")
        put(_checks(sum(row.made for row in rows), sum(row.not_made for row in rows)))
        marked(found.given.findings)
    output.line()
    write(COLUMNS, rows)
    if rows and not whole:
        worst = max(rows, key=lambda row: (row.errors, row.warnings))
        next_line(again("gaps", worst.name, **words))


def _print_json(given: Inputs, reports: list[GapReport], release: str) -> None:
    """Findings are reported once, at the top; a domain's gaps refer to them by their place, long evidence to
    `shared`."""
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
