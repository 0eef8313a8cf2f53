"""Writing a receipt at the receiving side, and reading it where the set was made.

Rules: both files, the receipt and its signature, are new and whole or not there, on file systems without links too; the
bytes that are merged are the bytes whose signature was verified, although they are read twice; a receipt that was read
before changes nothing; what a receipt says of files is held against the index that this store sent.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError, RefusedError, UnfinishedError
from bundlekeeper.ledger import exchange, questions
from bundlekeeper.ledger.answers import Selector
from bundlekeeper.media import vouch
from bundlekeeper.media.notice import Withdrawn
from bundlekeeper.media.receipt import MAX_HEADER_BYTES, MAX_RECEIPT_BYTES, Receipt, Stands, read_header, receipt_of
from bundlekeeper.media.receipt import write_header as header_of
from bundlekeeper.media.sets import Sets
from bundlekeeper.model.findings import Finding, Level, finding
from bundlekeeper.model.media import SetIndex, read_index
from bundlekeeper.model.text import counted
from bundlekeeper.proof.digests import digest_fd
from bundlekeeper.store import files

if TYPE_CHECKING:
    from bundlekeeper.ledger.book import Book
    from bundlekeeper.ledger.exchange import Merged
    from bundlekeeper.media.set_records import Received, Sent
    from bundlekeeper.store.layout import Store

_ALGORITHMS = ("sha256", "sha384", "sha512", "blake2b")
_NO_LINKS = {errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}


@dataclass(frozen=True, slots=True)
class Answer:
    """What reading a receipt gave: `merged` is None where it carried no events, `new` False where it was read before;
    `sent` is the set as this store knows it, None where it sent none of that id."""

    receipt: Receipt
    signed_by: str
    merged: Merged | None
    sent: Sent | None
    new: bool
    findings: tuple[Finding, ...]


# At the receiving side


def chosen(store: Store, set_id: str) -> tuple[Received, SetIndex]:
    """The received set of this id or the beginning of one, or the one that began last for none, with its index.

    Raises InputError when there is none or several are meant.
    """
    sets = Sets(store)
    rows = [each for each in sets.received() if each.set_id.startswith(set_id)]
    if not rows:
        says = f"no set {set_id} came here" if set_id else "no set came here yet"
        raise InputError(says, hint="bundlekeeper media list shows what came")
    if set_id and len(rows) > 1:
        raise InputError(f"{len(rows)} sets begin with {set_id}", hint="give the whole id")
    received = max(rows, key=lambda each: (each.began, each.sequence))
    kept = sets.received_index(received)
    if kept is None or hashlib.sha256(kept[0]).hexdigest() != received.index:
        raise InputError("the set's index is not kept here", hint="receive any volume of it again")
    return received, read_index(kept[0], where=received.set_id)


def site_of(book: Book, option: str, index: SetIndex, clock: datetime) -> str:
    """The site that answers: the one given, the only one recorded, or the one that the set is for.

    Raises InputError where that leaves a choice.
    """
    if option:
        return option
    places = {group.values for group in questions.summary(book, ["site", "domain"], clock=clock)}
    sites = sorted({site for site, _ in places if site})
    if len(sites) == 1:
        return sites[0]
    words = index.meant_for.split()  # such as "site skerry to release 6.1"
    meant = {site for site, domain in places if site and (site in words or domain in words)}
    if len(meant) == 1:
        return meant.pop()
    if not sites:
        return words[1] if words[:1] == ["site"] and len(words) > 1 else index.meant_for
    raise InputError(f"{len(sites)} sites are recorded here: {', '.join(sites[:5])}", hint="name one with --site")


def standing_of(book: Book, clock: datetime) -> tuple[Stands, ...]:
    """How each domain stands now: parts, those with something pending, those that differ from their record."""
    found: dict[tuple[str, str], list[int]] = {}
    for group in questions.summary(book, ["site", "domain", "pending"], Selector(), clock=clock):
        site, domain, pending = group.values
        row = found.setdefault((site or "", domain or ""), [0, 0, 0])
        row[0] += group.count
        row[1] += group.count if pending else 0
        row[2] += group.differs
    return tuple(Stands(site, domain, *row) for (site, domain), row in sorted(found.items()))


def compose(
    store: Store, book: Book, received: Received, index: SetIndex, *, made: datetime, site: str, by: str, after: int
) -> Receipt:
    """The receipt of a set, by what is recorded now; events after number `after` are to follow it."""
    head = book.head()
    if not 0 <= after <= head.count:
        raise InputError(f"this ledger has {counted(head.count, 'event')}, none after {after}")
    manifest, withdrawn = _in_force(store)
    events: dict[str, Any] = {"book": head.book, "count": head.count, "head": head.digest, "after": after}
    return receipt_of(
        index,
        received,
        made=made,
        site=site,
        by=by,
        manifest=manifest,
        withdrawn=withdrawn,
        standing=standing_of(book, made),
        events=True,
        **events,
    )


def _in_force(store: Store) -> tuple[tuple[int, str] | None, tuple[Withdrawn, ...]]:
    """Sequence and SHA-256 of the manifest that the store accepted last, and what it holds of withdrawn bundles."""
    if not store.catalogue_path.exists():
        return None, ()
    with store.catalogue(write=False) as catalogue:
        accepted, held = catalogue.accepted(), catalogue.held()
    rows = (Withdrawn(r.family, r.version, r.name, r.sha256, r.why) for r in held if r.standing == "withdrawn")
    return (accepted[-1].sequence, accepted[-1].sha256) if accepted else None, tuple(rows)


def write(out: Path, receipt: Receipt, book: Book, sign: Callable[[str], bytes]) -> None:
    """Write the receipt to the new file `out`, with its events, and its signature to `out`.sig.

    `sign` makes the signature of a SHA-512 in hexadecimal. Raises InputError when the file is there already,
    UnfinishedError when it can't be written.
    """
    beside = out.with_name(out.name + ".sig")
    if os.path.lexists(out):
        raise InputError("the file is there already", where=str(out), hint="name a new one")
    temp, temp_sig = (each.with_name(f".{each.name}.{os.urandom(6).hex()}") for each in (out, beside))
    with files.wrapped("the receipt cannot be written", str(out)):
        try:
            sha512 = _put(temp, chain([header_of(receipt)], _exported(book, receipt)))
            _put(temp_sig, [sign(sha512)])
            with suppress(FileNotFoundError):
                beside.unlink()  # of a run that was killed before its receipt had a name
            _name(temp_sig, beside)
            try:
                _name(temp, out)
            except FileExistsError as error:
                raise InputError("the file is there already", where=str(out), hint="name a new one") from error
        finally:
            for each in (temp, temp_sig):
                with suppress(FileNotFoundError):
                    each.unlink()
        _sync(out.parent)


def _exported(book: Book, receipt: Receipt) -> Iterator[bytes]:
    """The events' lines. Raises UnfinishedError when they don't end at the head that the receipt states."""
    line = b""
    for line in exchange.export(book, receipt.after):
        yield line
    if line != exchange.end_line(receipt.head, receipt.count):
        raise UnfinishedError("something was recorded while the receipt was written", hint="run the command again")


def _put(path: Path, pieces: Iterable[bytes]) -> str:
    """Write a new file durably; returns its SHA-512."""
    digest = hashlib.sha512()
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
    try:
        for piece in pieces:
            digest.update(piece)
            files.write_all(fd, piece)
        os.fsync(fd)
    finally:
        os.close(fd)
    return digest.hexdigest()


def _name(temp: Path, path: Path) -> None:
    """Give a file its name, which must be free; by a rename where there are no links, as on FAT."""
    try:
        os.link(temp, path)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from error
        temp.rename(path)


def _sync(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        with suppress(OSError):  # some file systems of programs know no fsync of a folder
            os.fsync(fd)
    finally:
        os.close(fd)


# Where the set was made


def read(store: Store, book: Book, path: Path, signature: Path | None, *, now: datetime) -> Answer:
    """Verify a receipt's signature, merge its events and keep it. `signature` is beside it unless named.

    Raises RefusedError for a signature that is missing or not trusted (nothing is merged then), InputError for what is
    no receipt, UnfinishedError when it can't be read; as `exchange.merge` otherwise.
    """
    with files.wrapped("the receipt cannot be read", str(path)):
        fd = _open(path)
        try:
            return _read_open(store, book, fd, path, signature or path.with_name(path.name + ".sig"), now)
        finally:
            os.close(fd)


def _read_open(store: Store, book: Book, fd: int, path: Path, beside: Path, now: datetime) -> Answer:
    where = str(path)
    if os.fstat(fd).st_size > MAX_RECEIPT_BYTES:
        raise InputError(f"the receipt is larger than {MAX_RECEIPT_BYTES} bytes", where=where)
    digest = digest_fd(fd, algorithms=_ALGORITHMS)
    header = next(_lines(fd, where, MAX_HEADER_BYTES), b"")
    receipt = read_header(header, where)
    signed = _signature(beside)
    signer = vouch.insist(store, digest.hexes, signed, purpose="receipts", made=receipt.made, now=now, where=where)
    merged = None
    if receipt.events:
        merged = exchange.merge(book, _events(fd, where, digest.sha256, receipt), now, where=where)
    sets = Sets(store)
    new = sets.keep_receipt(receipt.set_id, digest.sha256, _pieces(fd, digest.sha256, where), signed)
    sent = next((each for each in sets.sent() if each.set_id == receipt.set_id), None)
    found = [*_against(sets, sent, receipt), *_told(receipt, merged)]
    return Answer(receipt, signer.name, merged, sent, new, tuple(found))


def _open(path: Path) -> int:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    except FileNotFoundError as error:
        raise InputError("the receipt is not there", where=str(path), hint="check the path") from error
    import stat

    if not stat.S_ISREG(os.fstat(fd).st_mode):
        os.close(fd)
        raise InputError("the receipt is no regular file", where=str(path))
    return fd


def _signature(path: Path) -> bytes:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    except FileNotFoundError as error:
        raise RefusedError(
            "the receipt carries no signature", where=str(path), hint="bring it beside the receipt, or --signature FILE"
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
    verified or the header speaks of other events."""
    digest = hashlib.sha256()
    lines = _lines(fd, where, max(MAX_HEADER_BYTES, exchange.MAX_LINE_BYTES))
    digest.update(next(lines, b""))
    first = line = next(lines, b"")
    digest.update(first)
    yield first
    for line in lines:
        digest.update(line)
        yield line
    ends = exchange.end_line(receipt.head, receipt.count)
    if line != ends or f'"{receipt.book}"'.encode() not in first:
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


