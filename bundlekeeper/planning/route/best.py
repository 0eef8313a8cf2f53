"""The cheapest route in a given number of windows: first whether there is one, then by A* (Hart and others 1968).

Rules: a place is what the infrastructure runs, how many windows are left, and for each class all states that it can be
in with the cost of being there: a class takes a step or leaves it without the others being asked, so no subset of
classes is ever tried; states from which a class would not end in the windows that are left are dropped. A place is
skipped when another one at the same windows and infrastructure can do all that it can for no more. Equal routes are
ordered by options, classes and states alone.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from typing import Any

from bundlekeeper.frozen import dataclass
from bundlekeeper.planning.route.compatible import bits
from bundlekeeper.planning.route.modes import Marks, RouteGuard, TooMany, merged, passes
from bundlekeeper.planning.route.reachable import Sets, at_end
from bundlekeeper.planning.route.tables import FAR, Estimate, Paid, Tables

Ways = tuple[tuple[int, int, int], ...]  # of one class through a window: state, end, packed cost
Gains = dict[int, Ways]  # by option
Taken = tuple[int, tuple[int, ...]]  # the option, and the units that take it


_Trail = tuple[Any, int, int] | None  # the trail before, the option, and where the infrastructure is then
_FOLLOWED = 50  # of the modes of a way that was found
_LOOKED_BACK = 200  # places of other states that one is held against


@dataclass(slots=True)
class _Node:
    left: int
    own: int
    own_cost: int
    costs: tuple[Paid, ...]  # for each class, state -> packed cost of being there
    ways: tuple[Ways, ...] = ()  # for each class, how it came through the window before
    before: _Node | None = None
    option: int = -1
    own_moved: bool = False


@dataclass(frozen=True, slots=True)
class CostedRoute:
    """Steps with their packed cost, and the states of the classes: today's, then after each step."""

    steps: tuple[Taken, ...]
    cost: int
    states: tuple[tuple[int, ...], ...]


_Places = tuple[dict[int, list[_Node]], list[tuple[int, _Node]]]  # by their sets of states, and as they were met


class Allowance:
    """How many places may still be looked at."""

    def __init__(self, most: int) -> None:
        self.left = most

    def spend(self) -> None:
        """Raises TooMany where none is left."""
        self.left -= 1
        if self.left < 0:
            raise TooMany


