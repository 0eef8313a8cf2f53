"""One case scheduled by us, checked minute by minute, and by the solver."""

from __future__ import annotations

from dataclasses import dataclass

from bundlekeeper.planning.windows.schedule import Limits, lower_bound
from tests.kits.schedules import assert_allowed
from tests.optimum.cases import case
from tests.optimum.solver import Optimum, shortest


@dataclass(frozen=True, slots=True)
class Measured:
    """Our minutes and lower bound beside the solver's."""

    seed: int
    pieces: int
    length: int | None
    ours: int
    bound: int
    optimum: Optimum

    @property
    def ratio(self) -> float:
        """Ours to the solver's; 1 is as short."""
        return self.ours / self.optimum.minutes

    @property
    def text(self) -> str:
        """The case for people."""
        proven = "" if self.optimum.is_proven else f", not proven: at least {self.optimum.bound}"
        return (
            f"seed {self.seed}: {self.pieces} pieces, windows of {self.length or 'any length'}: "
            f"{self.ours} minutes, {self.optimum.minutes} are enough (x {self.ratio:.3f}){proven}"
        )


def measured(seed: int, most: int, effort: float) -> Measured:
    """The case of that seed, with at most that many pieces."""
    asked = case(seed, most)
    ours = assert_allowed(asked.pieces, asked.length, asked.per_cluster)
    bound = lower_bound(asked.pieces, Limits(asked.length, asked.per_cluster))
    return Measured(seed, len(asked.pieces), asked.length, ours, bound, shortest(asked, ours, effort))