def _against(sets: Sets, sent: Sent | None, receipt: Receipt) -> Iterator[Finding]:
    """The receipt's word on files, held against the index that was sent."""
    subject = receipt.name
    if sent is None:
        says = f"this store sent no set {receipt.set_id}; its events count all the same"
        yield finding("not-checked", subject, says, "read it where the set was written", Level.NOTE)
        return
    kept = sets.sent_index(sent)
    if kept is None or hashlib.sha256(kept[0]).hexdigest() != receipt.index:
        says = "the receipt is about a set with another index than the one that was sent under this id"
        yield finding("altered", subject, says, "ask the site which volumes they have")
        return
    index = read_index(kept[0])
    told = {a.path: a.sha256 for a in receipt.arrived} | {m.path: m.sha256 for m in receipt.missing}
    for each in index.files:
        if told.get(each.path) != each.sha256:
            says = "the receipt does not say of this file what the index says"
            yield finding("altered", each.path, says, "ask the site to write the receipt again")


def _told(receipt: Receipt, merged: Merged | None) -> Iterator[Finding]:
    for each in receipt.missing:
        where = f"volume {', '.join(map(str, each.volumes))}" if each.volumes else "the set"
        yield finding("missing", each.path, f"did not arrive at {receipt.site}: it is on {where}", "send it again")
    if merged is not None:
        yield from merged.findings(receipt.site)


__all__ = ["Answer", "chosen", "compose", "read", "site_of", "standing_of", "write"]
