"""The sets that went out and those that came in, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.formats.escape import counted
from bundlekeeper.model.media.index import name_of

if TYPE_CHECKING:
    from bundlekeeper.jobs.media.list_sets import SetReceipts, SetList
    from bundlekeeper.media.receipt.kept import KeptReceipt
    from bundlekeeper.media.set.records import ReceivedSet

_TIME = "%Y-%m-%d %H:%MZ"


def show_json(found: SetList) -> None:
    """One JSON object on stdout."""
    data = {
        "sent": [_sent_as_json(row) for row in found.sent],
        "received": [_received_as_json(received) for received in found.received],
        "unsent": [{"set": receipt.set_id, **_kept_as_json(receipt)} for receipt in found.unsent],
    }
    output.envelope("media-list", found.findings, data)


def show_text(found: SetList) -> None:
    """A few lines for each set, then the findings."""
    if not found.sent and not found.received and not found.unsent:
        output.line("no set was written or received here")
    for sent in found.sent:
        output.block(_sent_says(sent))
    for received in found.received:
        output.block(_received_says(received))
    for kept in found.unsent:
        output.block(f"receipt   of a set that was not sent here  {kept.set_id}\n          {_kept_says(kept)}")
    output.findings_text(found.findings)


def _sent_says(row: SetReceipts) -> str:
    sent = row.sent
    receipt = counted(len(row.names), "receipt") if row.names else "no receipt"
    lines = [
        f"sent      {name_of(sent.platform, sent.sequence)}  {sent.set_id}  {sent.begun.strftime(_TIME)}",
        f"          {len(sent.written)} of {sent.volumes} written, {receipt}; {sent.meant_for}",
        *(f"          {_kept_says(each)}" for each in row.answers),
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


def _sent_as_json(row: SetReceipts) -> dict[str, Any]:
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
        "answers": [_kept_as_json(receipt) for receipt in row.answers],
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
