"""The result of `verify` as JUnit XML, for build servers.

Rules: one test case per row, and one per finding without a row; the document fails (failures or errors) exactly when
`verify` found an error or a warning; a file that was verified lately and not read is skipped, an unreadable one is an
error; every text passes `visible`, so that no name can make the document ill-formed; a case has a time, in seconds,
only where its file was read now; several are read at a time, so the suite's sum is no time by the clock.

Form: there is no standard; the document is valid under the schema of the Jenkins xunit plugin (junit-10.xsd, as the
source of PyPI's pytest carries it), which knows no `skipped` on testsuites, and the PyPI library junitparser reads it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from xml.etree import ElementTree as ET

from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import visible
from bundlekeeper.model.verify_result import Status, VerifiedRow, VerifyResult

_VERIFIED = (Status.OK, Status.TRUSTED)


def document(result: VerifyResult, *, name: str, at: datetime) -> str:
    """The XML text, with its declaration, of a run of `verify` over `name` at the time `at`."""
    properties = {
        "verified": result.verified,
        "trusted": result.trusted,
        "skipped": result.skipped,
        "unverified": result.unverified,
        "files_read": result.files_read,
        "bytes_read": result.bytes_read,
        "signatures_good": result.signatures_good,
        "signatures_not_good": result.signatures_bad,
        "signatures_not_looked_at": result.signatures_unseen,
        "stopped": str(result.stopped).lower(),
        "out_of_time": str(result.out_of_time).lower(),
    }
    return render(result.rows, result.findings, name=name, at=at, properties=properties)


def render(
    rows: Iterable[VerifiedRow],
    findings: Sequence[Finding],
    *,
    name: str,
    at: datetime,
    properties: Mapping[str, object] | None = None,
) -> str:
    """The XML text of one suite of these rows and findings."""
    suite = ET.Element("testsuite", name=visible(name), timestamp=f"{at:%Y-%m-%dT%H:%M:%S}")
    if properties:
        holder = ET.SubElement(suite, "properties")
        for key, value in properties.items():
            ET.SubElement(holder, "property", name=key, value=str(value))
    left = list(findings)
    by_place: dict[tuple[str, str], list[Finding]] = {}
    for finding in left:
        by_place.setdefault((finding.code, finding.subject), []).append(finding)
    in_rows: set[int] = set()
    for row in rows:
        mine = _findings_of(row, by_place)
        in_rows.update(id(finding) for finding in mine)
        _case_of_row(suite, row, mine)
    for finding in left:
        if id(finding) not in in_rows:
            _case_of_finding(suite, finding)
    return _document(suite)


def _findings_of(row: VerifiedRow, by_place: Mapping[tuple[str, str], list[Finding]]) -> list[Finding]:
    code = row.status.value
    places = dict.fromkeys((row.place, f"{row.family}/{row.version}/{row.name}", row.name))
    return next((found for place in places if place and (found := by_place.get((code, place)))), [])


def _case(suite: ET.Element, group: str, name: str, seconds: float | None = None) -> ET.Element:
    case = ET.SubElement(suite, "testcase", classname=visible(group), name=visible(name))
    if seconds is not None:
        case.set("time", _thousandths(seconds))
    return case


def _thousandths(seconds: float) -> str:
    return f"{seconds:.3f}"  # the schema's SUREFIRE_TIME: at most three decimals


def _case_of_row(suite: ET.Element, row: VerifiedRow, findings: Sequence[Finding]) -> None:
    group = f"{row.family}.{row.version}" if row.family else "other files"
    case = _case(suite, group, row.place or row.name, row.seconds)
    if row.status is Status.NOT_READ:
        at = f"{row.verified_at:%Y-%m-%d}" if row.verified_at is not None else "an earlier day"
        ET.SubElement(case, "skipped", message=f"not read; last verified on {at}")
    elif findings:
        for finding in findings:
            _outcome(case, finding)
    elif row.status not in _VERIFIED:
        _bad(case, "failure", row.status.value, row.message)
    elif row.status is Status.TRUSTED:
        ET.SubElement(case, "system-out").text = "trusted: unchanged since its last full verification, not read"


def _case_of_finding(suite: ET.Element, finding: Finding) -> None:
    _outcome(_case(suite, "findings", f"{finding.code}: {finding.subject}"), finding)


def _outcome(case: ET.Element, finding: Finding) -> None:
    if finding.level is Level.NOTE:
        ET.SubElement(case, "system-out").text = visible(f"{finding.code}: {finding.message}")
        return
    _bad(case, "error" if finding.code == "unreadable" else "failure", finding.code, finding.message, finding.hint)


def _bad(case: ET.Element, tag: str, code: str, message: str, hint: str = "") -> None:
    element = ET.SubElement(case, tag, type=code, message=visible(message))
    element.text = visible(f"{message}; {hint}" if hint else message)


def _document(suite: ET.Element) -> str:
    top = ET.Element("testsuites")
    paths = {"tests": "testcase", "failures": "testcase/failure", "errors": "testcase/error"}
    counts = {key: str(len(suite.findall(path))) for key, path in paths.items()}
    times = [float(case.get("time", "")) for case in suite.iter("testcase") if "time" in case.keys()]  # noqa: SIM118
    if times:
        counts["time"] = _thousandths(sum(times))
    for element in (suite, top):
        for key, value in counts.items():
            element.set(key, value)
    suite.set("skipped", str(len(suite.findall("testcase/skipped"))))
    top.append(suite)
    ET.indent(top)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ET.tostring(top, encoding="unicode") + "\n"
