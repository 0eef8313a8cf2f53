"""What a server's answer to a download means: pure functions from status and headers to a verdict.

Rules: only an answer that fits the request in every detail is used; a rest is used only where start, end, total and the
validator fit, else the whole file is asked for again; a packed body is refused; a stated length that contradicts the
manifest is reported before a byte is read; a server's own text is never part of a message. Source: RFC 9110.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.links.http.client import BrokenOff
from bundlekeeper.verification.hashing.read import TooLong

MAX_ETAG = 512  # characters; a longer one is treated as none
_STRONG_ETAG = re.compile(r'"[\x21\x23-\x7e]*"')  # RFC 9110 §8.8.3, less obs-text; a weak one begins with W/
_CONTENT_RANGE = re.compile(r"bytes (\d{1,19})-(\d{1,19})/(\d{1,19}|\*)", re.IGNORECASE)  # RFC 9110 §14.4
_DIGITS = re.compile(r"\d{1,19}")
#: RFC 9110 §5.6.7, IMF-fixdate: what is sent back must be the very text, so other forms are treated as none.
HTTP_DATE = re.compile(r"[A-Z][a-z]{2}, \d{2} [A-Z][a-z]{2} \d{4} \d{2}:\d{2}:\d{2} GMT")
# RFC 9110 §8.8.2.2 asks for a second, and for "enough difference" where the clocks may be two; RFC 7232 §2.2.2, which
# it replaced, for this.
_SETTLED = timedelta(seconds=60)


class Declined(UnfinishedError):  # noqa: N818 - the name says what happened; it is caught by name
    """The server answered, and another try would not help; `status` is its HTTP status."""

    def __init__(self, status: int, message: str, *, hint: str = "", where: str = "") -> None:
        super().__init__(message, hint=hint, where=where)
        self.status = status


class WrongSize(TooLong):
    """The mirror's file is longer or shorter than the manifest says.

    `size` is its length in bytes, or the number of bytes read when it did not end at the manifest's (`more` is True).
    """

    def __init__(self, size: int, expected: int, *, more: bool = False, where: str = "") -> None:
        amount = f"more than {expected}" if more else str(size)
        super().__init__(f"{amount} bytes at the mirror, {expected} in the manifest", where=where)
        self.size = size
        self.expected = expected
        self.more = more

    @property
    def code(self) -> str:
        """The finding's code: `extended` or `truncated`."""
        return "extended" if self.more or self.size > self.expected else "truncated"


@dataclass(frozen=True, slots=True)
class WholeAnswer:
    """The body is the whole file; `size` in bytes where it is stated, `validator` as `strong_validator` gives it."""

    size: int | None
    validator: str
    framed: (
        bool  # the end of the body is marked (chunked): if it ends early, the file is short, not the connection broken
    )


@dataclass(frozen=True, slots=True)
class Rest:
    """The body is the rest of the file, from where the part ends."""


@dataclass(frozen=True, slots=True)
class Again:
    """What we have does not fit the server's file: ask for the whole."""


@dataclass(frozen=True, slots=True)
class Redirect:
    """The file is elsewhere; the location is not checked yet."""

    location: str


@dataclass(frozen=True, slots=True)
class MissingAnswer:
    """The server has no such file."""


Verdict = WholeAnswer | Rest | Again | Redirect | MissingAnswer


def strong_etag(headers: Mapping[str, str]) -> str:
    """The answer's entity tag where it is a strong one, else empty (RFC 9110 §8.8.3)."""
    value = headers.get("etag", "").strip()
    return value if len(value) <= MAX_ETAG and _STRONG_ETAG.fullmatch(value) else ""


def strong_validator(headers: Mapping[str, str]) -> str:
    """The validator for asking for a rest of this file (RFC 9110 §13.1.5); empty where there is none.

    A strong entity tag; without any tag the Last-Modified date, where it is so long before the answer's own Date
    that a later change would show in it (§8.8.2.2).
    """
    if "etag" in headers:
        return strong_etag(headers)
    value = headers.get("last-modified", "").strip()
    changed, now = (_moment(headers.get(name, "")) for name in ("last-modified", "date"))
    return value if changed is not None and now is not None and now - changed >= _SETTLED else ""


def is_strong(validator: str) -> bool:
    """True for what `strong_validator` may have given."""
    return bool(_STRONG_ETAG.fullmatch(validator) or HTTP_DATE.fullmatch(validator))


def _moment(value: str) -> datetime | None:
    try:
        return parsedate_to_datetime(value) if HTTP_DATE.fullmatch(value.strip()) else None
    except (ValueError, TypeError, OverflowError):
        return None


