"""Receipts of sets: made, signed and written at the receiving site, and read where the set was made."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.event.chain import Head
    from bundlekeeper.media.receipt.document import Receipt
    from bundlekeeper.media.receipt.read import ReceiptAnswer
    from bundlekeeper.media.receipt.slip import Slip
    from bundlekeeper.media.receipt.slip_of import PrintedAnswer
    from bundlekeeper.media.set.records import ReceivedSet
    from bundlekeeper.model.media.index import SetIndex
    from bundlekeeper.verification.signatures.sign import Passphrase


@dataclass(frozen=True, slots=True)
class ReceiptRequest:
    """What to write: to which file, with which key, about which set, for which site, reported by whom.

    It has the events after number `after`.
    """

    out: str
    key: Path | None
    set_id: str = ""
    site: str = ""
    reported_by: str | None = None
    after: int = 0


@dataclass(frozen=True, slots=True)
class WrittenReceipt:
    """A receipt in its file: with `header`, its first line as JSON, and a text that says which events follow it."""

    receipt: Receipt
    header: Mapping[str, Any]
    events: str


@dataclass(frozen=True, slots=True)
class PrintedReceipt:
    """A printed receipt: the slip, the name of its set, its code in `lines` and as `typed`; `doubt` where it is
    unsigned."""

    slip: Slip
    name: str
    lines: list[str]
    typed: list[str]
    doubt: str


@dataclass(frozen=True, slots=True)
class ReadReceipt:
    """What reading a receipt gave, its header, and the head of this store's ledger after the merge."""

    answer: ReceiptAnswer
    header: Mapping[str, Any]
    head: Head


def write_receipt(session: Session, request: ReceiptRequest, passphrase: Passphrase) -> WrittenReceipt:
    """Write what arrived of a set and what was done since to a new file, and its signature beside it.

    Raises InputError, RefusedError for a key that is weak or can be reached by others, UnfinishedError, DamagedError,
    LockedError.
    """
    from bundlekeeper.ledger.exchange import merge
    from bundlekeeper.media.receipt import write as receipt_write
    from bundlekeeper.media.set.remembered_sets import Sets
    from bundlekeeper.verification.signatures import sign as signing

    if request.out == "-":
        raise InputError(
            "a receipt is two files, but standard output is one", hint="--out FILE writes FILE and FILE.sig"
        )
    _insist_on_place(request.out)
    received, _, receipt = _composed(session, request)
    if not request.out or request.key is None:
        raise InputError("a receipt needs --out FILE and --key KEY", hint="for a printed receipt: --printed")
    private = signing.load_private_key(str(request.key), passphrase)

    def sign(sha512: str) -> bytes:
        return signing.sign_document(private, "receipts", {"sha512": sha512})

    receipt_write.write(Path(request.out), receipt, session.ledger, sign)
    Sets(session.store).receipt_written(received, receipt.made, receipt.count)
    return WrittenReceipt(receipt, _header(receipt), merge.span(receipt.after, receipt.count))


def make_printed(session: Session, request: ReceiptRequest, passphrase: Passphrase) -> PrintedReceipt:
    """Make a printed receipt, signed where a key is given; nothing is written. Raises as `write_receipt`."""
    from bundlekeeper.media.receipt import slip_of
    from bundlekeeper.media.receipt.slip import lines_of
    from bundlekeeper.media.receipt.typed_lines import grouped
    from bundlekeeper.verification.signatures import sign as signing

    _insist_on_place(request.out)
    _, index, receipt = _composed(session, request)
    sign = None
    if request.key is not None:
        sign = slip_of.sign_with(signing.load_private_key(str(request.key), passphrase))
    slip = slip_of.slip_of(receipt, index, sign)
    lines = lines_of(slip)
    typed = [grouped(number, line) for number, line in enumerate(lines, 1)]
    return PrintedReceipt(slip, receipt.name, lines, typed, "" if slip.signature else slip_of.UNSIGNED)


def read_receipt(session: Session, path: Path, signature: Path | None) -> ReadReceipt:
    """Verify, merge and keep a receipt's file. Raises as `media.receipt.read.read`."""
    from bundlekeeper.media.receipt.read import read

    answer = read(session.store, session.ledger, path, signature, now=session.now())
    return ReadReceipt(answer, _header(answer.receipt), session.ledger.head())


def read_printed(session: Session) -> PrintedAnswer:
    """Read the code of a printed receipt from stdin, and keep it. Raises as `media.receipt.slip_of.read`."""
    from bundlekeeper.media.receipt.slip_of import read

    store = session.store
    text = read_bounded("-", limits.PAPER_BYTES, "the code").decode("utf-8", "replace")
    if text.lstrip().startswith("{"):
        raise InputError("this is a receipt's file, not a typed code", hint="bundlekeeper receipt read FILE")
    if not session.ledger_is_there:
        return read(store, text, now=session.now())
    return read(store, text, now=session.now(), ledger=session.ledger)


def _header(receipt: Receipt) -> dict[str, Any]:
    from bundlekeeper.media.receipt.document import write_header

    header: dict[str, Any] = json.loads(write_header(receipt))
    return header


def _insist_on_place(out: str) -> None:
    from bundlekeeper.media.receipt.write import insist_on_place

    if out and out != "-":
        insist_on_place(out)


def _composed(session: Session, request: ReceiptRequest) -> tuple[ReceivedSet, SetIndex, Receipt]:
    from bundlekeeper.media.receipt import compose

    store, ledger = session.store, session.ledger
    received, index = compose.chosen(store, request.set_id)
    made = session.now()
    site = compose.site_of(ledger, request.site, index, made)
    reported_by = reporter(request.reported_by, session.config.reported_by)
    receipt = compose.compose(
        store, ledger, received, index, made=made, site=site, reported_by=reported_by, after=request.after
    )
    return received, index, receipt
