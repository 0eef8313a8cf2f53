"""JUnit XML, held against the Jenkins xunit schema's rules and read back by the PyPI library junitparser."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from junitparser import Error, Failure, JUnitXml, Skipped, TestCase

from bundlekeeper.findings import CODES, Level, exit_status, finding, is_ok
from bundlekeeper.model.verify_result import Status, VerifiedRow, VerifyResult
from bundlekeeper.reports.junit import document
from tests.kits.checking import Known, check, facts, fill, listing
from tests.kits.sure import some

AT = datetime(2026, 11, 25, 12, 30, tzinfo=UTC)
A, B = b"a" * 100, b"b" * 200


# The Jenkins xunit plugin's junit-10.xsd, as the source of PyPI's pytest 8.3.5 carries it, as far as it concerns what
# is written here: element -> attributes (those it must have first), and the elements that may stand in it.
_SCHEMA: dict[str, tuple[set[str], set[str], set[str]]] = {
    "testsuites": (set(), {"name", "time", "tests", "failures", "errors"}, {"testsuite"}),
    "testsuite": (
        {"name", "tests", "failures", "errors"},
        {"group", "time", "skipped", "timestamp", "hostname", "id", "package", "file", "log", "url", "version"},
        {"testsuite", "properties", "testcase", "system-out", "system-err"},
    ),
    "properties": (set(), set(), {"property"}),
    "property": ({"name", "value"}, set(), set()),
    "testcase": (
        {"name"},
        {"time", "classname", "group"},
        {"skipped", "error", "failure", "system-out", "system-err"},
    ),
    **dict.fromkeys(("skipped", "error", "failure"), (set(), {"type", "message"}, set())),
    **dict.fromkeys(("system-out", "system-err"), (set(), set(), set())),
}
_TIME = re.compile(r"(([0-9]{0,3},)*[0-9]{3}|[0-9]{0,3})*(\.[0-9]{0,3})?")  # its SUREFIRE_TIME


def valid(text: str) -> None:
    """Hold a document against the schema."""
    root = ET.fromstring(text.encode())  # noqa: S314 - our own document
    assert root.tag == "testsuites"
    for element in root.iter():
        must, may, within = _SCHEMA[element.tag]
        assert must <= set(element.keys()) <= must | may, (element.tag, element.keys())
        assert {child.tag for child in element} <= within
        assert _TIME.fullmatch(element.get("time", "0"))
        if within:
            assert not (element.text or "").strip() and all(not (child.tail or "").strip() for child in element)


def suite_of(result: VerifyResult, name: str = "folder") -> JUnitXml:
    """The document, valid, parsed by junitparser; its own counts are those that it recounts."""
    text = document(result, name=name, at=AT)
    valid(text)
    parsed = JUnitXml.fromstring(text.encode())
    [suite] = parsed
    stated = (parsed.tests, parsed.failures, parsed.errors, suite.skipped, suite.time)
    parsed.update_statistics()  # type: ignore[no-untyped-call]  # junitparser annotates in part
    suite.update_statistics()  # type: ignore[no-untyped-call]  # junitparser annotates in part
    again = (parsed.tests, parsed.failures, parsed.errors, suite.skipped)
    assert (stated[:4], stated[4] or 0) == (again, pytest.approx(suite.time))
    return parsed


def cases(result: VerifyResult) -> dict[str, TestCase]:
    """Name to test case."""
    [suite] = suite_of(result)
    return {case.name: case for case in suite}


def test_all_well(tmp_path: Path) -> None:
    """Every row is a passed case; the counts are properties."""
    result = check(fill(tmp_path, {"a.bin": A, "b.bin": B}), listing(facts("a.bin", A), facts("b.bin", B)))
    parsed = suite_of(result, "the stick")
    [suite] = parsed
    assert (parsed.tests, parsed.failures, parsed.errors, suite.skipped) == (2, 0, 0, 0)
    assert (suite.name, suite.timestamp) == ("the stick", "2026-11-25T12:30:00")
    properties = suite.properties()  # type: ignore[no-untyped-call]  # junitparser annotates in part
    assert {p.name: p.value for p in properties}["verified"] == "2"
    assert [(c.classname, c.name, c.is_passed) for c in suite] == [
        ("blade.6.1.0", "a.bin", True),
        ("blade.6.1.0", "b.bin", True),
    ]
    assert [case.time for case in suite] == [round(row.seconds or 0, 3) for row in result.rows]


def test_what_was_found(tmp_path: Path) -> None:
    """Failures by their codes; a finding about no file is a case of its own; a note fails nothing."""
    root = fill(tmp_path, {"a.bin": A[:-1], "sub/b.bin": B, "b.bin": B, "stray": b"?"})
    wanted = listing(facts("a.bin", A, digest_from="own copy"), facts("b.bin", B), facts("c.bin", b"c"))
    found = cases(check(root, wanted))
    kinds = {name: [(type(r), r.type) for r in case.result] for name, case in found.items()}
    assert kinds == {
        "a.bin": [(Failure, "truncated")],
        "b.bin": [],
        "sub/b.bin": [],
        "c.bin": [(Failure, "missing")],
        "stray": [(Failure, "extra")],
        "self-digest: a.bin": [(Failure, "self-digest")],
        "extra: sub/b.bin": [],
    }
    assert "99 bytes, 1 fewer than expected" in found["a.bin"].result[0].message
    assert "copy it again" in found["a.bin"].result[0].text


def test_skipped_and_unverified(tmp_path: Path) -> None:
    """Verified lately is skipped; not verified fails, because the check does not end well either."""
    root, ledger = fill(tmp_path, {"a.bin": A, "b.bin": B}), Known()
    wanted = listing(facts("a.bin", A), facts("b.bin", B))
    check(root, wanted, known=ledger)
    ledger.age(timedelta(days=9), "b.bin")
    found = cases(check(root, wanted, known=ledger, older_than_s=86400, max_time_s=0))
    assert isinstance(found["a.bin"].result[0], Skipped)
    assert [(type(r), r.type) for r in found["b.bin"].result] == [(Failure, "unverified")]


def test_unreadable_is_an_error() -> None:
    """Could not be judged is not the same as wrong."""
    row = VerifiedRow("a.bin", "blade", "1", "a.bin", Status.UNREADABLE, 1, 1, "ab", "", None, "Input/output error")
    found = cases(VerifyResult([finding("unreadable", "a.bin", "Input/output error")], [row]))
    assert [(type(r), r.type) for r in found["a.bin"].result] == [(Error, "unreadable")]


def test_a_time_stands_only_where_a_file_was_read_now(tmp_path: Path) -> None:
    """Seconds by the check's own measure; what it skipped or did not find has none; a stray that it read has."""
    root, ledger = fill(tmp_path, {"a.bin": A, "b.bin": B}), Known()
    wanted = listing(facts("a.bin", A), facts("b.bin", B), facts("c.bin", b"c"))
    check(root, wanted, known=ledger)
    ledger.age(timedelta(days=9), "b.bin")
    result = check(fill(root, {"stray.bin": A[::-1]}), wanted, known=ledger, older_than_s=86400)
    timed = {case.name for case in cases(result).values() if case.time is not None}
    assert timed == {"b.bin", "stray.bin"} == {row.name for row in result.rows if row.seconds is not None}


