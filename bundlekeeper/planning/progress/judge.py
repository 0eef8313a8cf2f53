"""How far a plan is: each component's part of each step beside what was recorded and read.

Rules: a component that was read back at a step's version is done with it, whoever recorded it, and so it is with the
steps before; a reading from before its activation is none of it; an activation that is followed by a reading of another
version failed; what is recorded of one step of a component counts for the first of its parts that is not done, unless
it names the version of another one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from bundlekeeper.model.route.planned_work import PlannedWork, WorkItem
from bundlekeeper.planning.progress.compare import Same
from bundlekeeper.planning.progress.types import (
    OPEN,
    Heard,
    ItemProgress,
    Outcome,
    PlanProgress,
    WindowProgress,
)

_BEGUN = frozenset({Outcome.DONE, Outcome.NOT_READ_BACK, Outcome.FAILED, Outcome.NO_ANSWER, Outcome.SKIPPED})


def progress(
    work: PlannedWork, components: Mapping[str, Mapping[str, object]], heard: Mapping[str, Sequence[Heard]], same: Same
) -> PlanProgress:
    """How far the work is: `components` are today's facts by key, `heard` the entries of each since the plan was made,
    in the order in which they happened."""
    found: dict[tuple[str, int], ItemProgress] = {}
    for key, items in work.of.items():
        rows = _component(items, components.get(key, {}), heard.get(key, ()), same)
        found |= {(key, row.item.step): row for row in rows}
    windows = []
    for window in work.windows:
        mine = tuple(found[item.key, item.step] for item in work.items if item.window == window.number)
        windows.append(_window(work, window.number, mine))
    number = next((w.window.number for w in windows if any(row.outcome in OPEN for row in w.items)), 0)
    counts = Counter(row.outcome.value for row in found.values())
    numbers = {window.number for window in work.windows}
    unplanned = tuple(row for row in found.values() if row.item.window not in numbers)
    return PlanProgress(tuple(windows), number, {what.value: counts[what.value] for what in Outcome}, unplanned)


def _window(work: PlannedWork, number: int, rows: tuple[ItemProgress, ...]) -> WindowProgress:
    window = work.window(number)
    moments = sorted(row.at for row in rows if row.at and row.outcome in _BEGUN)
    is_left = any(row.outcome in OPEN for row in rows)
    is_begun = any(row.outcome in _BEGUN for row in rows)
    over = "done" if all(row.outcome in {Outcome.DONE, Outcome.SKIPPED} for row in rows) else "recorded"
    state = over if not is_left else "begun" if is_begun else "left"
    first, last = (moments[0], moments[-1]) if moments else ("", "")
    return WindowProgress(window, work.steps.get(window.step, ""), rows, state, first, last)


def _component(
    items: Sequence[WorkItem], facts: Mapping[str, object], heard: Sequence[Heard], same: Same
) -> list[ItemProgress]:
    kind, active = items[0].kind, str(facts.get("active") or "")
    at = next((n for n, item in reversed(list(enumerate(items))) if same(kind, item.end, active)), -1) if active else -1
    return [replace(_part(items, number, at, facts, heard, same), runs=active) for number in range(len(items))]


def _part(
    items: Sequence[WorkItem],
    number: int,
    at: int,
    facts: Mapping[str, object],
    heard: Sequence[Heard],
    same: Same,
) -> ItemProgress:
    item = items[number]
    if number <= at:
        ends = [later.end for later in items[number:]]
        mine = [
            n for n, row in enumerate(heard, 1) if row.what == "activated" and same(item.kind, row.version, item.end)
        ]
        since = heard[mine[-1] :] if mine else heard
        reading = _last(since, lambda row: row.what == "observed" and _is_any(row.version, ends, item.kind, same))
        if reading is not None:
            return ItemProgress(item, Outcome.DONE, "", reading.at, reading.reported_by)
        entry = _last(heard, lambda row: row.what == "activated" and _is_any(row.version, ends, item.kind, same))
        return ItemProgress(
            item, Outcome.NOT_READ_BACK, "", entry.at if entry else "", entry.reported_by if entry else ""
        )
    outcome, entry = _followed(item, heard, same, is_first=number == at + 1)
    if outcome is Outcome.LEFT and same(item.kind, item.end, str(facts.get("staged") or "")):
        outcome = Outcome.STAGED
    reason = entry.reason if entry is not None else ""
    if outcome is Outcome.FAILED and entry is not None and entry.what == "observed":
        reason = f"runs {entry.version}"
    words = (entry.at, entry.reported_by) if entry is not None else ("", "")
    return ItemProgress(item, outcome, reason, *words)


def _followed(item: WorkItem, heard: Sequence[Heard], same: Same, *, is_first: bool) -> tuple[Outcome, Heard | None]:
    """What the entries make of a part that does not run, and the entry that decides."""
    outcome, entry, before = Outcome.LEFT, None, Outcome.LEFT
    tried = False
    for row in heard:
        is_it = same(item.kind, item.end, row.version) if row.version else False
        is_any = is_it or (not row.version and is_first)
        if row.what == "staged" and is_it:
            outcome, entry, tried = Outcome.STAGED, row, False
        elif row.what == "activated" and is_it:
            tried, entry = True, row
        elif row.what == "activated" and entry is not None and not entry.version:
            outcome, entry, tried = Outcome.LEFT, None, False  # what had no version was about the part before
        elif row.what == "failed" and is_any:
            outcome, entry, tried = Outcome.FAILED, row, False
        elif row.what == "skipped" and is_any and row.own:
            outcome, entry = Outcome.SKIPPED, row
        elif row.what == "no-answer" and is_first and outcome is not Outcome.NO_ANSWER:
            before, outcome, entry = outcome, Outcome.NO_ANSWER, row
        elif row.what == "observed" and row.version:
            if outcome is Outcome.NO_ANSWER:
                outcome = before
            if tried:
                outcome, entry, tried = Outcome.FAILED, row, False
    return outcome, entry


def _is_any(version: str, versions: Sequence[str], kind: str, same: Same) -> bool:
    return bool(version) and any(same(kind, version, other) for other in versions)


def _last(heard: Sequence[Heard], is_it: Callable[[Heard], bool]) -> Heard | None:
    return next((row for row in reversed(heard) if is_it(row)), None)