class Best:
    """Searches in one number of windows."""

    def __init__(self, t: Tables, guard: RouteGuard, windows: int, allowance: Allowance) -> None:
        self.t, self.guard, self.windows, self.allowance = t, guard, windows, allowance
        self.estimate = Estimate(t)
        self.bound = FAR
        self._widths = [len(rows) for rows in t.moves]
        self._ways: dict[tuple[int, int, int, int, int], tuple[Ways, Marks]] = {}
        self._gained: dict[tuple[int, int, int, int], Gains] = {}

    def is_possible(self) -> bool:
        """True where some route of so many windows is allowed, as far as the guard follows. Raises TooMany."""
        seen: dict[tuple[int, int], list[int]] = {}
        todo: list[tuple[int, int, Sets, _Trail]] = [(self.windows, 0, (1,) * self.t.number, None)]
        while todo:
            left, own, sets, trail = todo.pop()
            self.allowance.spend()
            if left == 0:
                if at_end(self.t, self.guard, own, sets) is not None:
                    self._bound_by(trail)
                    return True
                continue
            for option, end, after in self._next_sets(left, own, sets):
                rows = seen.setdefault((left, end), [])
                joined = self._joined(after)
                if any(not joined & ~known for known in rows):
                    continue
                rows.append(joined)
                todo.append((left - 1, end, after, (trail, option, end)))
        return False

    def _bound_by(self, trail: _Trail) -> None:
        """What the steps of a route that was found cost at least, as a bound for all others."""
        steps = []
        while trail is not None:
            trail, option, end = trail
            steps.append((option, end))
        nodes = [self._start()]
        for option, end in reversed(steps):
            afters = (after for node in nodes for after in self._onward(node))
            nodes = [n for n in afters if (n.option, n.own) == (option, end)][:_FOLLOWED]
        self.bound = min((_written(n, self.t.own).cost for n in nodes if self._ended(n)), default=FAR)

    def _start(self) -> _Node:
        return _Node(self.windows, 0, 0, ({0: 0},) * self.t.number)

    def _joined(self, sets: Sets) -> int:
        """All sets as one, so that one is within another where no bit remains."""
        found = 0
        for which, width in zip(sets, self._widths, strict=True):
            found = found << width | which
        return found

    def _next_sets(self, left: int, own: int, sets: Sets) -> Iterator[tuple[int, int, Sets]]:
        t = self.t
        for option, gains in self._options(left, own, sets):
            for ways in self._moded(left, own, sets, gains, option):
                after = []
                for way in ways:
                    which = 0
                    for _, end, _ in way:
                        which |= 1 << end
                    after.append(which)
                yield option, own, tuple(after)
        for option, end, _ in t.own_moves[own]:
            if t.own_within(left - 1, end) and (fitting := self._fitting(left, end, sets)) is not None:
                yield option, end, fitting

    def _fitting(self, left: int, own: int, sets: Sets) -> Sets | None:
        found = []
        for i, which in enumerate(sets):
            which &= self.t.within(i, left - 1, own)
            if not which:
                return None
            found.append(which)
        return tuple(found)

    def _options(self, left: int, own: int, sets: Sets) -> list[tuple[int, list[Gains]]]:
        """The options that get some class to a new state, and each class to one from which it still ends."""
        if not self.t.own_within(left - 1, own):
            return []
        options: set[int] | None = None
        for i, which in enumerate(sets):
            if not which & self.t.within(i, left - 1, own):  # this class must move now
                gains = self._gains(i, left, own, which)
                options = set(gains) if options is None else options.intersection(gains)
                if not options:
                    return []
        every = [self._gains(i, left, own, which) for i, which in enumerate(sets)]
        return [(option, every) for option in sorted(set().union(*every) if options is None else options)]

    def _gains(self, i: int, left: int, own: int, which: int) -> Gains:
        key = (i, left, own, which)
        if key not in self._gained:
            rows = [self._gain(i, left, own, c) for c in bits(which)]
            if len(rows) == 1:
                self._gained[key] = rows[0]
            else:
                found: Gains = {}
                for row in rows:
                    for option, moves in row.items():
                        found[option] = found[option] + moves if option in found else moves
                self._gained[key] = found
        return self._gained[key]

    def _gain(self, i: int, left: int, own: int, c: int) -> Gains:
        key = (i, left, own, ~c)
        if key not in self._gained:
            allowed = self.t.within(i, left - 1, own)
            moves = self.t.moves[i][c].items()
            self._gained[key] = {o: ((c, end, cost),) for o, (end, cost) in moves if allowed >> end & 1}
        return self._gained[key]

    def _moded(self, left: int, own: int, sets: Sets, gains: list[Gains], option: int) -> Iterator[list[Ways]]:
        """For each mode of the window, each class's moves through it: state, end, packed cost."""
        rows = [self._row(i, left, own, which, option, gains[i]) for i, which in enumerate(sets)]
        if not self.guard.followed:
            yield [row for row, _ in rows]
            return
        modes = self.guard.modes([marks for _, marks in rows], self.guard.followed)
        if len(modes) == 1 and modes[0] is self.guard.free:
            yield [row for row, _ in rows]
            return
        for mode in modes:
            kept = [
                tuple(move for move, token in zip(row, marks.each, strict=True) if passes(token, ban))
                for (row, marks), ban in zip(rows, mode, strict=True)
            ]
            if all(kept):
                yield kept

    def _row(self, i: int, left: int, own: int, which: int, option: int, gains: Gains) -> tuple[Ways, Marks]:
        """One class's moves through a window, and the tokens that are followed of each."""
        key = (i, left, own, which, option)
        if key not in self._ways:
            stays = ((c, c, 0) for c in bits(which & self.t.within(i, left - 1, own)))
            row = (*stays, *gains.get(option, ()))
            way = self.guard.way[i]
            self._ways[key] = (row, Marks([merged(way[c], way[e]) for c, e, _ in row], self.guard.followed))
        return self._ways[key]

    def cheapest(self) -> CostedRoute | None:
        """The cheapest route of exactly so many windows, as far as the guard follows. Raises TooMany."""
        start = self._start()
        heap: list[tuple[int, int, int, _Node]] = [(0, self.windows, 0, start)]
        seen: dict[tuple[int, int], _Places] = {}
        count = 0
        while heap:
            _, _, _, node = heapq.heappop(heap)
            if node.left == 0:
                return _written(node, self.t.own)
            self.allowance.spend()
            for after in self._onward(node):
                if after.left == 0 and not self._ended(after):
                    continue
                least, after.costs = self.estimate.rest(after.left, after.own, after.own_cost, after.costs, self.bound)
                if least > self.bound:
                    continue
                joined = self._joined(tuple(sum(1 << c for c in cost) for cost in after.costs))
                if self._is_dominated(after, joined, seen):
                    continue
                count += 1
                heapq.heappush(heap, (least, after.left, count, after))
        return None

    def _is_dominated(self, node: _Node, joined: int, seen: dict[tuple[int, int], _Places]) -> bool:
        """True where a place of the same states, or one of the latest with more, needs no more; else note the node."""
        places = seen.setdefault((node.left, node.own), ({}, []))
        same = places[0].setdefault(joined, [])
        if any(_dominates(old, node) for old in same):
            return True
        for known, old in places[1][:-_LOOKED_BACK:-1]:
            if not joined & ~known and _dominates(old, node):
                return True
        same.append(node)
        places[1].append((joined, node))
        return False

    def _ended(self, node: _Node) -> bool:
        """Keep the states in which the classes may end; false where some class has none."""
        ends = at_end(self.t, self.guard, node.own, tuple(sum(1 << c for c in cost) for cost in node.costs))
        if ends is None:
            return False
        node.costs = tuple({c: row[c] for c in bits(w)} for row, w in zip(node.costs, ends, strict=True))
        return True

    def _onward(self, node: _Node) -> Iterator[_Node]:
        sets = tuple(sum(1 << c for c in row) for row in node.costs)
        left = node.left - 1
        for option, end, cost in self.t.own_moves[node.own]:
            if not self.t.own_within(left, end):
                continue
            fitting = self._fitting(node.left, end, sets)
            if fitting is not None:
                costs = tuple({c: row[c] for c in bits(w)} for row, w in zip(node.costs, fitting, strict=True))
                yield _Node(left, end, node.own_cost + cost, costs, (), node, option, True)
        for option, gains in self._options(node.left, node.own, sets):
            for ways in self._moded(node.left, node.own, sets, gains, option):
                costs = tuple(_moved(row, known) for row, known in zip(ways, node.costs, strict=True))
                yield _Node(left, node.own, node.own_cost, costs, tuple(ways), node, option)


