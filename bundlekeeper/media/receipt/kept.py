"""The receipts that a store keeps, by their headers: when they were made, by which site, how much did not arrive.

Rules: of a file only the header is read, up to a limit; an unsigned printed receipt never replaces a signed one; a
receipt about another index than the one that was sent does not count for the set.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import JsonDocument, text
from bundlekeeper.formats.moments import AHEAD
from bundlekeeper.frozen import dataclass
from bundlekeeper.media.receipt import slip as slips
from bundlekeeper.media.receipt.document import read_header
from bundlekeeper.media.receipt.typed_lines import LINE, MAX_LINES

if TYPE_CHECKING:
    from bundlekeeper.media.set.remembered_sets import Sets

_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class KeptPrinted:
    """A printed receipt as it is kept: its lines, joined, and who signed it, "" for nobody."""

    code: str = field(metadata=text(most=LINE * MAX_LINES))
    signed_by: str = field(metadata=text(empty=True))


PRINTED = JsonDocument(
    KeptPrinted,
    "bundlekeeper.printed-receipt/1",
    what="the printed receipt",
    kind="printed receipt",
    limit=limits.PAPER_BYTES,
)


@dataclass(frozen=True, slots=True)
class KeptReceipt:
    """One kept receipt: of `files` of the set, `missing` did not arrive or were not in the store there when it was
    made.

    `ledger` is the ledger's id, "" for a printed one, and `count` its number of events; `index` is the SHA-256 of the
    set's index, for a printed one its beginning; a file is always signed, a printed one only with a key.
    """

    name: str
    set_id: str
    is_printed: bool
    signed: bool
    made: datetime
    site: str
    ledger: str
    index: str
    files: int
    missing: int
    count: int = 0

    def ahead(self, now: datetime) -> bool:
        """True when its date is later than now: a clock is wrong, and its date does not show whether it is newer."""
        return self.made > now + AHEAD

    def after(self, other: KeptReceipt) -> bool:
        """True when it was made after the other: for one ledger, the number of events decides before any clock."""
        if self.ledger and self.ledger == other.ledger and self.count != other.count:
            return self.count > other.count
        return self.made > other.made


def kept_of(sets: Sets, name: str) -> KeptReceipt:
    """The kept receipt of this name. Raises InputError when it cannot be read as one, and as `Sets` does."""
    line = sets.receipt_head(name, limits.RECEIPT_HEADER_BYTES)
    if not line.startswith(b'{"code":'):
        receipt = read_header(line, name)
        total, missing = len(receipt.arrived) + len(receipt.missing), len(receipt.missing) + len(receipt.not_in_store)
        made, site, ledger, index = receipt.made, receipt.site, receipt.ledger, receipt.index
        return KeptReceipt(name, receipt.set_id, False, True, made, site, ledger, index, total, missing, receipt.count)
    typed = PRINTED.read(line, name)
    slip, signed = slips.read(typed.code), bool(typed.signed_by)
    missing = slip.missing_count
    about = slip.set_id, True, signed, slip.made, slip.site, "", slip.index, slip.files, missing, slip.ledger_count
    return KeptReceipt(name, *about)


def kept(sets: Sets, names: Iterable[str]) -> tuple[list[KeptReceipt], list[str]]:
    """These kept receipts, newest first, and the names of those that cannot be read. Raises as `Sets` does."""
    rows, unreadable = [], []
    for name in names:
        try:
            rows.append(kept_of(sets, name))
        except InputError:
            unreadable.append(name)
    return sorted(rows, key=lambda row: (row.made, row.name), reverse=True), unreadable


def newest_receipts(
    rows: Iterable[KeptReceipt], index: str, now: datetime
) -> tuple[list[KeptReceipt], list[KeptReceipt]]:
    """The newest receipts about the index with this SHA-256: signed ones, and unsigned ones that are newer still.

    The signed ones are the newest file of each ledger, and the newest signed printed one of each site that is newer
    than its files; the unsigned ones are the newest of each site that is newer than all of those. A receipt that is
    dated later than now does not count.
    """
    about = [receipt for receipt in rows if index.startswith(receipt.index) and index and not receipt.ahead(now)]
    files: dict[str, KeptReceipt] = {}
    for row in about:
        if not row.is_printed and (row.ledger not in files or row.after(files[row.ledger])):
            files[row.ledger] = row
    signed = list(files.values())
    signed += _printed(about, signed, signed_ones=True)
    return signed, _printed(about, signed, signed_ones=False)


def _printed(rows: Iterable[KeptReceipt], than: Iterable[KeptReceipt], *, signed_ones: bool) -> list[KeptReceipt]:
    """The newest printed receipt of each site that is newer than its others; `rows` are newest first."""
    known: dict[str, datetime] = {}
    for receipt in than:
        known[receipt.site] = max(receipt.made, known.get(receipt.site, receipt.made))
    newest: dict[str, KeptReceipt] = {}
    for row in rows:
        if row.is_printed and row.signed is signed_ones and (row.site not in known or row.made > known[row.site]):
            newest.setdefault(row.site, row)
    return list(newest.values())


def newer(sets: Sets, than: KeptReceipt, now: datetime) -> datetime | None:
    """When the newest signed receipt of the same set and ledger (for a printed one: of the same site) was made; None
    where no kept one is newer. A receipt that is dated later than now is never the newer one. Raises as `Sets` does."""
    rows, _ = kept(sets, sets.receipts().get(than.set_id, ()))
    for receipt in rows:
        same = receipt.site == than.site if than.is_printed else receipt.ledger == than.ledger
        about = receipt.index.startswith(than.index) or than.index.startswith(receipt.index)
        # A printed receipt's time is cut to the minute: one of the same minute is not newer.
        later = receipt.made - than.made >= _MINUTE if than.is_printed else receipt.after(than)
        if receipt.signed and same and about and later and not receipt.ahead(now):
            return receipt.made
    return None
