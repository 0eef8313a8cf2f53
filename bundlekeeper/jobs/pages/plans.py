"""The kept plans of the page's domains: which window is next, and the windows that are left, over time.

Rules: a plan whose inputs changed has no windows here, and the page says so; nothing is planned but what is left.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.jobs.following.keep import ListedPlan, listed_plans
from bundlekeeper.jobs.following.open_plans import stuck_of
from bundlekeeper.jobs.planning.inputs import InputFiles
from bundlekeeper.jobs.planning.report import RunbookWanted, material_of_file
from bundlekeeper.jobs.planning.window_sheet import window_sheet
from bundlekeeper.jobs.session import Session
from bundlekeeper.reports.overview_page import PagePlan, PageWindow

if TYPE_CHECKING:
    from bundlekeeper.planning.progress.types import PlanProgress


def open_plans(session: Session) -> Iterator[tuple[str, PagePlan]]:
    """Each open plan with its domain, newest first. Raises as `listed_plans`."""
    for listed in listed_plans(session, InputFiles(), closed=False):
        plan = listed.plan
        about = ", ".join(
            words
            for words in (
                f"change {plan.change}" if plan.change else "",
                f"approved by {plan.approved_by}" if plan.approved_by else "",
            )
            if words
        )
        progress = listed.followed.progress if listed.followed is not None else None
        windows, problem = _windows(session, listed) if progress is not None else ((), listed.reason)
        stuck = "; ".join(stuck_of(progress)) if progress is not None else ""
        yield plan.domain, PagePlan(plan.name, plan.release, about, _next(progress), windows, problem, stuck)


def _next(progress: PlanProgress | None) -> str:
    """Which window is next, in words; empty where nothing is left, or nobody knows."""
    if progress is None or not progress.next_window:
        return ""
    window = next(row.window for row in progress.windows if row.window.number == progress.next_window)
    begins = f", {window.dated.begins}" if window.dated is not None else ""
    return f"window {progress.next_window} of {len(progress.windows)} is next{begins}"


def _windows(session: Session, listed: ListedPlan) -> tuple[tuple[PageWindow, ...], str]:
    try:
        material = material_of_file(session, RunbookWanted(file=listed.plan.name), InputFiles())
    except (InputError, RefusedError) as error:
        return (), f"{error.message}: bundlekeeper plan check {listed.plan.name}"
    steps = {step.number: step for step in material.planned.route.steps}
    sheets = (window_sheet(material, steps[window.step], window) for window in material.planned.timeline.windows)
    return tuple(PageWindow(s.title, s.when, s.minutes, s.picture, s.space) for s in sheets), ""
