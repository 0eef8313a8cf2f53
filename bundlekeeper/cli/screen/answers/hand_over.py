"""A plan's calendar or ticket that was written, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import tally

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.hand_over import HandedOver


def show(handed: HandedOver, schema: str, *, out: str, force: bool, form: OutputForm) -> None:
    """Write the text to the file `out`, and print which that is. Raises InputError, UnfinishedError."""
    from bundlekeeper.cli.screen.user_files import CALENDAR, TICKET, written_new

    written = written_new(out, handed.text, force=force, kind=CALENDAR if schema == "plan-calendar" else TICKET)
    if form is OutputForm.JSON:
        output.envelope(schema, handed.findings, {**handed.about, "written": written})
        return
    if out != "-":
        output.line(f"written: {written['file']}")
        output.line(f"sha256: {written['sha256']}")
    if counts := tally(handed.findings):
        output.aside(f"the plan has {counts}: bundlekeeper report --runbook --plan FILE has all of them")