def _moved(ways: Ways, known: Paid) -> Paid:
    """What it costs to be in each state after those moves."""
    if len(ways) == len(known) and all(not cost and c == end for c, end, cost in ways):
        return known  # every state stays, and so does what it costs
    found: Paid = {}
    for c, end, cost in ways:
        total = known[c] + cost
        if end not in found or total < found[end]:
            found[end] = total
    return found


def _came(ways: Ways, known: Paid, end: int) -> int:
    """The state from which the cheapest of the moves to an end comes, of equals the first."""
    return min((way for way in ways if way[1] == end), key=lambda w: known[w[0]] + w[2])[0]


def _dominates(old: _Node, new: _Node) -> bool:
    """True where whatever is reached from `new` is reached from `old`, of the same states, for no more."""
    excess = old.own_cost - new.own_cost
    for known, row in zip(old.costs, new.costs, strict=True):
        excess += max(known[c] - cost for c, cost in row.items())
    return excess <= 0


def _written(node: _Node, own: int) -> CostedRoute:
    states = [min((cost, c) for c, cost in row.items())[1] for row in node.costs]
    cost = node.own_cost + sum(row[c] for row, c in zip(node.costs, states, strict=True))
    steps: list[Taken] = []
    trail = [tuple(states)]
    walk = node
    while walk.before is not None:
        takers: tuple[int, ...] = (0,)
        if not walk.own_moved:
            rows = zip(walk.ways, walk.before.costs, states, strict=True)
            before = [_came(ways, known, c) for ways, known, c in rows]
            takers = tuple(own + i for i, (c, b) in enumerate(zip(states, before, strict=True)) if b != c)
            states = before
        steps.append((walk.option, takers))
        trail.append(tuple(states))
        walk = walk.before
    return CostedRoute(tuple(reversed(steps)), cost, tuple(reversed(trail)))
