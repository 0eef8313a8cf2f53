"""The receipts that a store keeps, by what their first lines say: when, of whose, how much did not arrive.

Rules: of a file only the header is read, which is bounded; a paper that nobody signed is never taken for an answer, and
never hides one; a receipt about another index than the one that was sent says nothing about the set.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.media import paper
from bundlekeeper.media.paper_lines import LINE, MAX_LINES
from bundlekeeper.media.receipt import MAX_HEADER_BYTES, read_header
from bundlekeeper.model import strict_json
from bundlekeeper.model.json_reader import JsonReader

if TYPE_CHECKING:
    from bundlekeeper.media.sets import Sets

PAPER_SCHEMA = "bundlekeeper.paper-receipt/1"
_PAPER_KEYS = {"schema", "code", "signed_by"}


@dataclass(frozen=True, slots=True)
class Kept:
    """One kept receipt: of `files` of the set `away` did not arrive, or were not held there any more, when it was made.

    `book` is the ledger's id, "" on paper; `index` the SHA-256 of the set's index, on paper its beginning; a file is
    always signed, a paper on wish.
    """

    name: str
    set_id: str
    on_paper: bool
    signed: bool
    made: datetime
    site: str
    book: str
    index: str
    files: int
    away: int


def kept_of(sets: Sets, name: str) -> Kept:
    """What the kept receipt of this name says. Raises InputError when it can't be read as one, and as `Sets` does."""
    line = sets.receipt_head(name, MAX_HEADER_BYTES)
    if not line.startswith(b'{"code":'):
        receipt = read_header(line, name)
        total, away = len(receipt.arrived) + len(receipt.missing), len(receipt.missing) + len(receipt.not_held)
        made, site, book, index = receipt.made, receipt.site, receipt.book, receipt.index
        return Kept(name, receipt.set_id, False, True, made, site, book, index, total, away)
    reader = JsonReader("the paper", name)
    table = reader.table(strict_json.loads(line, name), "", _PAPER_KEYS)
    slip = paper.read(reader.text(table["code"], "/code", most=LINE * MAX_LINES))
    signed = bool(reader.text(table["signed_by"], "/signed_by", empty=True))
    away = slip.missing_count
    return Kept(name, slip.set_id, True, signed, slip.made, slip.site, "", slip.index, slip.files, away)


def kept(sets: Sets, names: Iterable[str]) -> tuple[list[Kept], list[str]]:
    """What these kept receipts say, newest first, and the names of those that can't be read. Raises as `Sets` does."""
    rows, unreadable = [], []
    for name in names:
        try:
            rows.append(kept_of(sets, name))
        except InputError:
            unreadable.append(name)
    return sorted(rows, key=lambda row: (row.made, row.name), reverse=True), unreadable


def answers(rows: Iterable[Kept], index: str) -> tuple[list[Kept], list[Kept]]:
    """Of the receipts about the index with this SHA-256, newest first: the newest signed one of each site and ledger,
    and the newest unsigned paper of each site that is newer than those."""
    signed: list[Kept] = []
    unsigned: list[Kept] = []
    seen: set[str] = set()
    for row in rows:
        if not index.startswith(row.index) or row.site in seen or (row.book and row.book in seen):
            continue
        if row.signed:
            seen |= {row.site, row.book} if row.book else {row.site}
            signed.append(row)
        elif row.site not in {each.site for each in unsigned}:
            unsigned.append(row)
    return signed, unsigned


def newer(sets: Sets, than: Kept) -> datetime | None:
    """When the newest signed receipt of the same set and ledger (for a paper: of the same site) was made; None where
    none that is kept is newer. Raises as `Sets` does."""
    rows, _ = kept(sets, sets.receipts().get(than.set_id, ()))
    for row in rows:
        same = row.site == than.site if than.on_paper else row.book == than.book
        about = row.index.startswith(than.index) or than.index.startswith(row.index)
        # A paper's time is cut to the minute: what is of the same minute is not newer.
        age_s = (row.made - than.made).total_seconds()
        if row.signed and same and about and age_s > 0 and (age_s >= 60 or not than.on_paper):
            return row.made
    return None


__all__ = ["PAPER_SCHEMA", "Kept", "answers", "kept", "kept_of", "newer"]
