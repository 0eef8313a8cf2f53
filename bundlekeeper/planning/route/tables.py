"""What a search asks again and again, for one set of goals and of blockers that apply.

Rules: a state of the infrastructure or of a class is kept only where it lies on some way of its own; how far a class is
from its end is the exact answer for the infrastructure with that one class of servers, so that no joint route is
shorter; nothing here depends on the other classes.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from functools import cache, cached_property

from bundlekeeper.planning.route.compatible import Banned, CompatibleRules, bits
from bundlekeeper.planning.route.units import Unit

Costs = tuple[int, int, int]
Row = dict[int, tuple[int, int]]  # option -> end, packed cost
ONE = 96  # bits for minutes and for bytes in a packed cost: sums never run over
NEVER = -1
Least = tuple[int, int]  # packed costs: the class alone, and the infrastructure with it
Paid = dict[int, int]  # state -> packed cost of being there
FAR = 1 << 400


def packed(cost: Costs) -> int:
    """Server restarts, minutes and bytes as one number of the same order, which may be added."""
    return (cost[0] << 2 * ONE) + (cost[1] << ONE) + cost[2]


def unpacked(cost: int) -> Costs:
    """A packed cost, taken apart."""
    low = (1 << ONE) - 1
    return cost >> 2 * ONE, cost >> ONE & low, cost & low


class Moves:
    """The moves of units that no enabled blocker forbids, for one set of blockers after the other."""

    def __init__(self, units: Sequence[Unit]) -> None:
        self.units = units
        self._known: tuple[int, list[list[Row]]] = (0, [])
        self._groups: list[list[list[tuple[int, Row]]]] | None = None

    def group(self) -> None:
        """Judge all moves at once, for many sets of blockers to come."""
        self._groups = []
        for unit in self.units:
            rows = []
            for moves in unit.moves:
                found: dict[int, Row] = {}
                for option, move in moves.items():
                    found.setdefault(move.mask, {})[option] = (move.end, packed(move.cost))
                rows.append(list(found.items()))
            self._groups.append(rows)
        self._known = (0, [])

    def free(self, enabled: int) -> list[list[Row]]:
        """For each unit and each of its states: option -> end and packed cost."""
        if self._known[0] != enabled or not self._known[1]:
            self._known = (enabled, [self._free(i, enabled) for i in range(len(self.units))])
        return self._known[1]

    def _free(self, i: int, enabled: int) -> list[Row]:
        if self._groups is None:
            rows = self.units[i].moves
            return [{o: (m.end, packed(m.cost)) for o, m in row.items() if m.is_free(enabled)} for row in rows]
        found = []
        for groups in self._groups[i]:
            row: Row = {}
            for mask, moves in groups:
                if not mask & enabled:
                    row.update(moves)
            found.append(row)
        return found


class Tables:
    """Units, the first `own` of them infrastructure: without one there is a single state that nothing moves."""

    def __init__(
        self, moves: Moves, own: int, compatible: CompatibleRules, goals: Sequence[frozenset[int]], enabled: int
    ) -> None:
        self.own, self.enabled = own, enabled
        units, free = moves.units, moves.free(enabled)
        self.classes = units[own:]
        self.number = len(self.classes)
        allowed = [{s for s in g if not compatible.alone(i, s) & enabled} for i, g in enumerate(goals)]
        #: own_moves[a]: option, end, packed cost; moves[i][c]: option -> end, packed cost.
        self.own_moves: list[list[tuple[int, int, int]]] = [[]]
        self.goal = 1
        if own:
            self.goal = sum(1 << a for a in allowed[0])
            rows = _alive(free[0], allowed[0])
            self.own_moves = [[(o, e, c) for o, (e, c) in row.items()] for row in rows]
        self.moves = [_alive(free[own + i], allowed[own + i]) for i in range(self.number)]
        self.goals = [sum(1 << c for c in allowed[own + i]) for i in range(self.number)]
        self.rows = [self._rows(compatible.banned[own + i]) for i in range(self.number)]
        self.last_rows = [self._rows(compatible.last_banned[own + i]) for i in range(self.number)]
        self._fits: dict[tuple[int, int], int] = {}
        self._exact = cache(self._depths)
        self._own_exact = self._own_depths()
        self._within: dict[tuple[int, int, int], int] = {}

    def _rows(self, banned: Sequence[Sequence[Banned]]) -> list[int]:
        """The states of the infrastructure that each state of a class may run together with."""
        every = (1 << len(self.own_moves)) - 1
        found = []
        for entries in banned:
            bad = 0
            for blockers, which in entries:
                if blockers & self.enabled:
                    bad |= which
            found.append(every & ~bad)
        return found

    @cached_property
    def cheap_own(self) -> list[int]:
        """The packed cost from each state of the infrastructure to its end, alone; NEVER where there is no route."""
        return _cheapest([{o: (e, c) for o, e, c in own_move} for own_move in self.own_moves], bits(self.goal))

    @cached_property
    def next(self) -> list[list[int]]:
        """The states that each state of each class may move to, as bits."""
        found = []
        for rows in self.moves:
            found.append([_all(1 << end for end, _ in row.values()) for row in rows])
        return found

    @cached_property
    def own_far(self) -> list[int]:
        """How many changes the infrastructure alone is from its end; a large number where it never gets there."""
        far = [1 << 30] * len(self.own_moves)
        for depth in range(len(self._own_exact) - 1, -1, -1):
            for a in bits(self._own_exact[depth]):
                far[a] = depth
        return far

    def fits(self, i: int, a: int) -> int:
        """The states of class i that may run together with the infrastructure's state a."""
        key = (i, a)
        if key not in self._fits:
            self._fits[key] = sum(1 << c for c, row in enumerate(self.rows[i]) if row >> a & 1)
        return self._fits[key]

    def _depths(self, i: int) -> list[dict[int, int]]:
        """Windows left for the infrastructure and class i alone: [windows][infrastructure state] -> class states."""
        number = len(self.moves[i])
        rows = self.rows[i]
        before: list[int] = [0] * len(self.own_moves)
        for a, own in enumerate(self.own_moves):
            for _, end, _ in own:
                before[end] |= 1 << a
        sources: list[set[int]] = [set() for _ in range(number)]
        for c, moves in enumerate(self.moves[i]):
            for end, _ in moves.values():
                sources[end].add(c)
        fresh = {c: self.goal & rows[c] & self.last_rows[i][c] for c in bits(self.goals[i])}
        reached = [0] * number
        found: list[dict[int, int]] = []
        while any(fresh.values()):
            level: dict[int, int] = {}
            grown: dict[int, int] = {}
            for c, which in fresh.items():
                reached[c] |= which
                back = 0
                bit = 1 << c
                for a in bits(which):
                    level[a] = level.get(a, 0) | bit
                    back |= before[a]
                grown[c] = grown.get(c, 0) | back & rows[c]
                for d in sources[c]:
                    grown[d] = grown.get(d, 0) | which & rows[d]
            found.append(level)
            fresh = {c: new for c, which in grown.items() if (new := which & ~reached[c])}
        return found

    def _own_depths(self) -> list[int]:
        reached, found = self.goal, [self.goal]
        while True:
            grown = reached
            for a, own in enumerate(self.own_moves):
                if any(reached >> end & 1 for _, end, _ in own):
                    grown |= 1 << a
            if grown == reached:
                return found
            reached = grown
            found.append(reached)

    def within(self, i: int, windows: int, a: int) -> int:
        """The states of class i from which it and the infrastructure, now at a, end in so many windows or fewer."""
        key = (i, windows, a)
        if key not in self._within:
            found = self._exact(i)[windows].get(a, 0) if windows < len(self._exact(i)) else 0
            self._within[key] = found | (self.within(i, windows - 1, a) if windows else 0)
        return self._within[key]

    def own_within(self, windows: int, a: int) -> bool:
        """True where the infrastructure alone ends in so many windows or fewer."""
        return bool(self._own_exact[min(windows, len(self._own_exact) - 1)] >> a & 1)

    @cached_property
    def farthest(self) -> int:
        """Windows beyond which nothing more comes within reach of a class."""
        return max(len(self._own_exact), *(len(self._exact(i)) for i in range(self.number)), 1)

    def least(self) -> int:
        """No more than the windows from today to the end; NEVER where some class has no route even alone."""
        least = next((d for d in range(len(self._own_exact)) if self.own_within(d, 0)), NEVER)
        if least == NEVER or not all(self.goals):
            return NEVER
        for i in range(self.number):
            found = next((d for d, level in enumerate(self._exact(i)) if level.get(0, 0) & 1), NEVER)
            if found == NEVER:
                return NEVER
            least = max(least, found)
        return least


