"""The sets that went out and those that were received, with what the receipts that came back state."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.media.index import name_of

if TYPE_CHECKING:
    from bundlekeeper.media.receipt.kept import KeptReceipt
    from bundlekeeper.media.set.records import ReceivedSet, Sent
    from bundlekeeper.media.set.remembered_sets import Sets

_TIME = "%Y-%m-%d %H:%MZ"


@dataclass(frozen=True, slots=True)
class SetReceipts:
    """A sent set and its receipts: all names, the newest signed ones, and unsigned printed ones that are newer."""

    sent: Sent
    names: tuple[str, ...]
    signed: list[KeptReceipt]
    unsigned: list[KeptReceipt]
    unreadable: list[str]
    ahead: list[KeptReceipt]
    problems: tuple[Finding, ...]

    @property
    def newest(self) -> list[KeptReceipt]:
        """The receipts that show the state of the set."""
        return [*self.signed, *self.unsigned]


@dataclass(frozen=True, slots=True)
class SetList:
    """Sets sent and received, and the receipts (`unsent`) of sets that were not sent here."""

    sent: list[SetReceipts]
    received: tuple[ReceivedSet, ...]
    unsent: list[KeptReceipt]
    findings: list[Finding]

    @property
    def by_name(self) -> dict[str, SetReceipts]:
        """The sets that were sent, by the name that people call them."""
        return {name_of(row.sent.platform, row.sent.sequence): row for row in self.sent}


def list_sets(session: Session) -> SetList:
    """Every set that the store has a record of, with its receipts. Raises as `Session.store` and `Sets` do."""
    from bundlekeeper.media.receipt import kept as kept_receipts
    from bundlekeeper.media.set.remembered_sets import Sets

    sets = Sets(session.store)
    received, receipts = sets.received(), sets.receipts()
    sent = [_with_receipts(sets, row, receipts.pop(row.set_id, ()), session.now()) for row in sets.sent()]
    unsent, unreadable = kept_receipts.kept(sets, [name for names in receipts.values() for name in names])
    found = [finding_ for row in sent for finding_ in _findings(row)]
    found += _unreadable([*(name for row in sent for name in row.unreadable), *unreadable])
    return SetList(sent, received, unsent, session.judged(found))


def _with_receipts(sets: Sets, sent: Sent, names: tuple[str, ...], now: datetime) -> SetReceipts:
    from bundlekeeper.media.receipt import kept as kept_receipts
    from bundlekeeper.media.set.signed_index import index_or_finding

    rows, unreadable = kept_receipts.kept(sets, names)
    index, problems = index_or_finding(sets, sent, name_of(sent.platform, sent.sequence)) if rows else (None, ())
    sha256 = hashlib.sha256(index.data).hexdigest() if index is not None else ""
    newest = kept_receipts.newest_receipts(rows, sha256, now)
    return SetReceipts(sent, names, *newest, unreadable, [receipt for receipt in rows if receipt.ahead(now)], problems)


def _findings(row: SetReceipts) -> Iterator[Finding]:
    name = name_of(row.sent.platform, row.sent.sequence)
    for receipt in row.newest:
        if receipt.missing:
            by = (
                "an unsigned printed receipt"
                if not receipt.signed
                else "the printed receipt"
                if receipt.is_printed
                else "the receipt"
            )
            made = receipt.made.strftime(_TIME)
            message = (
                f"{receipt.missing} of {counted(receipt.files, 'file')} did not arrive at {receipt.site}, or "
                f"{'is' if receipt.missing == 1 else 'are'} not in the store there: {by} of {made}"
            )
            yield finding("missing", name, message, "send again what it names, and ask for a new receipt")
    for receipt in row.unsigned:
        printed = f"the printed receipt of {receipt.made.strftime(_TIME)} from {receipt.site}"
        message = f"{printed} is not signed: it does not show who wrote it"
        yield finding("unsigned", name, message, "confirm it by telephone, or ask for a signed one", Level.NOTE)
    yield from row.problems
    for receipt in row.ahead:
        message = (
            f"a receipt from {receipt.site} is dated {receipt.made.strftime(_TIME)}, later than this machine's clock"
        )
        yield finding(
            "clock-doubtful", name, message, "set the clock that is wrong; if it is theirs, ask for a new receipt"
        )
    ledgers: dict[str, set[str]] = {}
    for receipt in row.signed:
        ledgers.setdefault(receipt.site, set()).update({receipt.ledger} - {""})
    for site in sorted(site for site, ids in ledgers.items() if len(ids) > 1):
        message = f"receipts of {len(ledgers[site])} ledgers came from {site}: one of them may be another site's"
        yield finding("not-checked", name, message, "ask the site which store is theirs")
    if row.sent.written and not (row.signed or row.unsigned or row.problems):
        message = "no receipt came back: what arrived, and what was done there, is not known"
        if row.names:
            message = "no receipt came back about what was sent: what arrived is not known"
        yield finding("receipt-missing", name, message, "bundlekeeper receipt read FILE")


def _unreadable(names: list[str]) -> Iterator[Finding]:
    for name in names:
        message = "this kept receipt cannot be read: it does not count"
        hint = f"remove .keeper/sets/receipts/{name} and read the receipt again: bundlekeeper receipt read FILE"
        yield finding("unreadable", name, message, hint)