def judge(
    status: int,
    headers: Mapping[str, str],
    *,
    start: int,
    validator: str,
    expected: int | None,
    place: str,
    away: str = "",
) -> Verdict:
    """Find out what an answer means for a request for `expected` bytes from `start` on with `validator`.

    `start` 0 asks for the whole. With `expected` None any length is right, and a rest is not. `headers` maps lower-case
    names to values. `away` names the server that answered where it is not the mirror itself but one that the mirror
    redirects to. Raises WrongSize where the stated length contradicts `expected`, BrokenOff where another try may help,
    else UnfinishedError.
    """
    if status in (200, 206):
        _refuse_packed(headers, place)
    if status == 200:
        return _whole(headers, expected, place)
    if status == 206 and start and expected is not None:
        return Rest() if _fits(headers, start, validator, expected) else Again()
    if status == 416 and start:
        return Again()
    if status in (301, 302, 303, 307, 308) and "location" in headers:
        return Redirect(headers["location"])
    if status in (404, 410):
        return MissingAnswer()
    raise _refusal(status, headers, place, away)


def _refuse_packed(headers: Mapping[str, str], place: str) -> None:
    coding = headers.get("content-encoding", "").strip().lower()
    if coding not in ("", "identity"):
        raise UnfinishedError(
            "the mirror packs the file (Content-Encoding), although it was asked not to",
            hint="configure the mirror to send the file as it is",
            where=place,
        )


def _whole(headers: Mapping[str, str], expected: int | None, place: str) -> WholeAnswer:
    stated = headers.get("content-length", "").strip()
    if stated and not _DIGITS.fullmatch(stated):
        raise UnfinishedError("the length in the mirror's answer cannot be read", where=place)
    size = int(stated) if stated else None
    if size is not None and expected is not None and size != expected:
        raise WrongSize(size, expected, where=place)
    chunked = headers.get("transfer-encoding", "").strip().lower() == "chunked"
    return WholeAnswer(size, strong_validator(headers), size is None and chunked)


def _fits(headers: Mapping[str, str], start: int, validator: str, expected: int) -> bool:
    """RFC 9110 §15.3.7: a 206 carries Content-Range and the ETag that a 200 would have had.

    It need not carry Last-Modified; so where the date is the only validator, the total must be there.
    """
    match = _CONTENT_RANGE.fullmatch(headers.get("content-range", "").strip())
    tagged = validator.startswith('"')
    same = strong_etag(headers) == validator if tagged else _same_date(headers, validator)
    if match is None or not same:
        return False
    total_fits = (tagged and match[3] == "*") or match[3] == str(expected)
    length = headers.get("content-length", "").strip()
    length_fits = not length or length == str(expected - start)
    return int(match[1]) == start and int(match[2]) == expected - 1 and total_fits and length_fits


def _same_date(headers: Mapping[str, str], date: str) -> bool:
    return "etag" not in headers and headers.get("last-modified", date).strip() == date


def _refusal(status: int, headers: Mapping[str, str], place: str, away: str) -> UnfinishedError:
    message = f"{away or 'the mirror'} answered {status}"
    if status in (401, 403):
        here = "does the mirror need an Authorization header? is its user allowed to read the file? --headers FILE"
        there = "the headers of --headers go to the mirror alone; if this server needs them, name it with --from"
        return Declined(
            status,
            message + (": it needs a login" if status == 401 else ": it does not allow reading the file"),
            hint=there if away else here,
            where=place,
        )
    if status == 407:
        return Declined(
            status,
            "the proxy answered 407: it needs a login",
            hint="give it a user name and a password",
            where=place,
        )
    if status in (408, 425, 429) or (500 <= status <= 599 and status not in (501, 505)):
        wait_s = retry_after_s(headers)
        asks = "" if wait_s is None else f"; it asks to wait {wait_s:.0f} s (Retry-After)"
        return BrokenOff(
            f"{message}: busy or broken{asks}", hint="run the command again later", where=place, retry_after_s=wait_s
        )
    return Declined(status, message, hint="does the server have plain files at this address?", where=place)


def retry_after_s(headers: Mapping[str, str]) -> float | None:
    """How many seconds the server asks to wait (RFC 9110 §10.2.3), or None.

    A date is compared with the answer's own Date, so that this machine's clock does not matter.
    """
    value = headers.get("retry-after", "").strip()
    if _DIGITS.fullmatch(value):
        return float(value)
    try:
        wait = parsedate_to_datetime(value) - parsedate_to_datetime(headers.get("date", ""))
    except (ValueError, TypeError, OverflowError):
        return None
    return max(0.0, wait.total_seconds())
