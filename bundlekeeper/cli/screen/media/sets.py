"""The sets that were sent and those that were received, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.formats.escape import counted
from bundlekeeper.model.media.index import name_of

if TYPE_CHECKING:
    from bundlekeeper.jobs.media.list_sets import SetList, SetReceipts
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
        output.block(_sent_text(sent))
    for received in found.received:
        output.block(_received_text(received))
    for kept in found.unsent:
        output.block(f"receipt   of a set that was not sent here  {kept.set_id}\n          {_kept_text(kept)}")
    output.findings_text(found.findings)


def _sent_text(row: SetReceipts) -> str:
    sent = row.sent
    receipts = counted(len(row.names), "receipt") if row.names else "no receipt"
    lines = [
        f"sent      {name_of(sent.platform, sent.sequence)}  {sent.set_id}  {sent.begun.strftime(_TIME)}",
        f"          {len(sent.written)} of {sent.volumes} written, {receipts}; {sent.meant_for}",
        *(f"          {_kept_text(receipt)}" for receipt in row.newest),
    ]
    return "\n".join(lines)


def _kept_text(kept: KeptReceipt) -> str:
    form = "receipt"
    if kept.is_printed:
        form = "signed printed receipt" if kept.signed else "unsigned printed receipt"
    there = f"{kept.files - kept.missing} of {counted(kept.files, 'file')} there"
    return f"{form} of {kept.made.strftime(_TIME)} from {kept.site}: {there}"


def _received_text(row: ReceivedSet) -> str:
    files = counted(len(row.arrived), "file")
    state = f"complete {row.completed.strftime(_TIME)}" if row.completed else f"{files} so far"
    by = f", signed by {row.signed_by}" if row.signed_by else ""
    older = f"\n          an older set, allowed for this reason: {row.rollback}" if row.rollback else ""
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
        "newest_receipts": [_kept_as_json(receipt) for receipt in row.newest],
    }


def _kept_as_json(kept: KeptReceipt) -> dict[str, Any]:
    return {
        "receipt": kept.name,
        "form": "printed" if kept.is_printed else "file",
        "signed": kept.signed,
        "site": kept.site,
        "made": kept.made.isoformat(),
        "files": kept.files,
        "missing": kept.missing,
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
