"""A whole route, its windows and ways back, or the check of a plan, as text of 80 columns."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.marks import tally
from bundlekeeper.formats.escape import counted, human_bytes, visible
from bundlekeeper.model.route.document import CAUTION

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.plan_file import CheckedPlan
    from bundlekeeper.jobs.planning.route import DomainRoute, PlannedRoute
    from bundlekeeper.planning.route.types import NoRoute, Step
    from bundlekeeper.planning.route.way_back import WayBack
    from bundlekeeper.planning.windows.types import Window

WIDTH = 80


def put(text: str, indent: int = 0) -> None:
    """Print one piece of text, broken at blanks into lines of 80 characters; a word that is longer stays whole."""
    blank = " " * indent
    rows = textwrap.wrap(
        visible(text),
        WIDTH,
        initial_indent=blank,
        subsequent_indent=blank + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    for row in rows or [""]:
        output.line(row)


def show(found: DomainRoute) -> None:
    """Print a domain's whole route, or why there is none."""
    if found.none is not None:
        output.findings_text(found.given.findings)
        _none(found.none)
    elif found.planned is not None:
        _planned(found.planned)


def show_check(found: CheckedPlan) -> None:
    """Print the check of a plan, step by step, and whether there is a cheaper route."""
    output.findings_text(found.given.findings)
    if found.sha256 is not None:
        put(f"{found.file}: made from what there is now (sha256 {found.sha256})")
    if found.progress is not None and (over := found.progress.total - found.progress.unfinished):
        put(f"{over} of {counted(found.progress.total, 'part')} done or left out; what is left:")
    _checked(found)


def verdict(found: PlannedRoute) -> str:
    """What a route is worth, in words: one with an error is not ready."""
    counts_text = tally(found.findings)
    if not counts_text:
        return "route, no problems found"
    return f"route with {counts_text}{'' if found.is_ready else ', not ready'}"


def _planned(found: PlannedRoute) -> None:
    """Print the steps with their rules, windows and ways back, then all that was found."""
    from bundlekeeper.jobs.planning.overview import exceptions

    route, times = found.route, found.timeline
    windows, restarts, minutes, size = route.cost
    put(f"{route.domain} to {route.release}: {verdict(found)}")
    put(f"{counted(windows, 'step')}, {counted(restarts, 'server restart')}")
    if not route.steps:
        put(exceptions(route) or "it runs that release already")
    for step in route.steps:
        _step(step)
        for way in found.back:
            if way.step == step.number:
                _back(way)
        for window in times.windows:
            if window.step == step.number:
                _window(window, found)
        if (route.domain, step.number) in times.unplanned:
            _unplanned(step)
    output.findings_text(found.findings)
    put(f"{minutes} minutes of writing one after the other, {size:,} bytes written")
    windows_text = counted(len(times.windows), "window")
    put(f"{windows_text}, {times.makespan} minutes in all; cannot take less than {times.lower_bound}")
    if times.unplanned:
        put(f"steps without windows, so not in those minutes: {found.unplanned}")
    put(CAUTION)


def _step(step: Step) -> None:
    """Print one step: what goes from what to what, and by which rules."""
    assumed = ", some of them assumed" if step.assumed else ""
    put(f"step {step.number}: {step.what} to {step.name} ({step.minutes} minutes{assumed})")
    for change in step.changes:
        put(f"{change.name}: {change.family} {change.version} ({change.file})", 2)
        for component in change.components:
            put(
                f"{len(component.keys)} {component.kind} {component.model}: "
                f"{component.start or '?'} -> {component.end}",
                4,
            )
    for removal in step.removals:
        where = f"{removal.partition} on {removal.kind} {removal.key}"
        put(f"remove {removal.version} ({human_bytes(removal.size_bytes)}) from {where}, before anything is brought", 2)
    for quote in step.quotes:
        put(f"rule: {quote.message}{f' ({quote.source})' if quote.source else ''}", 2)


def _back(way: WayBack) -> None:
    rule = f"; {way.rule}" if way.rule else ""
    put(f"back: {way.kind} {way.model}: {way.how}; until {way.until}{rule}", 2)
    if way.destroyed_by:
        put(f"destroyed by {way.destroyed_by}", 4)


def _window(window: Window, found: PlannedRoute) -> None:
    from bundlekeeper.reports.pictures.gantt import KEY, lines

    times = found.timeline
    apart = f"; never together with {', '.join(window.apart_from)}" if window.apart_from else ""
    put(f"window {window.number} of {len(times.windows)}: {window.minutes} minutes{apart}", 2)
    if window.dated is not None:
        turn = f"turn back by {window.dated.clock(window.turn_back)}: {window.turn_back_reason}"
        put(f"{window.dated.text()}; {turn}", 4)
    first, minutes = times.again(window)
    if first:
        put(f"before it the checks of window {first} again: {minutes} minutes that are not among these", 4)
    for row in lines(found.bars(window), window.minutes):
        output.line(row)
    put(KEY, 4)


def _unplanned(step: Step) -> None:
    from bundlekeeper.reports.pictures.gantt import missing

    put("no windows: what forbids them, in this step or an earlier one, is reported below", 2)
    for row in missing(f"step {step.number}: {step.what}"):
        output.line(row)


def _none(found: NoRoute) -> None:
    """Print why there is no route."""
    put(f"{found.domain} to {found.release}: no allowed route was found")
    output.findings_text(found.findings)
    if found.blocking:
        fewest = "the fewest that block it" if found.exact else "some that block it, maybe not the fewest"
        put(f"{len(found.blocking)} named above: {fewest}, even without any other rule")
    put(f"nearest release that can be reached: {found.nearest or 'none'}")


def _checked(found: CheckedPlan) -> None:
    """Print the check of a plan, and whether there is a cheaper route."""
    verdict, route = found.verdict, found.verdict.route
    put(
        f"{route.domain} to {route.release}: the plan has {counted(route.cost[0], 'step')}, "
        f"{counted(route.cost[1], 'server restart')}"
    )
    for step in route.steps:
        _step(step)
    output.findings_text(verdict.findings)
    put(
        f"{counted(verdict.states, 'state')} judged against {counted(verdict.rules, 'rule')}; "
        f"{counted(len(verdict.findings), 'finding') if verdict.findings else 'none is broken'}"
    )
    put(found.compared)
    put(
        "Gaps, space, verifications, signatures and pairs were not looked at here: bundlekeeper gaps, and "
        "report --runbook --plan, do."
    )
    put(CAUTION)
