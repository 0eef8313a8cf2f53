"""The sets that went out and those that came in, and what the receipts that came back say."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.media.index import name_of

if TYPE_CHECKING:
    from bundlekeeper.media.receipt.kept import KeptReceipt
    from bundlekeeper.media.set.records import ReceivedSet, Sent
    from bundlekeeper.media.set.remembered_sets import Sets

_TIME = "%Y-%m-%d %H:%MZ"


@dataclass(frozen=True, slots=True)
class SetReceipts:
    """A sent set and its receipts: all names, the newest signed ones, unsigned papers that are newer."""

    sent: Sent
    names: tuple[str, ...]
    signed: list[KeptReceipt]
    unsigned: list[KeptReceipt]
    unreadable: list[str]
    ahead: list[KeptReceipt]
    troubles: tuple[Finding, ...]

    @property
    def answers(self) -> list[KeptReceipt]:
        """The receipts that say how the set stands."""
        return [*self.signed, *self.unsigned]


@dataclass(frozen=True, slots=True)
class SetList:
    """Sets sent and received, and the receipts (`unsent`) of sets that were not sent here."""

    sent: list[SetReceipts]
    received: tuple[ReceivedSet, ...]
    unsent: list[KeptReceipt]
    findings: list[Finding]


def list_sets(session: Session) -> SetList:
    """Every set that the store remembers, with what is known of it. Raises as `Session.store` and `Sets` do."""
    from bundlekeeper.media.receipt import kept as kept_receipts
    from bundlekeeper.media.set.remembered_sets import Sets

    sets = Sets(session.store)
    received, receipts = sets.received(), sets.receipts()
    sent = [_answered(sets, row, receipts.pop(row.set_id, ()), session.now()) for row in sets.sent()]
    unsent, unreadable = kept_receipts.kept(sets, [name for names in receipts.values() for name in names])
    found = [said for row in sent for said in _findings(row)]
    found += _unreadable([*(name for row in sent for name in row.unreadable), *unreadable])
    return SetList(sent, received, unsent, found)


def _answered(sets: Sets, sent: Sent, names: tuple[str, ...], now: datetime) -> SetReceipts:
    from bundlekeeper.media.receipt import kept as kept_receipts
    from bundlekeeper.media.set.signed_index import index_or_finding

    rows, unreadable = kept_receipts.kept(sets, names)
    index, troubles = index_or_finding(sets, sent, name_of(sent.platform, sent.sequence)) if rows else (None, ())
    sha256 = hashlib.sha256(index.data).hexdigest() if index is not None else ""
    answers = kept_receipts.answers(rows, sha256, now)
    return SetReceipts(sent, names, *answers, unreadable, [receipt for receipt in rows if receipt.ahead(now)], troubles)


def _findings(row: SetReceipts) -> Iterator[Finding]:
    name = name_of(row.sent.platform, row.sent.sequence)
    for receipt in row.answers:
        if receipt.away:
            by = "an unsigned paper" if not receipt.signed else "the paper" if receipt.on_paper else "the receipt"
            message = (
                f"{receipt.away} of {counted(receipt.files, 'file')} did not arrive at {receipt.site}, or "
                f"{'is' if receipt.away == 1 else 'are'} not held there, by {by} of {receipt.made.strftime(_TIME)}"
            )
            yield finding("missing", name, message, "send again what it names; a newer receipt tells when it is there")
    for receipt in row.unsigned:
        paper = f"a paper of {receipt.made.strftime(_TIME)} from {receipt.site}"
        message = f"{paper} is not signed: nobody vouches for what it says"
        yield finding("unsigned", name, message, "ask by telephone, or for a signed one", Level.NOTE)
    yield from row.troubles
    for receipt in row.ahead:
        message = f"a receipt from {receipt.site} is dated {receipt.made.strftime(_TIME)}, beyond this machine's clock"
        yield finding("clock-doubtful", name, message, "set the clock that is wrong, and have it written again")
    ledgers: dict[str, set[str]] = {}
    for receipt in row.signed:
        ledgers.setdefault(receipt.site, set()).update({receipt.ledger} - {""})
    for site in sorted(site for site, ids in ledgers.items() if len(ids) > 1):
        message = (
            f"{len(ledgers[site])} ledgers answered for {site}: each is reported, and one of them may be another site's"
        )
        yield finding("not-checked", name, message, "ask the site which store is theirs")
    if row.sent.written and not (row.signed or row.unsigned or row.troubles):
        message = "no receipt came back: what arrived, and what was done there, is not known"
        if row.names:
            message = "no receipt came back that is about what was sent: what arrived is not known"
        yield finding("not-checked", name, message, "bundlekeeper receipt read FILE")


def _unreadable(names: list[str]) -> Iterator[Finding]:
    for name in names:
        message = "this kept receipt cannot be read: what it says is not counted"
        hint = f"remove .keeper/sets/receipts/{name} and read the receipt again, from where it came"
        yield finding("unreadable", name, message, hint)
