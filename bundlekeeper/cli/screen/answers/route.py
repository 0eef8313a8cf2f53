"""A domain's route, or the check of a plan: on one screen as text, and as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import manifest_signature, output
from bundlekeeper.cli.screen.details import route as details
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.marks import again, marked, next_line, put, ranges
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.durations import clock, hours
from bundlekeeper.formats.escape import counted, shell_word, some

if TYPE_CHECKING:
    from bundlekeeper.jobs.planning.overview import RouteInShort, StepInShort
    from bundlekeeper.jobs.planning.plan_file import CheckedPlan
    from bundlekeeper.jobs.planning.route import DomainRoute, PlannedRoute
    from bundlekeeper.planning.route.types import NoRoute
    from bundlekeeper.planning.windows.types import Window


def show(
    found: DomainRoute, words: Mapping[str, object], *, out: str | None, force: bool, form: OutputForm, whole: bool
) -> None:
    """Write the route's file where `out` names one, and print the route, `whole` or in short.

    `words` are the options that were given, for the next command. Raises InputError, UnfinishedError.
    """
    from bundlekeeper.cli.screen.user_files import ROUTE, written_new

    written = None if out is None else written_new(out, found.text, force=force, kind=ROUTE)
    if form is OutputForm.JSON:
        output.write_json({**found.document, "written": written})
        return
    if out == "-":
        return
    manifest_signature.tell(found.given.signature)
    if whole:
        details.show(found)
    elif found.none is not None:
        _none(found.none, found)
    elif found.planned is not None:
        _planned(found, found.planned)
    if written is not None:
        output.line(f"written: {written['file']}")
        output.line(f"sha256: {written['sha256']}")
    if written is not None and found.planned is not None:
        next_line(f"bundlekeeper plan keep {shell_word(str(written['file']))}")
    elif not whole:
        more = (
            {"details": True} if found.planned is None or not found.planned.is_ready else {"out": _unused(found.domain)}
        )
        next_line(again("route", found.domain, **words, **more))


COLUMNS: tuple[Column[StepInShort], ...] = (
    Column("step", lambda step: str(step.number), right=True),
    Column("window", lambda step: ranges(step.windows), right=True),
    Column("what", lambda step: step.what),
    Column("time", lambda step: clock(step.minutes) if step.windows else "-", right=True),
    Column("down at most", lambda step: step.down),
    Column("way back", lambda step: step.back),
)


_DATES: tuple[Column[Window], ...] = (
    Column("window", lambda window: str(window.number), right=True),
    Column("when", lambda window: window.dated.text() if window.dated else "-"),
    Column("time", lambda window: clock(window.minutes), right=True),
    Column("turn back by", lambda window: window.dated.clock(window.turn_back) if window.dated else "-"),
)


def _planned(found: DomainRoute, planned: PlannedRoute) -> None:
    from bundlekeeper.jobs.planning.overview import in_short

    route, times, short = planned.route, planned.timeline, in_short(found, planned)
    put(f"{route.domain}{_from(short)} to {route.release}: {details.verdict(planned)}")
    if not route.steps:
        put(f"0 steps; {short.reaches}" if route.not_reached else "it runs that release already")
    else:
        counts = (
            counted(len(route.steps), "step"),
            counted(len(times.windows), "window"),
            hours(times.makespan),
            counted(route.cost[1], "restart"),
        )
        put(f"{', '.join(counts)}; {short.reaches}")
        output.line()
        write(COLUMNS, short.steps)
        output.line()
        if found.options.windows:
            write(_DATES, times.windows)
            output.line()
    marked(planned.findings, route.domain)
    if planned.unplanned:
        put(f"steps without windows, so not in that time: {planned.unplanned}")
    elif times.windows:
        put("this is the minimum" if times.is_shortest else f"cannot take less than {hours(times.lower_bound)}")


def _unused(domain: str) -> str:
    """A name for the plan's file that no file has yet."""
    names = (f"{domain}{number}.json" for number in ("", *(f"-{n}" for n in range(2, 1000))))
    return next((name for name in names if not Path(name).exists()), f"{domain}.json")


def _from(short: RouteInShort) -> str:
    return f" from {some(short.starts, 3)}" if short.starts else ""


def _none(none: NoRoute, found: DomainRoute) -> None:
    put(f"{none.domain} to {none.release}: no route")
    marked(found.findings, none.domain)
    if none.blocking and not none.exact:
        put("these block it; maybe fewer do")
    put(f"nearest release that can be reached: {none.nearest or 'none'}")


def show_check(found: CheckedPlan, *, form: OutputForm) -> None:
    """Print the check of a plan, and whether there is a cheaper route."""
    verdict = found.verdict
    if form is OutputForm.JSON:
        data = {"domain": verdict.route.domain, "release": verdict.route.release, **found.given.about()}
        data |= {"file": found.file, "sha256": found.sha256}
        data |= {"route": found.route, "states": verdict.states, "rules": verdict.rules}
        counts = dict(found.progress.counts) if found.progress is not None else None
        output.envelope("plan-check", found.findings, {**data, "compared": found.compared, "counts": counts})
        return
    manifest_signature.tell(found.given.signature)
    details.show_check(found)
