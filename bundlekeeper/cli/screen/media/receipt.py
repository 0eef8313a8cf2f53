"""What `receipt write` and `receipt read` print."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.formats.escape import counted, shell_word

if TYPE_CHECKING:
    from bundlekeeper.jobs.media.receipt import PrintedReceipt, ReadReceipt, WrittenReceipt
    from bundlekeeper.media.receipt.document import DomainSummary, Receipt
    from bundlekeeper.media.receipt.slip import DomainCount, Slip
    from bundlekeeper.media.receipt.slip_of import PrintedAnswer

_TIME = "%Y-%m-%d %H:%MZ"


def show_written(out: str, written: WrittenReceipt, *, form: OutputForm) -> int:
    """A receipt was written to the file `out`."""
    receipt = written.receipt
    if form is OutputForm.JSON:
        data = {"file": out, "signature": f"{out}.sig", "receipt": written.header}
        output.envelope("receipt-write", [], data)
        return 0
    _files(receipt)
    output.line(f"written: {out} and {out}.sig")
    output.line(f"  {written.events}, head {receipt.head[:16]}…")
    output.aside(f"next: bring both files back, then there: bundlekeeper receipt read {out}")
    return 0


def show_printed(printed: PrintedReceipt, out: str, *, form: OutputForm) -> int:
    """A printed receipt: its code, for a terminal or as the page `out`. Raises as `user_files.write_new`."""
    from bundlekeeper.cli.screen.user_files import write_new
    from bundlekeeper.reports import qr

    slip, code = printed.slip, "".join(printed.lines)
    facts = _facts(slip)
    if out:
        from bundlekeeper.reports.receipt_page import page

        facts.append(("signature", printed.doubt or "signed with an Ed25519 key"))
        write_new(out, page(f"Receipt of {printed.name} from {slip.site}", facts, printed.typed, code))
    if form is OutputForm.JSON:
        output.envelope("receipt-write", [], {"lines": printed.lines, "file": out or None, "slip": _slip_as_json(slip)})
        return 0
    if out:
        output.line(f"written: {out}")
        _doubt(printed)
        return 0
    for label, value in facts:
        output.line(f"{label}: {value}")
    output.line()
    output.block("\n".join(printed.typed))
    output.line()
    drawn = qr.terminal(code)
    output.block("\n".join(drawn) if drawn else "(the QR code is too wide for this terminal; --out FILE.html has it)")
    _doubt(printed)
    output.aside("next: bring it to the site that made the set, then there: bundlekeeper receipt read -")
    return 0


def _doubt(printed: PrintedReceipt) -> None:
    if printed.doubt:
        output.aside(f"note: {printed.doubt}; --key KEY adds a signature")


def show_typed(answer: PrintedAnswer, *, form: OutputForm) -> None:
    """A printed receipt that was typed or scanned."""
    slip = answer.slip
    if form is OutputForm.JSON:
        data = {
            "slip": _slip_as_json(slip),
            "signed_by": answer.signed_by or None,
            "known_set": answer.sent is not None,
            "missing": list(answer.missing),
            "new": answer.new,
            "kept": answer.kept,
            "newer": answer.newer.isoformat() if answer.newer else None,
        }
        output.envelope("receipt-read", answer.findings, data)
        return
    for label, value in _facts(slip):
        output.line(f"{label}: {value}")
    output.line(f"signed by: {answer.signed_by or 'nobody'}")
    output.findings_text(answer.findings)
    if not answer.kept:
        output.line("not kept: it contradicts what was sent")
    else:
        output.line("kept as a receipt" if answer.new else "it was read before: nothing changed")
    output.aside("next: record what that site did: bundlekeeper stage, activate; or ask for the receipt as a file")


def show_read(found: ReadReceipt, *, form: OutputForm) -> None:
    """A receipt that was read, and its events."""
    answer, head = found.answer, found.head
    receipt, merged = answer.receipt, answer.merged
    if form is OutputForm.JSON:
        data = {
            "receipt": found.header,
            "signed_by": answer.signed_by,
            "known_set": answer.sent is not None,
            "new": answer.new,
            "newer": answer.newer.isoformat() if answer.newer else None,
            "events": None if merged is None else {"new": merged.new, "known": merged.known},
            "batch": None if merged is None else merged.recorded.batch or None,
            "ledger": {"id": head.ledger, "events": head.count, "head": head.digest},
        }
        output.envelope("receipt-read", answer.findings, data)
        return
    output.line(
        f"receipt of {receipt.site}, {receipt.made.strftime(_TIME)}, reported by {receipt.reported_by}, "
        f"signed by {answer.signed_by}"
    )
    _files(receipt, " then" if answer.newer else "")
    for domain in receipt.domains:
        where = f"{domain.site}/{domain.domain}" if domain.domain else domain.site
        output.line(f"{where}: {_components(domain)}")
    for gone in receipt.withdrawn:
        output.line(f"in the store there, and withdrawn: {gone.family} {gone.version}: {gone.reason}")
    output.findings_text(answer.findings)
    if merged is not None:
        output.line(
            f"events: {merged.new} new, {merged.known} known before; their ledger {receipt.count}, ours {head.count}"
        )
        output.line(f"their head {receipt.head}")
    output.line(f"our head   {head.digest}")
    output.line("kept" if answer.new else "it was read before: nothing changed")
    if merged is not None:
        output.recorded_as(merged.recorded.batch_name)
    output.aside(f"next: bundlekeeper where {shell_word(receipt.site)}")


def _files(receipt: Receipt, then: str = "") -> None:
    total = len(receipt.arrived) + len(receipt.missing)
    output.line(f"set {receipt.name} ({receipt.set_id}) for {receipt.meant_for}")
    for how, count in receipt.stored.items():
        output.line(f"{count} of {counted(total, 'file')} {how}")
    for gone in receipt.not_in_store:
        output.line(
            f"not in the store there {then.strip() or 'now'}: {gone.path} (verified there {gone.at.strftime(_TIME)})"
        )
    for missing in receipt.missing:
        volumes = ", ".join(map(str, missing.volumes))
        output.line(f"missing{then}: {missing.path}{f' (volume {volumes})' if volumes else ''}")


def _facts(slip: Slip) -> list[tuple[str, str]]:
    facts = [
        ("set", f"{slip.set_id}, number {slip.sequence}, index {slip.index}…"),
        ("site", slip.site),
        ("made", slip.made.strftime(_TIME)),
        ("files", f"{slip.files - slip.missing_count} of {slip.files} arrived, verified at the destination"),
        ("ledger", f"{counted(slip.ledger_count, 'event')}, head {slip.head}…"),
    ]
    for count in slip.domains:
        facts.append((count.domain or "no domain", f"{_components(count)} from the ledger"))
    if slip.more_domains:
        facts.append(("more", f"{counted(slip.more_domains, 'domain')} did not fit"))
    return facts


def _components(row: DomainSummary | DomainCount) -> str:
    differ = "1 differs" if row.differs == 1 else f"{row.differs} differ"
    return f"{counted(row.components, 'component')}, {row.staged} with something staged, {differ}"


def _slip_as_json(slip: Slip) -> dict[str, Any]:
    return {
        "set": slip.set_id,
        "sequence": slip.sequence,
        "index": slip.index,
        "made": slip.made.isoformat(),
        "site": slip.site,
        "files": slip.files,
        "missing": None if slip.missing is None else list(slip.missing),
        "missing_count": slip.missing_count,
        "ledger": {"count": slip.ledger_count, "head": slip.head},
        "domains": [
            {
                "domain": count.domain,
                "components": count.components,
                "staged": count.staged,
                "differs": count.differs,
            }
            for count in slip.domains
        ],
        "more_domains": slip.more_domains,
        "signed": bool(slip.signature),
    }
