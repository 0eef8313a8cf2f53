"""What of the media sets needs attention: those that went out and came to nothing that is known here."""

from __future__ import annotations

from collections.abc import Iterator

from bundlekeeper.jobs.attention.items import Concern, Matter
from bundlekeeper.jobs.session import Session

_COMMAND = "bundlekeeper media list"
_SETS = {
    "receipt-missing": Matter("media set without a receipt", "media sets without a receipt", _COMMAND),
    "missing": Matter("media set that did not arrive whole", "media sets that did not arrive whole", _COMMAND),
}
_OTHER = Matter("problem with a receipt", "problems with receipts", _COMMAND)


def concerns(session: Session) -> Iterator[Concern]:
    """What the sets and receipts have. Raises as `list_sets`."""
    from bundlekeeper.jobs.media.list_sets import list_sets

    if not (session.root / ".keeper" / "sets").is_dir():
        return
    found = list_sets(session)
    written = {name: max(row.sent.written.values()).date() for name, row in found.by_name.items() if row.sent.written}
    for problem in found.findings:
        yield Concern(problem, _SETS.get(problem.code, _OTHER), written.get(problem.subject))
