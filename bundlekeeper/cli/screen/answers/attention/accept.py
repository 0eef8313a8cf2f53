"""What was accepted, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm

if TYPE_CHECKING:
    from bundlekeeper.jobs.attention.accept import Accepted


def show(done: Accepted, form: OutputForm) -> None:
    """The answer in the form that was asked for."""
    entry = done.entry
    if form is OutputForm.JSON:
        data = {
            "accepted": {
                "code": entry.code,
                "subject": entry.subject,
                "reason": entry.reason,
                "reported_by": entry.reported_by,
                "on": entry.on.isoformat(),
                "until": entry.until.isoformat(),
            },
            "replaced": done.replaced,
            "path": done.path,
        }
        output.envelope("accept", [], data)
        return
    output.line(f"accepted: {entry.code}: {entry.subject}: {entry.text()}")
    output.line(f"{'changed' if done.replaced else 'written'} in {done.path}")
