"""A plan for others: windows for their calendars, and a change ticket's text, both from the run-book's data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.formats.durations import hours
from bundlekeeper.jobs.planning.inputs import InputFiles
from bundlekeeper.jobs.planning.material import Material
from bundlekeeper.jobs.planning.report import RunbookWanted, findings_of, material_of_file
from bundlekeeper.jobs.planning.runbook import runbook
from bundlekeeper.jobs.planning.window_sheet import what
from bundlekeeper.jobs.session import Session
from bundlekeeper.reports.calendar import CalendarEvent, calendar
from bundlekeeper.reports.ticket import ticket


@dataclass(frozen=True, slots=True)
class HandedOver:
    """A text for others, the findings of the plan, what the JSON envelope has about it, and how many errors and open
    gaps its run-book and its ticket list."""

    text: str
    findings: tuple[Finding, ...]
    about: dict[str, Any]
    listed: tuple[int, int]


def calendar_of(session: Session, file: str, files: InputFiles) -> HandedOver:
    """The windows of a plan as iCalendar. Raises InputError for a plan without dates; as `material_of_file`."""
    import bundlekeeper

    of = material_of_file(session, RunbookWanted(file=file), files)
    windows, steps = of.planned.timeline.windows, {step.number: step for step in of.planned.route.steps}
    if not any(window.dated for window in windows):
        hint = f"bundlekeeper route {of.planned.route.domain} --to {of.planned.route.release} --windows FILE --out PLAN"
        raise InputError("the plan has no dates, so there is nothing for a calendar", where=file, hint=hint)
    head = f"{of.planned.route.domain} to {of.planned.route.release}"
    events = [
        CalendarEvent(
            f"{of.sha256[:32]}-{window.number}@bundlekeeper",
            window.dated.time(),
            window.dated.minutes,
            f"{head}, window {window.number} of {of.windows_in_all}: {what(steps[window.step], window)}",
            window.dated.site,
            (
                f"work of {hours(window.minutes)}",
                f"turn back by {window.dated.moment(window.turn_back)}: {window.turn_back_reason}",
                f"plan {of.sha256}",
                *([window.dated.note] if window.dated.note else []),
            ),
        )
        for window in windows
        if window.dated is not None
    ]
    return _handed(of, calendar(events, of.made_at, f"bundlekeeper {bundlekeeper.__version__}"))


def ticket_of(session: Session, file: str, files: InputFiles) -> HandedOver:
    """The text of a change ticket about a plan. Raises InputError; as `material_of_file`."""
    of = material_of_file(session, RunbookWanted(file=file), files)
    return _handed(of, ticket(runbook(of)))


def _handed(of: Material, text: str) -> HandedOver:
    about = {"domain": of.planned.route.domain, "release": of.planned.route.release, **of.given.about()}
    made = runbook(of)
    return HandedOver(text, findings_of(of), about, (len(made.errors), len(made.gaps)))