def test_times_are_those_of_the_rows() -> None:
    """Thousandths of a second, the suite's their sum."""
    rows = [VerifiedRow(f"{n}.bin", "blade", "1", f"{n}.bin", Status.OK, 1, 1, "ab", "ab", AT) for n in range(3)]
    rows[0].seconds, rows[1].seconds = 1.2344, 61.0
    parsed = suite_of(VerifyResult([], rows))
    [suite] = parsed
    assert [case.time for case in suite] == [1.234, 61.0, None]
    assert suite.time == parsed.time == pytest.approx(62.234)


texts = st.text(st.characters(), min_size=1, max_size=12)
statuses = st.sampled_from(list(Status))
rows = st.builds(
    VerifiedRow, texts, st.sampled_from(["", "blade"]), texts, texts, statuses, st.none(), st.none(),
    st.just("ab"), st.just(""), st.just(AT), texts,
)  # fmt: skip
findings = st.builds(finding, st.sampled_from(sorted(CODES)), texts, texts, texts, st.sampled_from(list(Level)))


@pytest.mark.fault(75)
@given(st.lists(rows, max_size=5), st.lists(findings, max_size=5), texts)
def test_any_text_is_well_formed_and_nothing_is_lost(rows: list[VerifiedRow], found: list[object], name: str) -> None:
    """Names with any character, lone surrogates too; a check that is not ok is never a document that passes."""
    result = VerifyResult(list(found), list(rows))  # type: ignore[arg-type]  # hypothesis builds findings
    parsed = suite_of(result, name)
    assert parsed.tests >= len(rows)
    if not is_ok(result.findings):
        assert parsed.failures + parsed.errors > 0
    bad = (*(s for s in Status if s not in (Status.OK, Status.TRUSTED, Status.NOT_READ)),)
    if is_ok(result.findings) and not any(r.status in bad for r in rows):
        assert parsed.failures + parsed.errors == 0


@pytest.mark.parametrize("code", ["altered", "extra", "unreadable"])
def test_the_document_fails_exactly_when_the_check_does(code: str) -> None:
    """The exit status and the document agree."""
    for level in some(Level):
        result = VerifyResult([finding(code, "a", "says", level=level)])
        parsed = suite_of(result)
        assert (parsed.failures + parsed.errors > 0) == (not is_ok(result.findings))
        assert (exit_status(result.findings) == 0) <= (parsed.failures + parsed.errors == 0)
