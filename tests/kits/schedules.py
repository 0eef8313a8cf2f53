"""Schedules held against their rules, minute by minute; shares no code with the schedule."""

from __future__ import annotations

from collections.abc import Sequence

from bundlekeeper.planning.windows.schedule import Limits, WorkPiece, minutes_of, pack


def breach(pieces: Sequence[WorkPiece], starts: dict[int, int], per_cluster: int) -> bool:
    """Whether pieces that start so in one window are in each other's way, minute by minute."""
    for i, start in starts.items():
        if any(m in starts and starts[m] + pieces[m].minutes > start for m in pieces[i].after):
            return True
    for minute in range(max((s + pieces[i].minutes for i, s in starts.items()), default=0)):
        now = [pieces[i] for i, s in starts.items() if s <= minute < s + pieces[i].minutes]
        locks = [name for p in now for name in p.locks]
        clusters = [name for p in now for name, number in p.clusters for _ in range(number)]
        if len(set(locks)) < len(locks) or any(clusters.count(c) > per_cluster for c in clusters):
            return True
        if len(now) > 1 and any(p.alone for p in now):
            return True
    return False


def assert_allowed(pieces: Sequence[WorkPiece], length: int | None, per_cluster: int) -> int:
    """Every piece once, after those it waits for, in no other's way, in no window that is too long; the minutes."""
    windows = pack(pieces, Limits(length, per_cluster))
    done: set[int] = set()
    for rows in windows:
        starts = dict(rows)
        assert len(starts) == len(rows)
        assert not breach(pieces, starts, per_cluster)
        assert all(m in done or m in starts for i in starts for m in pieces[i].after)
        assert not done & set(starts)
        assert length is None or minutes_of(pieces, rows) <= length
        done |= set(starts)
    assert done == set(range(len(pieces)))
    return sum(minutes_of(pieces, rows) for rows in windows)
