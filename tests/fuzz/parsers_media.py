"""The parsers of media sets: receipts on a file and on printed, notices, records, texts of bags; plans by hand.

What is held together by a checksum or a canonical form is changed before that is put on, so that the reader behind it
is met as well.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import UTC, date, datetime
from functools import cache
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.links.calendar import read_calendar
from bundlekeeper.media.receipt import document as receipt
from bundlekeeper.media.receipt import kept, slip, typed_lines
from bundlekeeper.media.set import records as set_records
from bundlekeeper.media.set import signed_index, withdrawal_notice
from bundlekeeper.media.volume import bag_text
from bundlekeeper.model.lint import read_manifest
from bundlekeeper.model.route import dated_windows, hand_plan, planned_work, window_sheet
from bundlekeeper.model.route import document as route_document
from tests.fuzz.parsers import add, text

AT = datetime(2026, 8, 20, 8, 0, tzinfo=UTC)
_ID, _D1, _D2 = "0123456789abcdef", "1" * 64, "2" * 64
_JSON = 'null [] {} -1 true "set" "parts" "volumes" "path" 1e999 "0000000000000000"'


# The codec itself, with each form that a field may have


def _waybill(data: bytes) -> object:
    from tests.kits.codec_documents import document

    return document().read(data)


def _waybills() -> list[bytes]:
    from tests.kits.codec_documents import BILL, document

    return [document().write(BILL)]


add("document", _waybill, _waybills, words=f'{_JSON} "stamps" "weights" "01" -0 1.0 "+00:00"', examples=200)


# What is kept of a set


def _body_of(packed: bytes) -> list[bytes]:
    return [packed.split(b"\n", 1)[1]]


def _packed(read: Callable[[bytes, str], object]) -> Callable[[bytes], object]:
    """A record with the checksum that belongs to it."""
    return lambda body: read(hashlib.sha256(body).hexdigest().encode() + b"\n" + body, "sets/x/sent.json")


def _sent() -> list[bytes]:
    sent = set_records.Sent(_ID, 7, "ab" * 16, _D1, "marram", "skerry", 2, _D2, AT, {1: AT})
    return _body_of(set_records.write_sent(sent))


def _received() -> list[bytes]:
    arrived = {"a.bin": set_records.Arrived("a.bin", _D1, "read again", AT)}
    received = set_records.ReceivedSet(
        _ID, 7, "ab" * 16, _D1, AT, volumes={1: AT}, arrived=arrived, receipts=((AT, 3),)
    )
    return _body_of(set_records.write_received(received))


add(
    "record-sent", _packed(set_records.read_sent), _sent, words=_JSON, covers=("media.set.records.read_sent",),
)  # fmt: skip
add(
    "record-received", _packed(set_records.read_received), _received, words=_JSON,
    covers=("media.set.records.read_received",),
)  # fmt: skip


def _signature() -> list[bytes]:
    from tests.kits.media_kit import signed

    return [signed(b"index")]


add(
    "index-signature", lambda data: signed_index.signer_of(b"index", data), _signature,
    words="bundlekeeper ssh-ed25519 sha512", covers=("media.set.signed_index.signer_of",),
)  # fmt: skip


# What comes back


def _receipt() -> list[bytes]:
    made = receipt.Receipt(
        made=AT, site="skerry", reported_by="ada", set_id=_ID, name="marram 6.1", issuer="ab" * 16, sequence=7,
        index=_D1,
        meant_for="skerry", volumes=2, began=AT, completed=None, came={1: AT},
        arrived=(set_records.Arrived("a.bin", _D1, "read again", AT),),
        missing=(receipt.MissingFile("b.bin", _D2, (2,)),), ledger="ab" * 16, count=3, head=_D2, after=0, events=True,
        manifest=(14, _D1), domains=(receipt.DomainSummary("skerry", "skerry-a", 120, 8, 0),),
    )  # fmt: skip
    return [receipt.write_header(made)]


add("receipt", receipt.read_header, _receipt, words=_JSON, covers=("media.receipt.document.read_header",), examples=120)


def _slip() -> list[bytes]:
    from tests.kits.slips import SLIP

    return [typed_lines.from_lines("\n".join(slip.lines_of(SLIP)))]


def _slip_lines() -> list[bytes]:
    return ["\n".join(typed_lines.to_lines(data)).encode() for data in _slip()]


def _checked_slip(data: bytes) -> object:
    """A slip whose lines are rightly copied and whose own checksum is right, whatever else it says."""
    body = data[:-4]
    return slip.read("\n".join(typed_lines.to_lines(body + hashlib.sha256(body).digest()[:4])))


def _paper() -> list[bytes]:
    from tests.kits.slips import SLIP

    return [kept.PRINTED.write(kept.KeptPrinted("".join(slip.lines_of(SLIP)), signed_by)) for signed_by in ("", "kim")]


add("paper-kept", kept.PRINTED.read, _paper, words=_JSON)
add("paper-lines", text(slip.read), _slip_lines, words="O 0 I 1 U - .", examples=80)
add("paper-slip", _checked_slip, _slip, covers=("media.receipt.typed_lines.to_lines",), examples=150)


@cache
def _withdrawing() -> Any:
    from tests.kits.media_kit import Bundle, manifest_text

    data = manifest_text([Bundle("blade", "6.0.1", b"x", withdrawn="bad flash"), Bundle("blade", "6.1.0", b"y")])
    data = data.replace(b"sequence = 1\n", b'sequence = 1\nfamilies = ["blade"]\n')
    return read_manifest.read(data, name="m", today=date(2026, 8, 14)).manifest


add(
    "notice", lambda data: withdrawal_notice.read_notice(data, _withdrawing()),
    lambda: [withdrawal_notice.write_notice(_withdrawing())],
    words=_JSON, covers=("media.set.withdrawal_notice.read_notice",),
)  # fmt: skip


# Texts of a bag


def _bag(data: bytes) -> None:
    said = data.decode("utf-8", "surrogateescape")
    listed = bag_text.read_manifest(said, "sha256", "1.0")
    info = bag_text.read_info(said)
    for line in bag_text.lines_of(said):
        bag_text.read_oxum(line)
    if listed.problems and info[1]:
        raise InputError("; ".join([*listed.problems, *info[1]]))
    assert not any(path.startswith("/") or ".." in path.split("/") for path in listed.checksums)


add("bag-declaration", text(bag_text.read_declaration), lambda: [bag_text.declaration().encode()], words="0.97 UTF-16")
add(
    "bag-texts", _bag,
    lambda: [
        bag_text.manifest_text({"data/a.bin": _D1, "data/b/c.bin": _D2}).encode(),
        bag_text.info_text([("Payload-Oxum", "20.2"), ("Bag-Group-Identifier", "marram")]).encode(),
    ],
    words="%0A %25 %2e ../ data/ ~/ * \\ C:", examples=200,
)  # fmt: skip


# Plans by hand and documents of routes


def _route() -> list[bytes]:
    from tests.kits.route_documents import _document

    return [json.dumps(_document()).encode()]


def _followed() -> list[bytes]:
    from tests.kits.followed_plans import document

    return [json.dumps(document().raw).encode()]


def _by_hand() -> list[bytes]:
    return [
        b'plan = 1\ndomain = "holm-a"\nrelease = "6.1"\n\n[[step]]\nwhat = "infrastructure"\nversion = "6.0.1"\n'
        b'note = "first"\n\n[[step]]\nwhat = "blade"\nversion = "6.1.0"\nservers = ["1/1"]\n'
    ]


add(
    "plan-by-hand", lambda data: hand_plan.read_plan(data, name="plan.toml", form="toml"), _by_hand,
    words="[[step]] what servers release infrastructure rack note", covers=("model.route.hand_plan.read_plan",),
)  # fmt: skip
add(
    "plan-json", lambda data: hand_plan.read_plan(data, name="plan.json", form="json"),
    lambda: [b'{"plan": 1, "domain": "holm-a", "release": "6.1", "step": [{"what": "servers", "release": "6.1"}]}'],
    words=_JSON,
)  # fmt: skip
add(
    "route-document", lambda data: route_document.read_document(data, "route.json"), _route, words=_JSON,
    covers=("model.route.document.read_document",), examples=40,
)  # fmt: skip


add(
    "sheet-of-a-window",
    lambda data: window_sheet.read_sheet(window_sheet.csv_cells(data, "w.csv"), "w.csv", {"HOLMB-IO1": "6.0.1"}),
    lambda: [window_sheet.template([("HOLMB-IO1", "6.0.1")]).replace("6.0.1,", "6.0.1,6.0.1").encode()],
    words="component,expected,seen,time,reported by,note HOLMB-IO1", covers=("model.route.window_sheet.csv_cells",),
)  # fmt: skip
add(
    "work-of-a-plan",
    lambda data: (read := route_document.read_document(data, "plan.json")) and planned_work.planned_work(read),
    _followed, words=_JSON, examples=30,
)  # fmt: skip


def _dated() -> list[bytes]:
    row = b'[[window]]\nsite = "holm"\nbegins = 2026-12-02T01:00:00\nminutes = 240\nnote = "change 118"\n'
    return [b'windows = 1\nzone = "Europe/Lisbon"\n' + row]


add(
    "dated-windows", lambda data: dated_windows.read_windows(data, name="windows.toml", zone="UTC"), _dated,
    words="[[window]] site begins minutes note zone", covers=("model.route.dated_windows.read_windows",),
)  # fmt: skip
add(
    "calendar-of-windows", lambda data: read_calendar(data, name="w.ics", zone="UTC", sites=("holm",)),
    lambda: [b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VEVENT\r\nDTSTART:20270402T010000\r\nDURATION:PT90M\r\n"
             b"SUMMARY:change 118\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"],
    words="RRULE:FREQ=DAILY DTEND LOCATION:holm TZID=Europe/Lisbon P1D Z", covers=("links.calendar.read_calendar",),
    calls=1_000_000, calls_a_byte=600, examples=60,  # the library is imported at the first one
)  # fmt: skip
