"""What somebody else recorded otherwise, of the same component, while a command was at work: a warning for each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, finding

if TYPE_CHECKING:
    from bundlekeeper.ledger.event.events import Event
    from bundlekeeper.ledger.record.ledger import Recorded

_DIGITS = 12  # of an entry's id: `ledger undo` takes eight or more


def otherwise(recorded: Recorded | None) -> list[Finding]:
    """The findings about a recording; none where nothing was recorded."""
    return [_finding(pair.first, pair.second) for pair in (recorded.contradictions if recorded is not None else ())]


def _finding(first: Event, second: Event) -> Finding:
    entry = first.id()[:_DIGITS]
    message = (
        f"{first.reported_by} recorded {_said(first)} as entry {entry} while this command was at work, which recorded "
        f"{_said(second)} as entry {second.id()[:_DIGITS]}; both are kept"
    )
    hint = f"find out which is true, and take back the other one: bundlekeeper ledger undo {entry}"
    return finding("recorded-otherwise", first.component, message, hint)


def _said(event: Event) -> str:
    seen = event.seen
    words = {
        "active": seen.active, "staged": seen.staged, "pending": seen.pending, "spare": seen.spare,
    }  # fmt: skip
    readings = ", ".join(f"{bank} {version or 'none'}" for bank, version in words.items() if version is not None)
    return f"{event.what.value} {event.version or readings}".rstrip()
