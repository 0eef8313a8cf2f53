"""`bundlekeeper media list`: sets that went out and sets that came in, and which receipts came back."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

from bundlekeeper.cli import output
from bundlekeeper.cli.common import JsonOption, StoreOption, store_root
from bundlekeeper.cli.opening import open_store
from bundlekeeper.model.findings import exit_status
from bundlekeeper.model.media import name_of

if TYPE_CHECKING:
    from bundlekeeper.media.set_records import Received, Sent
    from bundlekeeper.model.findings import Finding

_TIME = "%Y-%m-%d %H:%MZ"


def show(store: StoreOption = None, json: JsonOption = False) -> int:
    """Sets sent and received, how far each came, and whether its receipt came back."""
    from bundlekeeper.media.sets import Sets

    with ExitStack() as stack:
        sets = Sets(open_store(store_root(store), stack, write=False))
        sent, received, receipts = sets.sent(), sets.received(), sets.receipts()
    found = [each for row in sent for each in _without_receipt(row, receipts)]
    if json:
        data = {
            "sent": [_sent_as_json(row, receipts) for row in sent],
            "received": [_received_as_json(row) for row in received],
        }
        output.envelope("media-list", found, data)
        return exit_status(found)
    if not sent and not received:
        output.line("no set was written or received here")
    for row in sent:
        output.block(_sent_says(row, receipts))
    for each in received:
        output.block(_received_says(each))
    output.findings_text(found)
    return exit_status(found)


def _without_receipt(row: Sent, receipts: dict[str, tuple[str, ...]]) -> list[Finding]:
    from bundlekeeper.model.findings import finding

    if row.set_id in receipts or not row.written:
        return []
    says = "no receipt came back: what arrived, and what was done there, is not known"
    return [finding("not-checked", name_of(row.platform, row.sequence), says, "bundlekeeper media receipt --read FILE")]


def _sent_says(row: Sent, receipts: dict[str, tuple[str, ...]]) -> str:
    came = len(receipts.get(row.set_id, ()))
    receipt = f"{came} receipt{'s' * (came != 1)}" if came else "no receipt"
    return (
        f"sent      {name_of(row.platform, row.sequence)}  {row.set_id}  {row.begun.strftime(_TIME)}\n"
        f"          {len(row.written)} of {row.volumes} written, {receipt}; {row.meant_for}"
    )


def _received_says(row: Received) -> str:
    state = f"whole since {row.completed.strftime(_TIME)}" if row.completed else f"{len(row.arrived)} files so far"
    by = f", signed by {row.signed_by}" if row.signed_by else ""
    return f"received  set {row.sequence}  {row.set_id}  {row.began.strftime(_TIME)}\n          {state}{by}"


def _sent_as_json(row: Sent, receipts: dict[str, tuple[str, ...]]) -> dict[str, Any]:
    return {
        "name": name_of(row.platform, row.sequence),
        "set": row.set_id,
        "sequence": row.sequence,
        "for": row.meant_for,
        "begun": row.begun.isoformat(),
        "volumes": row.volumes,
        "written": {str(n): at.isoformat() for n, at in sorted(row.written.items())},
        "receipts": list(receipts.get(row.set_id, ())),
    }


def _received_as_json(row: Received) -> dict[str, Any]:
    return {
        "set": row.set_id,
        "issuer": row.issuer,
        "sequence": row.sequence,
        "began": row.began.isoformat(),
        "signed_by": row.signed_by,
        "volumes": {str(n): at.isoformat() for n, at in sorted(row.volumes.items())},
        "files": len(row.arrived),
        "completed": row.completed.isoformat() if row.completed else None,
    }
