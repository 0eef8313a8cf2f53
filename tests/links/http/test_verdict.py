"""Verdicts on answers, held against RFC 9110; a property over any headers."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bundlekeeper.errors import KeeperError, UnfinishedError
from bundlekeeper.links.http.client import BrokenOff
from bundlekeeper.links.http.verdict import (
    Again,
    MissingAnswer,
    Redirect,
    Rest,
    Verdict,
    WholeAnswer,
    WrongSize,
    judge,
    retry_after_s,
    strong_etag,
)

REST = {"content-range": "bytes 100-999/1000", "etag": '"one"', "content-length": "900"}


def _judge(status: int, headers: dict[str, str], start: int = 0) -> Verdict:
    return judge(status, headers, start=start, validator='"one"' if start else "", expected=1000, place="the mirror")


@pytest.mark.parametrize(
    ("value", "strong"),
    [
        ('"xyzzy"', True),  # RFC 9110 §8.8.3, examples
        ('W/"xyzzy"', False),
        ('""', True),
        ("xyzzy", False),
        ('"a" "b"', False),
        ('"a", "b"', False),
        ('"' + "a" * 600 + '"', False),
        ('"\u00e9"', False),  # obs-text is allowed there, but would not survive the way back
        ("", False),
    ],
)
def test_strong_etags(value: str, strong: bool) -> None:
    assert strong_etag({"etag": value}) == (value if strong else "")


def test_a_whole_body() -> None:
    plain = _judge(200, {"content-length": "1000", "etag": '"one"', "last-modified": "then"})
    assert plain == WholeAnswer(1000, '"one"', framed=False)
    assert _judge(200, {"transfer-encoding": "chunked"}) == WholeAnswer(None, "", framed=True)
    assert _judge(200, {}) == WholeAnswer(None, "", framed=False)
    assert _judge(200, {"content-length": "1000"}, start=100) == WholeAnswer(1000, "", framed=False)


@pytest.mark.parametrize(("length", "code"), [("999", "truncated"), ("1001", "extended"), ("0", "truncated")])
def test_a_length_that_contradicts_the_manifest(length: str, code: str) -> None:
    with pytest.raises(WrongSize) as caught:
        _judge(200, {"content-length": length})
    assert caught.value.code == code
    assert caught.value.size == int(length)


def test_a_rest_that_fits() -> None:
    assert _judge(206, REST, start=100) == Rest()
    assert _judge(206, REST | {"content-range": "bytes 100-999/*"}, start=100) == Rest()
    assert _judge(206, {k: v for k, v in REST.items() if k != "content-length"}, start=100) == Rest()


@pytest.mark.fault(62)
@pytest.mark.parametrize(
    "change",
    [
        {"content-range": "bytes 99-999/1000"},
        {"content-range": "bytes 0-999/1000"},
        {"content-range": "bytes 100-998/1000"},
        {"content-range": "bytes 100-999/1001"},
        {"content-range": "bytes */1000"},
        {"content-range": "100-999/1000"},
        {"content-range": "bytes 100-999/1000, bytes 0-1/1000"},
        {"content-range": ""},
        {"etag": '"two"'},
        {"etag": 'W/"one"'},
        {"etag": ""},
        {"content-length": "899"},
    ],
)
def test_a_rest_that_does_not_fit(change: dict[str, str]) -> None:
    assert _judge(206, REST | change, start=100) == Again()


def test_other_answers() -> None:
    assert _judge(416, {}, start=100) == Again()
    assert _judge(404, {}) == MissingAnswer() == _judge(410, {})
    for status in (301, 302, 303, 307, 308):
        assert _judge(status, {"location": "/there"}) == Redirect("/there")
    for status in (401, 403):
        with pytest.raises(UnfinishedError) as caught:
            _judge(status, {})
        assert "Authorization" in caught.value.hint and not isinstance(caught.value, BrokenOff)
    for status in (408, 425, 429, 500, 502, 503, 504):
        with pytest.raises(BrokenOff) as busy:
            _judge(status, {"retry-after": "7"})
        assert busy.value.retry_after_s == 7
    for status in (100, 204, 206, 300, 301, 304, 400, 407, 416, 451, 700):
        with pytest.raises(UnfinishedError):
            _judge(status, {})


@pytest.mark.fault(69)
@pytest.mark.parametrize("status", [200, 206])
@pytest.mark.parametrize("coding", ["gzip", "br", "deflate, gzip", "x"])
def test_packed_bodies_are_refused(status: int, coding: str) -> None:
    with pytest.raises(UnfinishedError, match="packs"):
        _judge(status, REST | {"content-encoding": coding}, start=100)
    assert _judge(206, REST | {"content-encoding": "identity"}, start=100) == Rest()


def test_retry_after() -> None:
    # RFC 9110 §10.2.3 has these two forms; the date is taken against the answer's own Date.
    assert retry_after_s({"retry-after": "120"}) == 120
    dated = {"retry-after": "Fri, 31 Dec 1999 23:59:59 GMT", "date": "Fri, 31 Dec 1999 23:59:00 GMT"}
    assert retry_after_s(dated) == 59
    assert retry_after_s({**dated, "date": "Sat, 01 Jan 2000 00:00:00 GMT"}) == 0
    for value in ("", "soon", "-5", "1e9", "Fri, 31 Dec 99999 23:59:59 GMT"):
        assert retry_after_s({"retry-after": value, "date": "Fri, 31 Dec 1999 23:59:00 GMT"}) is None
    assert retry_after_s({"retry-after": "Fri, 31 Dec 1999 23:59:59 GMT"}) is None


NAMES = ("content-range", "content-length", "content-encoding", "etag", "location", "retry-after", "date")
VALUES = st.one_of(
    st.text(max_size=20),
    st.sampled_from(['"one"', "bytes 100-999/1000", "bytes 100-999/*", "900", "1000", "gzip", "identity", "chunked"]),
)


@given(
    st.sampled_from([200, 206]) | st.integers(0, 999),
    st.dictionaries(st.sampled_from(NAMES), VALUES) | st.dictionaries(st.sampled_from(NAMES), VALUES).map(REST.__or__),
    st.sampled_from([0, 100]),
)
@example(206, REST, 100)
@example(200, REST, 0)
def test_only_our_own_errors_and_only_a_fitting_rest(status: int, headers: dict[str, str], start: int) -> None:
    """'a rest is used only where start, end, total and a strong validator agree' (the module's own rule)."""
    try:
        verdict = _judge(status, headers, start)
    except KeeperError as e:
        assert e.message
        return
    if isinstance(verdict, Rest):
        assert status == 206 and start == 100 and headers["etag"] == '"one"'
        assert headers["content-range"].strip().lower() in ("bytes 100-999/1000", "bytes 100-999/*")
    if isinstance(verdict, WholeAnswer):
        assert headers.get("content-length", "").strip() in ("", "1000")
