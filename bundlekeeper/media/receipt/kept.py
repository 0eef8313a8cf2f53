"""The receipts that a store keeps, by what their first lines say: when, of whose, how much did not arrive.

Rules: of a file only the header is read, which is bounded; a paper that nobody signed is never taken for an answer, and
never hides one; a receipt about another index than the one that was sent says nothing about the set.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import JsonDocument, text
from bundlekeeper.formats.moments import AHEAD
from bundlekeeper.media.receipt import slip as paper
from bundlekeeper.media.receipt.document import read_header
from bundlekeeper.media.receipt.typed_lines import LINE, MAX_LINES

if TYPE_CHECKING:
    from bundlekeeper.media.set.remembered_sets import Sets

_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class KeptPaper:
    """A receipt on paper as it is kept: its lines, joined, and who signed it, "" for nobody."""

    code: str = field(metadata=text(most=LINE * MAX_LINES))
    signed_by: str = field(metadata=text(empty=True))


PAPER = JsonDocument(
    KeptPaper,
    "bundlekeeper.paper-receipt/1",
    what="the paper",
    kind="receipt on paper",
    limit=limits.PAPER_BYTES,
)


@dataclass(frozen=True, slots=True)
class KeptReceipt:
    """One kept receipt: of `files` of the set `away` did not arrive, or were not held there any more, when it was made.

    `book` is the ledger's id, "" on paper, and `count` how many events it had; `index` the SHA-256 of the set's index,
    on paper its beginning; a file is always signed, a paper on wish.
    """

    name: str
    set_id: str
    on_paper: bool
    signed: bool
    made: datetime
    site: str
    ledger: str
    index: str
    files: int
    away: int
    count: int = 0

    def ahead(self, now: datetime) -> bool:
        """True when it is dated beyond the time now: a clock is wrong, and its date says nothing of what is newer."""
        return self.made > now + AHEAD

    def after(self, other: KeptReceipt) -> bool:
        """True when it was made after the other: of one ledger by its events first, which no clock can change."""
        if self.ledger and self.ledger == other.ledger and self.count != other.count:
            return self.count > other.count
        return self.made > other.made


def kept_of(sets: Sets, name: str) -> KeptReceipt:
    """What the kept receipt of this name says. Raises InputError when it can't be read as one, and as `Sets` does."""
    line = sets.receipt_head(name, limits.RECEIPT_HEADER_BYTES)
    if not line.startswith(b'{"code":'):
        receipt = read_header(line, name)
        total, away = len(receipt.arrived) + len(receipt.missing), len(receipt.missing) + len(receipt.not_in_store)
        made, site, ledger, index = receipt.made, receipt.site, receipt.ledger, receipt.index
        return KeptReceipt(name, receipt.set_id, False, True, made, site, ledger, index, total, away, receipt.count)
    typed = PAPER.read(line, name)
    slip, signed = paper.read(typed.code), bool(typed.signed_by)
    away = slip.missing_count
    about = slip.set_id, True, signed, slip.made, slip.site, "", slip.index, slip.files, away, slip.ledger_count
    return KeptReceipt(name, *about)


def kept(sets: Sets, names: Iterable[str]) -> tuple[list[KeptReceipt], list[str]]:
    """What these kept receipts say, newest first, and the names of those that can't be read. Raises as `Sets` does."""
    rows, unreadable = [], []
    for name in names:
        try:
            rows.append(kept_of(sets, name))
        except InputError:
            unreadable.append(name)
    return sorted(rows, key=lambda row: (row.made, row.name), reverse=True), unreadable


def answers(rows: Iterable[KeptReceipt], index: str, now: datetime) -> tuple[list[KeptReceipt], list[KeptReceipt]]:
    """Of the receipts about the index with this SHA-256 the newest file of each ledger, the newest signed paper of each
    site that is newer than its files, and the newest unsigned paper of each site that is newer than all of those.

    What is dated beyond the time now is no answer.
    """
    about = [receipt for receipt in rows if index.startswith(receipt.index) and index and not receipt.ahead(now)]
    files: dict[str, KeptReceipt] = {}
    for row in about:
        if not row.on_paper and (row.ledger not in files or row.after(files[row.ledger])):
            files[row.ledger] = row
    signed = list(files.values())
    signed += _papers(about, signed, signed_ones=True)
    return signed, _papers(about, signed, signed_ones=False)


def _papers(rows: Iterable[KeptReceipt], than: Iterable[KeptReceipt], *, signed_ones: bool) -> list[KeptReceipt]:
    """The newest paper of each site that is newer than what is known from there; `rows` are newest first."""
    known: dict[str, datetime] = {}
    for receipt in than:
        known[receipt.site] = max(receipt.made, known.get(receipt.site, receipt.made))
    newest: dict[str, KeptReceipt] = {}
    for row in rows:
        if row.on_paper and row.signed is signed_ones and (row.site not in known or row.made > known[row.site]):
            newest.setdefault(row.site, row)
    return list(newest.values())


def newer(sets: Sets, than: KeptReceipt, now: datetime) -> datetime | None:
    """When the newest signed receipt of the same set and ledger (for a paper: of the same site) was made; None where
    none that is kept is newer. One that is dated beyond the time now is newer than nothing. Raises as `Sets` does."""
    rows, _ = kept(sets, sets.receipts().get(than.set_id, ()))
    for receipt in rows:
        same = receipt.site == than.site if than.on_paper else receipt.ledger == than.ledger
        about = receipt.index.startswith(than.index) or than.index.startswith(receipt.index)
        # A paper's time is cut to the minute: what is of the same minute is not newer.
        later = receipt.made - than.made >= _MINUTE if than.on_paper else receipt.after(than)
        if receipt.signed and same and about and later and not receipt.ahead(now):
            return receipt.made
    return None
