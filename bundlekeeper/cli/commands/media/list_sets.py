"""`bundlekeeper media list`: sets that went out and sets that came in, and what the receipts that came back say."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.options import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.screen import output
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.open import open_store
from bundlekeeper.model.media.index import name_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bundlekeeper.findings import Finding
    from bundlekeeper.media.receipt.kept import KeptReceipt
    from bundlekeeper.media.set.records import ReceivedSet, Sent
    from bundlekeeper.media.set.remembered_sets import Sets

_TIME = "%Y-%m-%d %H:%MZ"


@dataclass(frozen=True, slots=True)
class _Answered:
    """A sent set and its receipts: all names, the newest signed ones, unsigned papers that are newer."""

    sent: Sent
    names: tuple[str, ...]
    signed: list[KeptReceipt]
    unsigned: list[KeptReceipt]
    unreadable: list[str]
    ahead: list[KeptReceipt]
    troubles: tuple[Finding, ...]


def show(store: StoreOption = None, json: JsonOption = False) -> int:
    """Sets sent and received, how far each came, and what is missing by the receipts that came back."""
    from bundlekeeper.media.receipt import kept as kept_receipts
    from bundlekeeper.media.set.remembered_sets import Sets

    with ExitStack() as stack:
        sets = Sets(open_store(store_root(store), stack, write=False))
        received, receipts = sets.received(), sets.receipts()
        sent = [_answered(sets, row, receipts.pop(row.set_id, ())) for row in sets.sent()]
        unsent, unreadable = kept_receipts.kept(sets, [name for names in receipts.values() for name in names])
    found = [each for row in sent for each in _findings(row)]
    found += _unreadable([*(name for row in sent for name in row.unreadable), *unreadable])
    if json:
        data = {
            "sent": [_sent_as_json(row) for row in sent],
            "received": [_received_as_json(row) for row in received],
            "unsent": [{"set": row.set_id, **_kept_as_json(row)} for row in unsent],
        }
        output.envelope("media-list", found, data)
        return exit_status(found)
    if not sent and not received and not unsent:
        output.line("no set was written or received here")
    for each in sent:
        output.block(_sent_says(each))
    for row in received:
        output.block(_received_says(row))
    for kept in unsent:
        output.block(f"receipt   of a set that was not sent here  {kept.set_id}\n          {_kept_says(kept)}")
    output.findings_text(found)
    return exit_status(found)


def _answered(sets: Sets, sent: Sent, names: tuple[str, ...]) -> _Answered:
    import hashlib

    from bundlekeeper.media.receipt import kept as kept_receipts
    from bundlekeeper.media.set.signed_index import told_index

    rows, unreadable = kept_receipts.kept(sets, names)
    index, troubles = told_index(sets, sent, name_of(sent.platform, sent.sequence)) if rows else (None, ())
    sha256 = hashlib.sha256(index.data).hexdigest() if index is not None else ""
    clock = now()
    answers = kept_receipts.answers(rows, sha256, clock)
    return _Answered(sent, names, *answers, unreadable, [row for row in rows if row.ahead(clock)], troubles)


def _findings(row: _Answered) -> Iterator[Finding]:
    from bundlekeeper.findings import Level, finding

    name = name_of(row.sent.platform, row.sent.sequence)
    for each in (*row.signed, *row.unsigned):
        if each.away:
            by = "an unsigned paper" if not each.signed else "the paper" if each.on_paper else "the receipt"
            says = (
                f"{each.away} of {counted(each.files, 'file')} did not arrive at {each.site}, or "
                f"{'is' if each.away == 1 else 'are'} not held there, by {by} of {each.made.strftime(_TIME)}"
            )
            yield finding("missing", name, says, "send again what it names; a newer receipt tells when it is there")
    for each in row.unsigned:
        says = f"a paper of {each.made.strftime(_TIME)} from {each.site} is not signed: nobody vouches for what it says"
        yield finding("unsigned", name, says, "ask by telephone, or for a signed one", Level.NOTE)
    yield from row.troubles
    for each in row.ahead:
        says = f"a receipt from {each.site} is dated {each.made.strftime(_TIME)}, beyond this machine's clock"
        yield finding("clock-doubtful", name, says, "set the clock that is wrong, and have it written again")
    books: dict[str, set[str]] = {}
    for each in row.signed:
        books.setdefault(each.site, set()).update({each.book} - {""})
    for site in sorted(site for site, ids in books.items() if len(ids) > 1):
        says = f"{len(books[site])} ledgers answered for {site}: each is told, and one of them may be another site's"
        yield finding("not-checked", name, says, "ask the site which store is theirs")
    if row.sent.written and not (row.signed or row.unsigned or row.troubles):
        says = "no receipt came back: what arrived, and what was done there, is not known"
        if row.names:
            says = "no receipt came back that is about what was sent: what arrived is not known"
        yield finding("not-checked", name, says, "bundlekeeper media receipt --read FILE")


def _unreadable(names: list[str]) -> Iterator[Finding]:
    from bundlekeeper.findings import finding

    for name in names:
        says = "this kept receipt cannot be read: what it says is not counted"
        hint = f"remove .keeper/sets/receipts/{name} and read the receipt again, from where it came"
        yield finding("unreadable", name, says, hint)


def _sent_says(row: _Answered) -> str:
    sent = row.sent
    receipt = counted(len(row.names), "receipt") if row.names else "no receipt"
    lines = [
        f"sent      {name_of(sent.platform, sent.sequence)}  {sent.set_id}  {sent.begun.strftime(_TIME)}",
        f"          {len(sent.written)} of {sent.volumes} written, {receipt}; {sent.meant_for}",
        *(f"          {_kept_says(each)}" for each in (*row.signed, *row.unsigned)),
    ]
    return "\n".join(lines)


def _kept_says(kept: KeptReceipt) -> str:
    sort = "receipt" if not kept.on_paper else "signed paper" if kept.signed else "unsigned paper"
    there = f"{kept.files - kept.away} of {counted(kept.files, 'file')} there"
    return f"{sort} of {kept.made.strftime(_TIME)} from {kept.site}: {there}"


def _received_says(row: ReceivedSet) -> str:
    files = counted(len(row.arrived), "file")
    state = f"came whole {row.completed.strftime(_TIME)}" if row.completed else f"{files} so far"
    by = f", signed by {row.signed_by}" if row.signed_by else ""
    older = f"\n          an older set, let in because: {row.rollback}" if row.rollback else ""
    return f"received  set {row.sequence}  {row.set_id}  {row.began.strftime(_TIME)}\n          {state}{by}{older}"


def _sent_as_json(row: _Answered) -> dict[str, Any]:
    sent = row.sent
    return {
        "name": name_of(sent.platform, sent.sequence),
        "set": sent.set_id,
        "sequence": sent.sequence,
        "for": sent.meant_for,
        "begun": sent.begun.isoformat(),
        "volumes": sent.volumes,
        "written": {str(n): at.isoformat() for n, at in sorted(sent.written.items())},
        "receipts": list(row.names),
        "answers": [_kept_as_json(each) for each in (*row.signed, *row.unsigned)],
    }


def _kept_as_json(kept: KeptReceipt) -> dict[str, Any]:
    return {
        "receipt": kept.name,
        "form": "paper" if kept.on_paper else "file",
        "signed": kept.signed,
        "site": kept.site,
        "made": kept.made.isoformat(),
        "files": kept.files,
        "missing": kept.away,
    }


def _received_as_json(row: ReceivedSet) -> dict[str, Any]:
    return {
        "set": row.set_id,
        "issuer": row.issuer,
        "sequence": row.sequence,
        "began": row.began.isoformat(),
        "signed_by": row.signed_by,
        "volumes": {str(n): at.isoformat() for n, at in sorted(row.volumes.items())},
        "files": len(row.arrived),
        "completed": row.completed.isoformat() if row.completed else None,
        "rollback": row.rollback or None,
    }
