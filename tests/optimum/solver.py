"""The shortest windows by constraint programming (OR-Tools CP-SAT), which shares no code with the schedule.

All windows lie on one line of minutes, one after the other, with bounds between them that no piece goes over and that
are no farther apart than a window is long; the end of the last piece is the sum of all windows. Two neighbours that fit
one window together can be one, so that in the fewest windows any two neighbours are longer than a window.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from ortools.sat.python import cp_model

from tests.optimum.cases import ScheduleCase


@dataclass(frozen=True, slots=True)
class Optimum:
    """The fewest minutes that were found, and the most that are known to be needed: equal where that is proven."""

    minutes: int
    bound: int

    @property
    def is_proven(self) -> bool:
        """True where no schedule is shorter."""
        return self.minutes == self.bound


def shortest(asked: ScheduleCase, known: int, effort: float) -> Optimum:
    """The shortest windows of a case for which a schedule of `known` minutes exists.

    `effort` is CP-SAT's deterministic time, so that the answer is the same whatever else the machine does.
    """
    pieces, model = asked.pieces, cp_model.CpModel()
    starts = [model.new_int_var(0, known - piece.minutes, f"start {n}") for n, piece in enumerate(pieces)]
    spans = [
        model.new_fixed_size_interval_var(start, p.minutes, p.subject) for start, p in zip(starts, pieces, strict=True)
    ]
    end = model.new_int_var(0, known, "end")
    for start, piece in zip(starts, pieces, strict=True):
        model.add(end >= start + piece.minutes)
        for before in piece.after:
            model.add(start >= starts[before] + pieces[before].minutes)
    for name in {lock for piece in pieces for lock in piece.locks}:
        model.add_no_overlap([span for span, piece in zip(spans, pieces, strict=True) if name in piece.locks])
    for name in {cluster for piece in pieces for cluster, _ in piece.clusters}:
        rows = [
            (span, number)
            for span, p in zip(spans, pieces, strict=True)
            for cluster, number in p.clusters
            if cluster == name
        ]
        model.add_cumulative([span for span, _ in rows], [number for _, number in rows], asked.per_cluster)
    if any(piece.alone for piece in pieces):
        weights = [len(pieces) if piece.alone else 1 for piece in pieces]
        model.add_cumulative(spans, weights, len(pieces))
    if asked.length is not None:
        _windows(model, asked, starts, asked.length, known)
    model.minimize(end)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.max_deterministic_time = effort
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Optimum(known, min(known, round(solver.best_objective_bound)))
    return Optimum(round(solver.objective_value), round(solver.best_objective_bound))


def _windows(
    model: cp_model.CpModel, asked: ScheduleCase, starts: list[cp_model.IntVar], length: int, known: int
) -> None:
    """Put every piece between two bounds that are at most a window's length apart."""
    number = min(len(asked.pieces), 2 * (known // length) + 1)
    bounds = [model.new_int_var(0, known, f"bound {n}") for n in range(number + 1)]
    model.add(bounds[0] == 0)
    for one, following in pairwise(bounds):
        model.add(following >= one)
        model.add(following - one <= length)
    for start, piece in zip(starts, asked.pieces, strict=True):
        inside = [model.new_bool_var("") for _ in range(number)]
        model.add_exactly_one(inside)
        for n, chosen in enumerate(inside):
            model.add(start >= bounds[n]).only_enforce_if(chosen)
            model.add(start + piece.minutes <= bounds[n + 1]).only_enforce_if(chosen)