def _all(values: Iterable[int]) -> int:
    found = 0
    for value in values:
        found |= value
    return found


def _alive(moves: list[Row], goals: set[int]) -> list[Row]:
    """The moves that lie on some way from state 0 to a goal."""
    back: list[list[int]] = [[] for _ in moves]
    forward, todo = {0}, [0]
    while todo:
        a = todo.pop()
        for end, _ in moves[a].values():
            back[end].append(a)
            if end not in forward:
                forward.add(end)
                todo.append(end)
    backward, todo = goals & forward, list(goals & forward)
    while todo:
        for a in back[todo.pop()]:
            if a not in backward:
                backward.add(a)
                todo.append(a)
    return [{o: m for o, m in row.items() if m[0] in backward} if a in backward else {} for a, row in enumerate(moves)]


def _cheapest(moves: Sequence[Row], goals: Sequence[int]) -> list[int]:
    """The packed cost from each state to a goal, alone; NEVER where there is no route."""
    back: list[list[tuple[int, int]]] = [[] for _ in moves]
    for a, row in enumerate(moves):
        for end, cost in row.values():
            back[end].append((a, cost))
    best = [NEVER] * len(moves)
    heap = [(0, goal) for goal in goals]
    while heap:
        cost, a = heapq.heappop(heap)
        if best[a] == NEVER:
            best[a] = cost
            for b, more in back[a]:
                if best[b] == NEVER:
                    heapq.heappush(heap, (cost + more, b))
    return best


