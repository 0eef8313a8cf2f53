"""A page, a calendar or a ticket that was written, or why there is none, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import tally
from bundlekeeper.formats.escape import counted

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.hand_over import HandedOver
    from bundlekeeper.jobs.planning.report import NoRunbook, ReportPage


def show(found: ReportPage, *, out: str, force: bool, form: OutputForm) -> None:
    """Write the page to the file `out`, and print which that is. Raises InputError, UnfinishedError."""
    from bundlekeeper.cli.screen.user_files import PAGE, written_new

    written = written_new(out, found.page, force=force, kind=PAGE)
    if form is OutputForm.JSON:
        output.envelope("report", found.findings, {**found.about, "written": written})
    elif out != "-":
        output.line(f"written: {written['file']}")
        output.line(f"sha256: {written['sha256']}")
        words = _listed(found.listed) if found.listed is not None else tally(found.findings)
        if words:
            output.line(f"{words} in it")


def show_handed(handed: HandedOver, schema: str, *, out: str, force: bool, form: OutputForm) -> None:
    """Write a plan's calendar or ticket to the file `out`, and print which that is.

    Raises InputError, UnfinishedError.
    """
    from bundlekeeper.cli.screen.user_files import CALENDAR, TICKET, written_new

    written = written_new(out, handed.text, force=force, kind=CALENDAR if schema == "plan-calendar" else TICKET)
    if form is OutputForm.JSON:
        output.envelope(schema, handed.findings, {**handed.about, "written": written})
        return
    if out != "-":
        output.line(f"written: {written['file']}")
        output.line(f"sha256: {written['sha256']}")
    if words := _listed(handed.listed):
        where = "" if schema == "plan-ticket" else ": bundlekeeper plan ticket has them"
        output.aside(f"the plan has {words}{where}")


def _listed(listed: tuple[int, int]) -> str:
    """How many errors and open gaps a run-book lists, as it says itself; empty for none."""
    words = ("error", "open gap")
    return ", ".join(counted(number, word) for number, word in zip(listed, words, strict=True) if number)


def show_none(found: NoRunbook, *, form: OutputForm) -> None:
    """Print why there is no page."""
    none = found.none
    if form is OutputForm.JSON:
        data = {"domain": none.domain, "release": none.release, **found.given.about()}
        output.envelope("report", found.findings, {**data, "nearest": none.nearest, "written": None})
    else:
        output.findings_aside(found.findings)
        output.aside(f"error: {none.domain} to {none.release}: no allowed route was found, so there is no run-book")
        output.aside(f"hint: the nearest release that can be reached: {none.nearest or 'none'}")
