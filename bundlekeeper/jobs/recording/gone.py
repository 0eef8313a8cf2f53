"""Since when a component is gone, and the warning where something is recorded of it after that."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import some

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.ledger.record.ledger import Ledger


def gone_since(ledger: Ledger, component: str) -> str:
    """When it was last recorded as gone, to the second; "?" where no entry of its own says so.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.ledger.ask.where import history
    from bundlekeeper.ledger.event.events import EventKind

    gone = [e.event for e in history(ledger, component) if e.event.what is EventKind.GONE and not e.void]
    return re.sub(r"\.[0-9]+", "", gone[-1].at.text()) if gone else "?"


def back_again(ledger: Ledger, answers: Sequence[WhereAnswer]) -> list[Finding]:
    """One warning for the components that were gone and of which something new was recorded."""
    if not answers:
        return []
    first = answers[0].component
    others = f", {len(answers) - 1} others like it" if len(answers) > 1 else ""
    message = f"{first} was removed on {gone_since(ledger, first)}{others}: is it back, and where?"
    hint = "bundlekeeper inventory load records where it is; bundlekeeper ledger undo --last takes this back"
    return [finding("was-removed", some([answer.component for answer in answers], 3), message, hint)]
