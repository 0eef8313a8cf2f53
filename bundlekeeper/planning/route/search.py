"""The shortest allowed route over the states of all units: whether there is one, in how many windows, and the cheapest.

Rules: costs are compared in this order: windows, server restarts, minutes, bytes; windows are tried from the fewest
that any one class of servers needs with the infrastructure, so the first that do are the fewest; a route is given only
when every pair of states on it was asked; what is followed of the classes' pairs grows until that is so.
"""

from __future__ import annotations

from collections.abc import Sequence

from bundlekeeper.frozen import dataclass
from bundlekeeper.planning.route.best import Allowance, Best, CostedRoute, Taken
from bundlekeeper.planning.route.compatible import CompatibleRules
from bundlekeeper.planning.route.modes import RouteGuard, TooMany, merged
from bundlekeeper.planning.route.reachable import reachable
from bundlekeeper.planning.route.tables import Moves, Tables, unpacked

Cost = tuple[int, int, int, int]

MOST_PLACES = 15_000  # then the search gives up and says so


@dataclass(frozen=True, slots=True)
class RouteProblem:
    """The moves of units, the first `own` of them infrastructure (none or one), their neighbours, and their goals.

    Only the blockers of `enabled` count.
    """

    moves: Moves
    own: int
    compatible: CompatibleRules
    goals: Sequence[frozenset[int]]
    enabled: int = -1


@dataclass(frozen=True, slots=True)
class FoundRoute:
    """What a search found: the steps with their cost; `exhausted` is False where it gave up before the end."""

    steps: tuple[Taken, ...] | None
    cost: Cost
    exhausted: bool


class RouteSearch:
    """One search."""

    def __init__(self, problem: RouteProblem) -> None:
        self.tables = Tables(problem.moves, problem.own, problem.compatible, problem.goals, problem.enabled)
        self.guard = RouteGuard(problem.compatible, problem.own, self.tables.number, problem.enabled)

    def has_way(self, most: int = MOST_PLACES) -> bool | None:
        """Whether there is any route; None where more places than `most` would have to be looked at."""
        try:
            return reachable(self.tables, self.guard, most)
        except TooMany:
            return None

    def run(self, most: int = MOST_PLACES) -> FoundRoute:
        """The cheapest route from today's states."""
        found = self.has_way(most)
        if not found:
            return FoundRoute(None, (0, 0, 0, 0), found is False)
        allowance = Allowance(most)
        try:
            windows = self.tables.least()
            while True:
                best = Best(self.tables, self.guard, windows, allowance)
                way = best.cheapest() if best.is_possible() else None
                if way is None:
                    windows += 1
                elif not self._learn(way):
                    return FoundRoute(way.steps, (windows, *unpacked(way.cost)), True)
        except TooMany:
            return FoundRoute(None, (0, 0, 0, 0), False)

    def _learn(self, way: CostedRoute) -> bool:
        """Follow the tokens in which a route clashes, if any."""
        guard, more = self.guard, 0
        for before, after in zip(way.states, way.states[1:], strict=False):
            rows = zip(guard.way, before, after, strict=True)
            more |= guard.clashes([merged(tokens[a], tokens[b]) for tokens, a, b in rows])
        last = guard.clashes([tokens[c] for tokens, c in zip(guard.end, way.states[-1], strict=True)])
        guard.followed |= more
        guard.followed_at_end |= last
        return bool(more or last)


__all__ = ["FoundRoute", "RouteProblem", "RouteSearch", "Taken"]
