"""The answer to a set: composed, signed and written at the receiving side, and read where the set was made."""

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
    from bundlekeeper.media.receipt.slip_of import PaperAnswer
    from bundlekeeper.media.set.records import ReceivedSet
    from bundlekeeper.model.media.index import SetIndex
    from bundlekeeper.verification.signatures.sign import Passphrase


@dataclass(frozen=True, slots=True)
class ReceiptRequest:
    """What is to be written: to which file, by which key, about which set, for which site, reported by whom.

    Events after number `after` go with it.
    """

    out: str
    key: Path | None
    set_id: str = ""
    site: str = ""
    reported_by: str | None = None
    after: int = 0


@dataclass(frozen=True, slots=True)
class WrittenReceipt:
    """A receipt in its file: with `header`, its first line as JSON, and in words which events follow it."""

    receipt: Receipt
    header: Mapping[str, Any]
    events: str


@dataclass(frozen=True, slots=True)
class PaperReceipt:
    """The slip, the name of its set, its code in `lines` and as they are `typed`; `doubt` where nobody signed it."""

    slip: Slip
    name: str
    lines: list[str]
    typed: list[str]
    doubt: str


@dataclass(frozen=True, slots=True)
class ReadReceipt:
    """What a receipt said, its header, and the head of this store's ledger with its events in it."""

    answer: ReceiptAnswer
    header: Mapping[str, Any]
    head: Head


def write_receipt(session: Session, wanted: ReceiptRequest, passphrase: Passphrase) -> WrittenReceipt:
    """Write what arrived of a set and what was done since to a new file, and its signature beside it.

    Raises InputError, RefusedError for a key that is weak or can be reached by others, UnfinishedError, DamagedError,
    LockedError.
    """
    from bundlekeeper.ledger.exchange import merge
    from bundlekeeper.media.receipt import write as receipt_write
    from bundlekeeper.media.set.remembered_sets import Sets
    from bundlekeeper.verification.signatures import sign as signing

    if wanted.out == "-":
        raise InputError("a receipt is two files, standard output is one", hint="--out FILE makes FILE and FILE.sig")
    _insist_on_place(wanted.out)
    received, _, receipt = _composed(session, wanted)
    if not wanted.out or wanted.key is None:
        raise InputError("a receipt needs --out FILE and --key KEY", hint="or --printed, for a code to type")
    private = signing.load_private_key(str(wanted.key), passphrase)

    def sign(sha512: str) -> bytes:
        return signing.sign_document(private, "receipts", {"sha512": sha512})

    receipt_write.write(Path(wanted.out), receipt, session.ledger, sign)
    Sets(session.store).receipt_written(received, receipt.made, receipt.count)
    return WrittenReceipt(receipt, _header(receipt), merge.span(receipt.after, receipt.count))


def make_paper(session: Session, wanted: ReceiptRequest, passphrase: Passphrase) -> PaperReceipt:
    """The same as a slip for paper, signed where a key is given; nothing is written. Raises as `write_receipt`."""
    from bundlekeeper.media.receipt import slip_of
    from bundlekeeper.media.receipt.slip import lines_of
    from bundlekeeper.media.receipt.typed_lines import grouped
    from bundlekeeper.verification.signatures import sign as signing

    _insist_on_place(wanted.out)
    _, index, receipt = _composed(session, wanted)
    sign = None
    if wanted.key is not None:
        sign = slip_of.sign_with(signing.load_private_key(str(wanted.key), passphrase))
    slip = slip_of.slip_of(receipt, index, sign)
    lines = lines_of(slip)
    typed = [grouped(number, line) for number, line in enumerate(lines, 1)]
    return PaperReceipt(slip, receipt.name, lines, typed, "" if slip.signature else slip_of.UNSIGNED)


def read_receipt(session: Session, path: Path, signature: Path | None) -> ReadReceipt:
    """Verify, merge and keep a receipt's file. Raises as `media.receipt.read.read`."""
    from bundlekeeper.media.receipt.read import read

    answer = read(session.store, session.ledger, path, signature, now=session.now())
    return ReadReceipt(answer, _header(answer.receipt), session.ledger.head())


def read_paper(session: Session) -> PaperAnswer:
    """Read a typed code from stdin, and keep what it says. Raises as `media.receipt.slip_of.read`."""
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.media.receipt.slip_of import read

    store = session.store
    text = read_bounded("-", limits.PAPER_BYTES, "the code").decode("utf-8", "replace")
    if text.lstrip().startswith("{"):
        raise InputError("this is a receipt's file, not a typed code", hint="give it as --read FILE")
    if not session.ledger_is_there:
        return read(store, text, now=session.now())
    with Ledger.open(session.ledger_path, write=False) as ledger:  # a paper brings no events into it
        return read(store, text, now=session.now(), ledger=ledger)


def _header(receipt: Receipt) -> dict[str, Any]:
    from bundlekeeper.media.receipt.document import write_header

    header: dict[str, Any] = json.loads(write_header(receipt))
    return header


def _insist_on_place(out: str) -> None:
    from bundlekeeper.media.receipt.write import insist_on_place

    if out and out != "-":
        insist_on_place(out)


def _composed(session: Session, wanted: ReceiptRequest) -> tuple[ReceivedSet, SetIndex, Receipt]:
    from bundlekeeper.media.receipt import compose

    store, book = session.store, session.ledger
    received, index = compose.chosen(store, wanted.set_id)
    made = session.now()
    site = compose.site_of(book, wanted.site, index, made)
    by = reporter(wanted.reported_by)
    receipt = compose.compose(store, book, received, index, made=made, site=site, by=by, after=wanted.after)
    return received, index, receipt
