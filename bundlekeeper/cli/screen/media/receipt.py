"""What `media receipt` prints: what was written, what a paper holds, what a receipt said."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.ledger.event.chain import Head
    from bundlekeeper.media.receipt.document import Receipt, Stands
    from bundlekeeper.media.receipt.read import ReceiptAnswer
    from bundlekeeper.media.receipt.slip import DomainCount, Slip
    from bundlekeeper.media.receipt.slip_of import PaperAnswer

_TIME = "%Y-%m-%d %H:%MZ"


def tell_written(out: str, made: Receipt, *, json: bool) -> int:
    """A receipt was written."""
    from bundlekeeper.ledger.exchange import merge as exchange

    if json:
        output.envelope("media-receipt", [], {"file": out, "signature": f"{out}.sig", "receipt": receipt_json(made)})
        return 0
    _files(made)
    output.line(f"written: {out} and {out}.sig")
    output.line(f"  {exchange.span(made.after, made.count)}, head {made.head[:16]}…")
    output.aside(f"next: carry both back, and there: bundlekeeper media receipt --read {out}")
    return 0


def tell_paper(slip: Slip, name: str, out: str, *, json: bool) -> int:
    """The code of a slip, for a terminal or as a page."""
    from bundlekeeper.cli.screen.user_files import write_new
    from bundlekeeper.media.receipt import slip as paper
    from bundlekeeper.media.receipt.slip_of import UNSIGNED
    from bundlekeeper.media.receipt.typed_lines import grouped
    from bundlekeeper.reports import qr

    lines = paper.lines_of(slip)
    typed = [grouped(number, line) for number, line in enumerate(lines, 1)]
    facts = _facts(slip)
    if out:
        from bundlekeeper.reports.receipt_page import page

        signature = "signed, by an Ed25519 key" if slip.signature else UNSIGNED
        facts.append(("signature", signature))
        write_new(out, page(f"Receipt of {name} from {slip.site}", facts, typed, "".join(lines)))
    if json:
        output.envelope("media-receipt", [], {"lines": lines, "file": out or None, "slip": slip_json(slip)})
        return 0
    if out:
        output.line(f"written: {out}")
        _unsigned(slip)
        return 0
    for label, value in facts:
        output.line(f"{label}: {value}")
    output.line()
    output.block("\n".join(typed))
    output.line()
    drawn = qr.terminal("".join(lines))
    output.block("\n".join(drawn) if drawn else "(the QR code is too wide for this terminal: --out FILE.html draws it)")
    _unsigned(slip)
    output.aside("next: where the set was made: bundlekeeper media receipt --read -")
    return 0


def _unsigned(slip: Slip) -> None:
    from bundlekeeper.media.receipt.slip_of import UNSIGNED

    if not slip.signature:
        output.aside(f"note: {UNSIGNED}; --key KEY adds a signature")


def tell_typed(answer: PaperAnswer, *, json: bool) -> None:
    """What a typed or scanned paper said."""
    slip = answer.slip
    if json:
        data = {
            "slip": slip_json(slip),
            "signed_by": answer.signed_by or None,
            "known_set": answer.sent is not None,
            "missing": list(answer.missing),
            "new": answer.new,
            "kept": answer.kept,
            "newer": answer.newer.isoformat() if answer.newer else None,
        }
        output.envelope("media-receipt", answer.findings, data)
        return
    for label, value in _facts(slip):
        output.line(f"{label}: {value}")
    output.line(f"signed by: {answer.signed_by or 'nobody'}")
    output.findings_text(answer.findings)
    if not answer.kept:
        output.line("not kept: it contradicts what was sent")
    else:
        output.line("kept as a receipt" if answer.new else "read before: nothing changed")
    output.aside("next: what was done there comes as a file, or is recorded by hand: bundlekeeper stage, activate")


def tell_read(answer: ReceiptAnswer, head: Head, *, json: bool) -> None:
    """What a receipt said, and what became of its events."""
    receipt, merged = answer.receipt, answer.merged
    if json:
        data = {
            "receipt": receipt_json(receipt),
            "signed_by": answer.signed_by,
            "known_set": answer.sent is not None,
            "new": answer.new,
            "newer": answer.newer.isoformat() if answer.newer else None,
            "events": None if merged is None else {"new": merged.new, "known": merged.known},
            "ledger": {"book": head.book, "events": head.count, "head": head.digest},
        }
        output.envelope("media-receipt", answer.findings, data)
        return
    output.line(
        f"receipt of {receipt.site}, {receipt.made.strftime(_TIME)}, by {receipt.by}; {answer.signed_by} signed"
    )
    _files(receipt, " then" if answer.newer else "")
    for each in receipt.standing:
        where = f"{each.site}/{each.domain}" if each.domain else each.site
        output.line(f"{where}: {_stands(each)}")
    for gone in receipt.withdrawn:
        output.line(f"withdrawn, and known there: {gone.family} {gone.version}: {gone.why}")
    output.findings_text(answer.findings)
    if merged is not None:
        output.line(f"events: {merged.new} new, {merged.known} known before; theirs {receipt.count}, ours {head.count}")
        output.line(f"their head {receipt.head}")
    output.line(f"our head   {head.digest}")
    output.line("kept" if answer.new else "read before: nothing changed")
    output.aside(f"next: bundlekeeper where {receipt.site}")


def _files(receipt: Receipt, then: str = "") -> None:
    from collections import Counter

    from bundlekeeper.media.receipt.document import NOT_HELD

    total = len(receipt.arrived) + len(receipt.missing)
    output.line(f"set {receipt.name} ({receipt.set_id}) for {receipt.meant_for}")
    for how, count in Counter(each.how for each in receipt.arrived if each.how != NOT_HELD).items():
        output.line(f"{count} of {counted(total, 'file')} {how}")
    for gone in receipt.not_held:
        output.line(f"not held there {then.strip() or 'now'}: {gone.path} (proven there {gone.at.strftime(_TIME)})")
    for each in receipt.missing:
        volumes = ", ".join(map(str, each.volumes))
        output.line(f"missing{then}: {each.path}{f' (volume {volumes})' if volumes else ''}")


def _facts(slip: Slip) -> list[tuple[str, str]]:
    rows = [
        ("set", f"{slip.set_id}, number {slip.sequence}, index {slip.index}…"),
        ("site", slip.site),
        ("made", slip.made.strftime(_TIME)),
        ("files", f"{slip.files - slip.missing_count} of {slip.files} arrived, proven at the destination"),
        ("ledger", f"{counted(slip.ledger_count, 'event')}, head {slip.head}…"),
    ]
    for each in slip.domains:
        rows.append((each.domain or "no domain", f"{_stands(each)} from the record"))
    if slip.more_domains:
        rows.append(("more", f"{counted(slip.more_domains, 'domain')} did not fit"))
    return rows


def _stands(row: Stands | DomainCount) -> str:
    differ = "1 differs" if row.differs == 1 else f"{row.differs} differ"
    return f"{counted(row.parts, 'part')}, {row.staged} with something pending, {differ}"


def slip_json(slip: Slip) -> dict[str, Any]:
    """A slip as the JSON envelope carries it."""
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
            {"domain": d.domain, "parts": d.parts, "staged": d.staged, "differs": d.differs} for d in slip.domains
        ],
        "more_domains": slip.more_domains,
        "signed": bool(slip.signature),
    }


def receipt_json(receipt: Receipt) -> dict[str, Any]:
    """A receipt's header as the JSON envelope carries it."""
    import json

    from bundlekeeper.media.receipt.document import write_header

    found: dict[str, Any] = json.loads(write_header(receipt))
    return found