class Estimate:
    """What is left to pay at least, in the windows that are left; it keeps its answers.

    For each class the exact answer for the infrastructure with that class alone, in so many windows or fewer: once with
    the infrastructure's own cost, once without it. All classes without it, and one of them with it, is never more than
    what is left, so that A* may use it; the largest is chosen.
    """

    def __init__(self, t: Tables) -> None:
        self.t = t
        self._known: list[dict[tuple[int, int, int], Least]] = [{} for _ in range(t.number)]

    def rest(self, left: int, own: int, paid: int, costs: tuple[Paid, ...], bound: int) -> tuple[int, tuple[Paid, ...]]:
        """No more than what a route through here costs in all, and the states of classes that may keep it in the bound.

        `paid` is what the infrastructure has cost so far, `costs` what each class has for being in a state.
        """
        if not costs:
            return paid + self.t.cheap_own[own], costs
        found = []
        base, most = paid, 0
        for i, row in enumerate(costs):
            known = self._known[i]
            alone = both = FAR
            each = []
            for c, cost in row.items():
                one, two = known.get((left, own, c)) or self.least(i, left, own, c)
                one, two = cost + one, cost + two
                each.append((c, cost, two))
                if one < alone:
                    alone = one
                if two < both:
                    both = two
            base += alone
            if both - alone > most:
                most = both - alone
            found.append((alone, each))
        if base + most > bound or bound >= FAR:
            return base + most, costs
        kept = []
        for row, (alone, each) in zip(costs, found, strict=True):
            most_here = bound - base + alone
            fewer = {c: cost for c, cost, two in each if two <= most_here}
            kept.append(fewer if len(fewer) < len(row) else row)
        return base + most, tuple(kept)

    def least(self, i: int, left: int, own: int, c: int) -> Least:
        """For class i in state c; FAR where it does not end in so many windows."""
        key = (left, own, c)
        known = self._known[i]
        if key in known:
            return known[key]
        t = self.t
        if left == 0:
            found = (0, 0) if t.within(i, 0, own) >> c & 1 else (FAR, FAR)
        else:
            alone = both = FAR
            allowed = t.within(i, left - 1, own)
            ways = [(own, end, 0, cost) for end, cost in t.moves[i][c].values() if allowed >> end & 1]
            if allowed >> c & 1:
                ways.append((own, c, 0, 0))  # a window of others
            ways += [(end, c, cost, 0) for _, end, cost in t.own_moves[own] if t.within(i, left - 1, end) >> c & 1]
            for there, end, own_cost, cost in ways:
                one, two = self.least(i, left - 1, there, end)
                alone, both = min(alone, one + cost), min(both, two + cost + own_cost)
            found = (alone, both)
        known[key] = found
        return found
