"""A route, its windows and its ways back as text of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.formats.escape import counted, visible
from bundlekeeper.jobs.planning.route import CAUTION

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.route import PlannedRoute
    from bundlekeeper.planning.route.check_plan import HeldPlan
    from bundlekeeper.planning.route.types import NoRoute, Route, Step
    from bundlekeeper.planning.route.way_back import WayBack
    from bundlekeeper.planning.windows.types import Action, Timeline, Window
    from bundlekeeper.reports.gantt import GanttBar

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


def tell_planned(found: PlannedRoute) -> None:
    """Print the steps with their rules, windows and ways back, then all that was found."""
    route, times = found.route, found.timeline
    windows, restarts, minutes, size = route.cost
    put(f"{route.domain} to {route.release}: {counted(windows, 'step')}, {counted(restarts, 'server restart')}")
    if not route.steps:
        put("it runs that release already")
    for step in route.steps:
        tell_step(step)
        for way in found.back:
            if way.step == step.number:
                _back(way)
        for row in times.windows:
            if row.step == step.number:
                _window(row, times)
        if (route.domain, step.number) in times.unplanned:
            _unplanned(step)
    output.findings_text(found.findings)
    put(f"{minutes} minutes of writing one after the other, {size:,} bytes written")
    put(
        f"{len(times.windows)} windows, {times.makespan} minutes in all; no order of this work takes less than "
        f"{times.lower_bound}"
    )
    if times.unplanned:
        put(f"steps without windows, so not in those minutes: {unplanned(times)}")
    put(CAUTION)


def tell_step(step: Step) -> None:
    """Print one step: what goes from what to what, and by which rules."""
    assumed = ", some of them assumed" if step.assumed else ""
    put(f"step {step.number}: {step.what} to {step.name} ({step.minutes} minutes{assumed})")
    for change in step.changes:
        put(f"{change.name}: {change.family} {change.version} ({change.file})", 2)
        for part in change.parts:
            put(f"{len(part.keys)} {part.kind} {part.model}: {part.start or '?'} -> {part.end}", 4)
    for quote in step.quotes:
        put(f"rule: {quote.says}{f' ({quote.source})' if quote.source else ''}", 2)


def _back(way: WayBack) -> None:
    rule = f"; {way.rule}" if way.rule else ""
    put(f"back: {way.kind} {way.model}: {way.how}; until {way.until}{rule}", 2)
    if way.destroyed_by:
        put(f"destroyed by {way.destroyed_by}", 4)


def _window(window: Window, times: Timeline) -> None:
    from bundlekeeper.reports.gantt import KEY, lines

    apart = f"; never together with {', '.join(window.apart_from)}" if window.apart_from else ""
    put(f"window {window.number} of {len(times.windows)}: {window.minutes} minutes{apart}", 2)
    first, minutes = times.again(window)
    if first:
        put(f"before it the checks of window {first} again: {minutes} minutes that are not among these", 4)
    for row in lines(bars(window.actions), window.minutes, WIDTH):
        output.line(row)
    put(KEY, 4)


def _unplanned(step: Step) -> None:
    from bundlekeeper.reports.gantt import missing

    put("no windows: what forbids them, in this step or an earlier one, is told below", 2)
    for row in missing(f"step {step.number}: {step.what}", WIDTH):
        output.line(row)


def bars(actions: Iterable[Action]) -> list[GanttBar]:
    """One bar for each thing that is worked on: its server's for parts of servers."""
    from bundlekeeper.planning.windows.types import NOTHING
    from bundlekeeper.reports.gantt import GanttBar, Span

    found: dict[str, list[Span]] = {}
    for action in actions:
        label = action.subject.split(": ")[0]
        span = Span(action.start, action.end, "" if action.down == NOTHING else action.down)
        found.setdefault(label, []).append(span)
    return [GanttBar(label, tuple(spans)) for label, spans in found.items()]


def unplanned(times: Timeline) -> str:
    """The steps of one domain that have no windows, for people; empty where all have."""
    return ", ".join(str(step) for _, step in times.unplanned)


def tell_none(found: NoRoute) -> None:
    """Print why there is no way."""
    put(f"{found.domain} to {found.release}: no allowed way was found")
    output.findings_text(found.findings)
    if found.blocking:
        fewest = "the fewest that block it" if found.exact else "some that block it, maybe not the fewest"
        put(f"{len(found.blocking)} named above: {fewest}, even where no other rule is held")
    put(f"nearest release that can be reached: {found.nearest or 'none'}")


def tell_held(found: HeldPlan, better: Route | NoRoute) -> None:
    """Print what the rules say of a plan, and whether there is a cheaper way."""
    route = found.route
    put(
        f"{route.domain} to {route.release}: the plan has {counted(route.cost[0], 'step')}, "
        f"{counted(route.cost[1], 'server restart')}"
    )
    for step in route.steps:
        tell_step(step)
    output.findings_text(found.findings)
    put(
        f"{counted(found.states, 'state')} judged against {counted(found.rules, 'rule')}; "
        f"{counted(len(found.findings), 'finding')}"
    )
    put(compared(found, better))
    put(
        "Space, proofs, signatures and pairs were not looked at here: bundlekeeper gaps, and "
        "report --runbook --route, do."
    )
    put(CAUTION)


def compared(found: HeldPlan, better: Route | NoRoute) -> str:
    """Whether a cheaper way exists, in words."""
    from bundlekeeper.planning.route.types import Route

    if not isinstance(better, Route):
        return "no allowed way was found at all: bundlekeeper route says why"
    mine, best = found.route.cost, better.cost
    if best < mine:
        return (
            f"a shorter way exists: {counted(best[0], 'step')} instead of {mine[0]}, "
            f"{counted(best[1], 'server restart')} instead of {mine[1]}, "
            f"{best[2]} minutes of writing instead of {mine[2]}"
        )
    if mine < best:
        return "no allowed way is as short as this plan: what it leaves out stands among the findings"
    return "no allowed way is shorter"
