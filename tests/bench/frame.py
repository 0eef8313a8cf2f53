"""The frame of the benchmarks: one decorated function is one row of the table.

Rules: each round runs ours and the public tool one after the other, on the same bytes, in turns as to which goes first;
a row's figures are medians over the rounds, and its ratio is the median of the rounds' ratios, so that a busy moment
spoils a round and not the row; a row that cannot be measured says why; nothing here fails a build.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from tests.bench.world import World

Measure = Callable[[World], float]


class Skipped(Exception):  # noqa: N818 - nothing went wrong
    """This row cannot be measured here; the text says why."""


class Judged(StrEnum):
    """Which figure the target speaks about."""

    RATIO = "ratio"  # ours ÷ theirs
    OURS = "ours"
    ABOVE = "above"  # ours - theirs


@dataclass(frozen=True, slots=True)
class Target:
    """What the figure should be: at least or at most `value`; `aim` is a wish beyond it."""

    judged: Judged
    at_least: bool
    value: float
    aim: float | None = None

    def met(self, figure: float) -> bool:
        """True when the figure is on the good side of the target."""
        return figure >= self.value if self.at_least else figure <= self.value


def ratio_at_least(value: float, aim: float | None = None) -> Target:
    """A rate: higher is better."""
    return Target(Judged.RATIO, True, value, aim)


def ratio_at_most(value: float, aim: float | None = None) -> Target:
    """A time: lower is better."""
    return Target(Judged.RATIO, False, value, aim)


@dataclass(frozen=True, slots=True)
class Bench:
    """One row: what is measured, against what, in which unit."""

    name: str
    what: str
    against: str
    unit: str
    target: Target | None
    function: Callable[[World], tuple[float, float]]


#: Every bench that an imported module declares.
BENCHES: list[Bench] = []

Function = Callable[[World], tuple[float, float]]


def bench(
    name: str, *, what: str, against: str, unit: str, target: Target | None = None
) -> Callable[[Function], Function]:
    """Make a function that measures one round, and returns (ours, theirs), a row of the table."""

    def register(function: Function) -> Function:
        BENCHES.append(Bench(name, what, against, unit, target, function))
        return function

    return register


def in_turns(world: World, ours: Measure, theirs: Measure) -> tuple[float, float]:
    """Run both; which goes first changes from round to round."""
    if world.round % 2:
        second = theirs(world)
        return ours(world), second
    first = ours(world)
    return first, theirs(world)


def seconds(work: Callable[[], Any]) -> float:
    """The wall time of one call."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


@dataclass(frozen=True, slots=True)
class Row:
    """One measured row; the figures are None where it was skipped."""

    bench: Bench
    ours: float | None = None
    theirs: float | None = None
    ratio: float | None = None
    lowest: float | None = None
    highest: float | None = None
    skipped: str = ""

    @property
    def figure(self) -> float | None:
        """The figure that the target speaks about; the ratio where there is no target."""
        judged = self.bench.target.judged if self.bench.target else Judged.RATIO
        if self.ours is None or self.theirs is None:
            return None
        return {Judged.RATIO: self.ratio, Judged.OURS: self.ours, Judged.ABOVE: self.ours - self.theirs}[judged]

    @property
    def met(self) -> bool | None:
        """Whether the target was met; None without a target or a figure."""
        return None if self.bench.target is None or self.figure is None else self.bench.target.met(self.figure)

    def as_json(self) -> dict[str, Any]:
        """The row as the JSON file keeps it."""
        return {
            "name": self.bench.name,
            "what": self.bench.what,
            "against": self.bench.against,
            "unit": self.bench.unit,
            "ours": self.ours,
            "theirs": self.theirs,
            "ratio": self.ratio,
            "ratio_lowest": self.lowest,
            "ratio_highest": self.highest,
            "target": asdict(self.bench.target) if self.bench.target else None,
            "met": self.met,
            "skipped": self.skipped or None,
        }


def run(benches: Iterable[Bench], world: World, rounds: int) -> list[Row]:
    """Measure every bench over so many rounds; progress goes to stderr."""
    return [_run_one(each, world, rounds) for each in benches]


def _run_one(each: Bench, world: World, rounds: int) -> Row:
    pairs: list[tuple[float, float]] = []
    for number in range(rounds):
        print(f"{each.name}: round {number + 1} of {rounds}", file=sys.stderr, flush=True)
        world.round = number
        try:
            pairs.append(each.function(world))
        except Skipped as e:
            return Row(each, skipped=str(e))
        except (RuntimeError, OSError, subprocess.CalledProcessError) as e:  # the other rows are still worth measuring
            return Row(each, skipped=f"FAILED: {e}")
    ratios = [ours / theirs for ours, theirs in pairs]
    return Row(
        each,
        statistics.median(ours for ours, _ in pairs),
        statistics.median(theirs for _, theirs in pairs),
        statistics.median(ratios),
        min(ratios),
        max(ratios),
    )
