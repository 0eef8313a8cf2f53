"""What is recorded and read of a component makes the outcome of its part of each step."""

from __future__ import annotations

import pytest

from bundlekeeper.planning.progress.played import running
from bundlekeeper.planning.progress.types import Heard, Outcome
from tests.kits.followed_plans import DOMAIN, changed, how_far, start, work

_KEY = next(key for key, items in work().of.items() if len(items) > 1)
_FIRST, _SECOND = work().of[_KEY][:2]


def _heard(*rows: tuple[str, str]) -> dict[str, list[Heard]]:
    return {_KEY: [Heard(what, version, f"2026-12-01T01:{n:02}", "kim", "why", own=True)
                   for n, (what, version) in enumerate(rows)]}  # fmt: skip


def _outcomes(active: str, *rows: tuple[str, str], staged: str = "") -> list[str]:
    inventory = running(start(), DOMAIN, {_KEY: active})
    if staged:
        inventory = changed(inventory, _KEY, staged=staged)
    progress = how_far(inventory, _heard(*rows))
    return [row.outcome.value for row in progress.items if row.item.key == _KEY][:2]


V0, V1, V2 = _FIRST.start, _FIRST.end, _SECOND.end


@pytest.mark.parametrize(
    ("active", "rows", "first", "second"),
    [
        (V0, (), "left", "left"),
        (V0, (("staged", V1),), "staged", "left"),
        (V1, (("staged", V1), ("activated", V1)), "not-read-back", "left"),
        (V1, (("staged", V1), ("activated", V1), ("observed", V1)), "done", "left"),
        (V1, (("observed", V1),), "done", "left"),
        (V1, (("observed", V1), ("activated", V1)), "not-read-back", "left"),
        (V2, (("activated", V1), ("observed", V1), ("activated", V2)), "done", "not-read-back"),
        (V0, (("activated", V1), ("observed", V0)), "failed", "left"),
        (V0, (("staged", V1), ("failed", V1)), "failed", "left"),
        (V0, (("failed", ""),), "failed", "left"),
        (V0, (("failed", V1), ("staged", V1)), "staged", "left"),
        (V1, (("failed", V1), ("activated", V1), ("observed", V1)), "done", "left"),
        (V0, (("skipped", V1),), "skipped", "left"),
        (V0, (("skipped", V2),), "left", "skipped"),
        (V0, (("no-answer", ""),), "no-answer", "left"),
        (V0, (("staged", V1), ("no-answer", ""), ("observed", V0)), "staged", "left"),
        (V2, (("activated", V1), ("activated", V2)), "not-read-back", "not-read-back"),
        (V2, (("activated", V1), ("activated", V2), ("observed", V2)), "done", "done"),
        (V1, (("observed", V1), ("failed", V2)), "done", "failed"),
        (V1, (("no-answer", ""), ("activated", V1)), "not-read-back", "left"),
        (V1, (("failed", ""), ("activated", V1), ("observed", V1)), "done", "left"),
    ],
)
def test_the_last_word_about_a_component_counts(
    active: str, rows: tuple[tuple[str, str], ...], first: str, second: str
) -> None:
    assert _outcomes(active, *rows) == [first, second]


def test_what_was_staged_before_is_seen_without_an_entry() -> None:
    assert _outcomes(V0, staged=V1) == ["staged", "left"]


def test_work_left_out_by_another_plan_is_not_left_out_here() -> None:
    heard = {_KEY: [Heard("skipped", V1, "2026-12-01", "kim", "why", own=False)]}
    assert next(row.outcome for row in how_far(start(), heard).items if row.item.key == _KEY) is Outcome.LEFT


def test_the_next_window_is_the_first_with_work_that_is_left() -> None:
    first = work().windows[0].number
    mine = {item.key: item.end for item in work().items if item.window == first}
    heard = {key: [Heard("observed", end, "2026-12-01T02:00", "kim")] for key, end in mine.items()}
    assert how_far(start(), {}).next_window == first
    after = how_far(running(start(), DOMAIN, mine), heard)
    assert (after.next_window, after.windows[0].state) == (work().windows[1].number, "done")
    assert {row.item.window for row in after.due} == {after.next_window}
    ends = {key: items[-1].end for key, items in work().of.items()}
    read = {key: [Heard("observed", end, "2026-12-01T02:00", "kim")] for key, end in ends.items()}
    assert how_far(running(start(), DOMAIN, ends), read).is_over
