"""What is left of a plan in the plan's own windows, so that a window has one number wherever it is spoken of.

Rules: a part stays in the window that the plan gave it, also where that window is over and the part is to be
tried again; what belongs to no component is done in the first window that needs it; what must come before something is
never in a later window than that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from bundlekeeper.findings import Finding
from bundlekeeper.model.route.dated_windows import DatedWindow
from bundlekeeper.model.route.planned_work import PlannedWork
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.route.types import Route
from bundlekeeper.planning.windows.make import apart_of, drafts_of, with_hands
from bundlekeeper.planning.windows.real import pieces_left
from bundlekeeper.planning.windows.schedule import Limits, WorkPiece, lower_bound, minutes_of, pack
from bundlekeeper.planning.windows.types import Action, Timeline, Window


def schedule_left(
    fleet: Fleet,
    route: Route,
    work: PlannedWork,
    dated: Mapping[int, DatedWindow],
    per_cluster: int = 1,
    *,
    parallel: Mapping[str, int] | None = None,
) -> Timeline:
    """The windows of what is left, `route` having the numbers of the plan's steps, `work` the plan's windows; `dated`
    are the dates of those that have one, by number."""
    drafts = drafts_of(fleet, route, per_cluster)
    good = next((n for n, draft in enumerate(drafts) if draft.refused), len(drafts))
    limits = with_hands(Limits(None, per_cluster), parallel or {})
    _, apart = apart_of(fleet, route.domain)
    windows, bound = [], 0
    for step, draft in zip(route.steps[:good], drafts, strict=False):
        numbers = _numbers(step.number, draft.pieces, work)
        for number in sorted(set(numbers)):
            pieces = pieces_left(draft.pieces, {i for i, other in enumerate(numbers) if other != number})
            actions, minutes = _started(pieces, limits, number)
            bound += lower_bound(pieces, limits)
            windows.append(
                Window(number, step.number, actions, minutes, apart, route.domain, number, dated.get(number))
            )
    findings: tuple[Finding, ...] = tuple(dict.fromkeys(row for draft in drafts for row in draft.findings))
    unplanned = tuple((route.domain, step.number) for step in route.steps[good:])
    makespan = sum(window.minutes for window in windows)
    return Timeline(tuple(windows), makespan, bound, findings, unplanned, {route.domain: findings})


def _numbers(step: int, pieces: Sequence[WorkPiece], work: PlannedWork) -> list[int]:
    """The window of each piece of a step."""
    places: dict[str, int] = {}
    for item in work.items:
        if item.step == step:
            for name in (item.key, item.server):
                places[name] = max(places.get(name, 0), item.window)
    known = [max((places.get(action.key, 0) for action in p.actions if action.key), default=0) for p in pieces]
    first = min((n for n in known if n), default=next((w.number for w in work.windows if w.step == step), 1))
    found = list(known)
    changed = True
    while changed:  # what comes before, and is of no component, as early as what needs it first
        before = list(found)
        for i, piece in enumerate(pieces):
            for n in piece.after:
                if not known[n] and found[i]:
                    found[n] = min(found[n] or found[i], found[i])
        changed = found != before
    found = [number or first for number in found]
    changed = True
    while changed:
        before = list(found)
        found = [max([found[i], *(found[n] for n in piece.after)]) for i, piece in enumerate(pieces)]
        changed = found != before
    return found


def _started(pieces: Sequence[WorkPiece], limits: Limits, number: int) -> tuple[tuple[Action, ...], int]:
    """The actions of one window, and its minutes."""
    actions: list[Action] = []
    minutes = 0
    for rows in pack(pieces, limits):
        for n, start in rows:
            at = minutes + start
            actions += [
                replace(action, start=at + action.start if action.start >= 0 else action.start, window=number)
                for action in pieces[n].actions
            ]
        minutes += minutes_of(pieces, rows)
    return tuple(sorted(actions, key=lambda action: action.start)), minutes
