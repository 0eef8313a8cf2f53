"""Reads a receipt where its set was made: verified, merged, compared with what was sent, and kept.

Rules: the bytes that are merged are the bytes whose signature was verified, although they are read twice; a receipt
that was read before changes nothing; what a receipt states about files is compared with the index that this store sent;
the newest receipt of a set and a ledger decides what is missing, in whatever order they are read.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError, UnfinishedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats import limits
from bundlekeeper.ledger.exchange import merge as exchange
from bundlekeeper.media.receipt import kept as kept_receipts
from bundlekeeper.media.receipt.compose import check_site
from bundlekeeper.media.receipt.document import Receipt, read_header
from bundlekeeper.media.receipt.kept import KeptReceipt
from bundlekeeper.media.set import signer as vouch
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.media.set.signed_index import index_or_finding
from bundlekeeper.store.disk import files
from bundlekeeper.verification.hashing.door import digest_fd

if TYPE_CHECKING:
    from bundlekeeper.ledger.exchange.merge import Merged
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.media.set.records import Sent
    from bundlekeeper.store.contents.store import Store

_ALGORITHMS = ("sha256", "sha384", "sha512", "blake2b")


@dataclass(frozen=True, slots=True)
class ReceiptAnswer:
    """What reading a receipt gave: `merged` is None where it has no events, `new` False where it was read before;
    `sent` is the set as this store knows it, None where it sent none with that id; `newer` is the time of a newer
    receipt of the same set and ledger that was read before."""

    receipt: Receipt
    signed_by: str
    merged: Merged | None
    sent: Sent | None
    new: bool
    findings: tuple[Finding, ...]
    newer: datetime | None = None


def read(store: Store, ledger: Ledger, path: Path, signature: Path | None, *, now: datetime) -> ReceiptAnswer:
    """Verify a receipt's signature, merge its events and keep it. `signature` is the file beside it unless named.

    Raises RefusedError for a signature that is missing or not trusted (nothing is merged then), InputError for what is
    no receipt, UnfinishedError when it can't be read; as `merge.merge` otherwise.
    """
    with files.wrapped("the receipt cannot be read", str(path)):
        fd = _open(path)
        try:
            return _read_open(store, ledger, fd, path, signature or path.with_name(path.name + ".sig"), now)
        finally:
            os.close(fd)


def _read_open(store: Store, ledger: Ledger, fd: int, path: Path, beside: Path, now: datetime) -> ReceiptAnswer:
    where = str(path)
    if os.fstat(fd).st_size > limits.RECEIPT_BYTES:
        raise InputError(f"the receipt is larger than {limits.RECEIPT_BYTES} bytes", where=where)
    digest = digest_fd(fd, algorithms=_ALGORITHMS)
    header = next(_lines(fd, where, limits.RECEIPT_HEADER_BYTES), b"")
    receipt = read_header(header, where)
    signed = _signature(beside)
    signer = vouch.require_trusted(
        store, digest.hexes, signed, purpose="receipts", made=receipt.made, now=now, where=where
    )
    merged = None
    if receipt.events:
        merged = exchange.merge(ledger, _events(fd, where, digest.sha256, receipt), now, where=where)
    sets = Sets(store)
    about = receipt.set_id, False, True, receipt.made, receipt.site, receipt.ledger, receipt.index, 0, 0, receipt.count
    made = KeptReceipt("", *about)
    newer = kept_receipts.newer(sets, made, now)
    new = sets.keep_receipt(receipt.set_id, digest.sha256, _pieces(fd, digest.sha256, where), signed)
    sent = next((sent for sent in sets.sent() if sent.set_id == receipt.set_id), None)
    found = [
        *check_date(made, now),
        *_compared(sets, sent, receipt),
        *unless_newer(receipt.name, newer, _missing(receipt)),
    ]
    found += check_site(ledger, sent.meant_for, receipt.site, now) if sent is not None else []
    found += merged.findings(receipt.site) if merged is not None else []
    return ReceiptAnswer(receipt, signer.name, merged, sent, new, tuple(found), newer)


def _open(path: Path) -> int:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    except FileNotFoundError as error:
        raise InputError("the receipt is not there", where=str(path), hint="check the path") from error
    import stat

    if not stat.S_ISREG(os.fstat(fd).st_mode):
        os.close(fd)
        raise InputError("the receipt is not a regular file", where=str(path))
    return fd


def _signature(path: Path) -> bytes:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    except FileNotFoundError as error:
        raise RefusedError(
            "the receipt has no signature",
            where=str(path),
            hint="put it beside the receipt, or name it: --signature FILE",
        ) from error
    try:
        data = os.read(fd, 1 << 16)
    finally:
        os.close(fd)
    return data


def _lines(fd: int, where: str, limit: int) -> Iterator[bytes]:
    """The lines of the file from its beginning, each no longer than `limit` bytes."""
    os.lseek(fd, 0, os.SEEK_SET)
    with os.fdopen(os.dup(fd), "rb", buffering=1 << 20) as stream:
        while line := stream.readline(limit + 1):
            if len(line) > limit:
                raise InputError(f"a line of more than {limit} bytes", where=where)
            yield line


def _events(fd: int, where: str, sha256: str, receipt: Receipt) -> Iterator[bytes]:
    """The lines after the header; raises at their end, before anything is merged, when the file is not the one that was
    verified or its events are not those of the header."""
    digest = hashlib.sha256()
    lines = _lines(fd, where, max(limits.RECEIPT_HEADER_BYTES, limits.LEDGER_LINE_BYTES))
    digest.update(next(lines, b""))
    first = line = next(lines, b"")
    digest.update(first)
    yield first
    for line in lines:
        digest.update(line)
        yield line
    ends = exchange.end_line(receipt.head, receipt.count)
    if line != ends or f'"{receipt.ledger}"'.encode() not in first:
        raise InputError("the events do not end at the head that the receipt states; nothing was merged", where=where)
    if digest.hexdigest() != sha256:
        raise InputError("the receipt changed while it was read; nothing was merged", where=where, hint="read it again")


def _pieces(fd: int, sha256: str, where: str) -> Iterator[bytes]:
    digest = hashlib.sha256()
    os.lseek(fd, 0, os.SEEK_SET)
    while piece := os.read(fd, 1 << 20):
        digest.update(piece)
        yield piece
    if digest.hexdigest() != sha256:
        raise UnfinishedError("the receipt changed while it was read; it was not kept", where=where)


def _compared(sets: Sets, sent: Sent | None, receipt: Receipt) -> Iterator[Finding]:
    """Compare what the receipt states about files with the index that was sent."""
    subject = receipt.name
    if sent is None:
        message = f"this store sent no set {receipt.set_id}; the receipt's events were merged all the same"
        yield finding("not-checked", subject, message, "read it at the site that wrote the set", Level.NOTE)
        return
    kept, problems = index_or_finding(sets, sent, subject)
    yield from problems
    if problems:
        return
    if kept is None or hashlib.sha256(kept.data).hexdigest() != receipt.index:
        message = "the receipt is about another index than the one that was sent with this set id"
        yield finding("altered", subject, message, "ask the site which volumes they have")
        return
    stated = {arrived.path: arrived.sha256 for arrived in receipt.arrived} | {
        missing.path: missing.sha256 for missing in receipt.missing
    }
    for file in kept.index.files:
        if stated.get(file.path) != file.sha256:
            message = "the receipt has another SHA-256 for this file than the index, or none"
            yield finding("altered", file.path, message, "ask the site to write the receipt again")


def check_date(made: KeptReceipt, now: datetime) -> Iterator[Finding]:
    """A finding where a receipt is dated later than now."""
    if made.ahead(now):
        message = (
            f"the receipt is dated {made.made:%Y-%m-%d}, this machine's clock says {now:%Y-%m-%d}: it does not count"
        )
        yield finding(
            "clock-doubtful", made.site, message, "set the clock that is wrong; if it is theirs, ask for a new receipt"
        )


def unless_newer(subject: str, newer: datetime | None, missing: Iterable[Finding]) -> Iterator[Finding]:
    """The findings about missing files; as notes where a newer receipt, which counts instead, was read before."""
    if newer is None:
        yield from missing
        return
    message = f"a newer receipt, of {newer:%Y-%m-%d %H:%MZ}, was read before: this one shows an earlier state"
    yield finding("not-checked", subject, message, "see the newest one: bundlekeeper media list", Level.NOTE)
    yield from (replace(finding_, level=Level.NOTE, hint="") for finding_ in missing)


def _missing(receipt: Receipt) -> Iterator[Finding]:
    for missing in receipt.missing:
        where = f"volume {', '.join(map(str, missing.volumes))}" if missing.volumes else "the set"
        yield finding("missing", missing.path, f"did not arrive at {receipt.site}: it is on {where}", "send it again")
    for gone in receipt.not_in_store:
        message = f"arrived at {receipt.site} on {gone.at:%Y-%m-%d}, but is not in the store there now"
        yield finding("not-in-store", gone.path, message, "send it again, or ask the site to add it again")
