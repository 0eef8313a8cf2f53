"""A small share of `python -m tests.optimum`: schedules beside the shortest, by a solver that shares no code."""

from __future__ import annotations

import pytest

pytest.importorskip("ortools", reason="the exact solver is one of the test extra's")

CASES = 12


def test_schedules_are_the_shortest_or_nearly_and_never_below_their_bound() -> None:
    """Up to nine pieces, where the solver is done at once."""
    from tests.optimum.measure import measured

    rows = [measured(seed, 9, 2.0) for seed in range(CASES)]
    assert all(row.optimum.is_proven for row in rows)
    assert all(row.bound <= row.optimum.minutes <= row.ours for row in rows)
    assert sum(row.ours == row.optimum.minutes for row in rows) >= CASES - 1
    assert max(row.ratio for row in rows) < 1.1
