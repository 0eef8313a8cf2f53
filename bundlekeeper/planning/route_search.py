"""The shortest allowed way over the states of all units, by A* (Hart, Nilsson, Raphael 1968; from memory).

Rules: costs are compared as tuples: windows, server restarts, minutes, bytes; the estimate of what is left never
exceeds what is left, so the first way out is the cheapest: windows by the exact answer for the infrastructure with any
one class of servers, the rest by each unit's own cheapest way. A window with servers is decided class by class, so that
no subset is looked at that is not promising. Equal ways are told apart by the order of units and options alone.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from bundlekeeper.planning.route_units import Move, Unit

Cost = tuple[int, int, int, int]
Taken = tuple[int, tuple[int, ...]]  # the option, and the units that take it
_Key = tuple[tuple[int, ...], int, int, tuple[int, ...]]  # states, option under decision, next class, who takes it

MOST_NODES = 50_000  # then the search gives up and says so


@dataclass(slots=True)
class Problem:
    """Units, the first `own` of them infrastructure (none or one), what may stand beside what, and the goals.

    `beside(i, a, j, b)` are the blockers of unit i in state a with unit j in state b; only those of `enabled` count.
    """

    units: Sequence[Unit]
    own: int
    beside: Callable[[int, int, int, int], int]
    goals: Sequence[frozenset[int]]
    enabled: int = -1
    refused: Callable[[tuple[int, ...]], int] = lambda _: 0  # blockers of an end, today's included
    fits: dict[tuple[int, int, int], int] = field(default_factory=dict)

    def moves(self, i: int, a: int) -> list[tuple[int, Move]]:
        """The moves of a unit from a state that no enabled blocker stands against."""
        return [(o, m) for o, m in self.units[i].moves[a].items() if not m.mask & self.enabled]

    def fit(self, i: int, a: int, j: int) -> int:
        """The states of unit j that may stand beside unit i in state a, as bits."""
        key = (i, a, j)
        if key not in self.fits:
            bits = 0
            for b in range(len(self.units[j].states)):
                if not self.beside(i, a, j, b) & self.enabled:
                    bits |= 1 << b
            self.fits[key] = bits
        return self.fits[key]


class Found:
    """What a search found: the steps with their cost; `exhausted` is False where it gave up before the end."""

    def __init__(self, steps: tuple[Taken, ...] | None, cost: Cost, exhausted: bool) -> None:
        self.steps = steps
        self.cost = cost
        self.exhausted = exhausted


_NEVER = 1 << 30


class Search:
    """One search."""

    def __init__(self, problem: Problem) -> None:
        self.p = problem
        self.classes = range(problem.own, len(problem.units))
        self._cheap = [self._cheapest(i) for i in range(len(problem.units))]
        self._windows = [self._windows_with(i) for i in self.classes]

    def _cheapest(self, i: int) -> list[tuple[int, int, int] | None]:
        """The lexicographically cheapest restarts, minutes and bytes from each state of a unit to its goals, alone."""
        p, number = self.p, len(self.p.units[i].states)
        back: list[list[tuple[int, tuple[int, int, int]]]] = [[] for _ in range(number)]
        for a in range(number):
            for _, move in p.moves(i, a):
                back[move.end].append((a, move.cost))
        best: list[tuple[int, int, int] | None] = [None] * number
        heap = [((0, 0, 0), a) for a in sorted(p.goals[i])]
        while heap:
            cost, a = heapq.heappop(heap)
            if best[a] is not None:
                continue
            best[a] = cost
            for b, more in back[a]:
                if best[b] is None:
                    heapq.heappush(heap, ((cost[0] + more[0], cost[1] + more[1], cost[2] + more[2]), b))
        return best

    def _windows_with(self, i: int) -> list[dict[int, int]]:
        """Windows left for the infrastructure and class i alone: [class state][infrastructure state]."""
        p = self.p
        number = len(p.units[i].states)
        every = (1 << len(p.units[0].states)) - 1 if p.own else 1
        fits = [p.fit(i, c, 0) if p.own else 1 for c in range(number)]
        goal = sum(1 << a for a in p.goals[0]) if p.own else 1
        ahead: list[tuple[int, int]] = []
        if p.own:
            for a in range(len(p.units[0].states)):
                ends = 0
                for _, move in p.moves(0, a):
                    ends |= 1 << move.end
                ahead.append((1 << a, ends))
        ends_of = [sorted({m.end for _, m in p.moves(i, c)}) for c in range(number)]
        reached = [goal & every if c in p.goals[i] else 0 for c in range(number)]
        found: list[dict[int, int]] = [dict.fromkeys(_bits(reached[c]), 0) for c in range(number)]
        depth = 0
        while True:
            depth += 1
            grown = list(reached)
            for c in range(number):
                wanted = reached[c] & fits[c]
                if wanted:
                    for bit, ends in ahead:
                        if ends & wanted:
                            grown[c] |= bit
                for d in ends_of[c]:
                    grown[c] |= reached[d] & fits[d]
            if grown == reached:
                return found
            for c in range(number):
                for a in _bits(grown[c] & ~reached[c]):
                    found[c][a] = depth
            reached = grown

    def left(self, states: Sequence[int], moves: dict[int, Move] | None = None) -> Cost | None:
        """No more than what is left from a state; `moves` are those that a unit may still take in this window."""
        windows, rest = 0, (0, 0, 0)
        own = states[0] if self.p.own else 0
        for i, state in enumerate(states):
            costs = [self._cheap[i][state]]
            may = [state]
            if moves is not None and (move := moves.get(i)) is not None:
                may.append(move.end)
                end = self._cheap[i][move.end]
                costs.append(end and (end[0] + move.cost[0], end[1] + move.cost[1], end[2] + move.cost[2]))
            known = [c for c in costs if c is not None]
            if not known:
                return None
            cheap = min(known)
            rest = (rest[0] + cheap[0], rest[1] + cheap[1], rest[2] + cheap[2])
            if i >= self.p.own:
                left = min(self._windows[i - self.p.own][s].get(own, _NEVER) for s in may)
                if left == _NEVER:
                    return None
                windows = max(windows, left)
        if not self.classes and states and states[0] not in self.p.goals[0]:
            windows = 1
        return (windows, *rest)

    def run(self, most: int = MOST_NODES) -> Found:
        """Search from today's states."""
        p = self.p
        start: _Key = ((0,) * len(p.units), -1, 0, ())
        first = self.left(start[0])
        if first is None:
            return Found(None, (0, 0, 0, 0), True)
        best: dict[_Key, Cost] = {start: (0, 0, 0, 0)}
        came: dict[_Key, tuple[_Key, Taken | None]] = {}
        heap = [(first, first, 0, start)]
        closed: set[_Key] = set()
        count = 0
        while heap:
            _, _, _, key = heapq.heappop(heap)
            if key in closed:
                continue
            closed.add(key)
            if key[1] < 0 and self._is_goal(key[0]):
                return Found(_steps(came, key), best[key], True)
            if len(closed) > most:
                return Found(None, (0, 0, 0, 0), False)
            for next_, more, taken, left in self._onward(key):
                cost = _sum(best[key], more)
                if next_ in closed or (next_ in best and best[next_] <= cost):
                    continue
                best[next_] = cost
                came[next_] = (key, taken)
                count -= 1  # of equals the one that was met last goes first: straight on
                heapq.heappush(heap, (_sum(cost, left), left, count, next_))
        return Found(None, (0, 0, 0, 0), True)

    def _is_goal(self, states: tuple[int, ...]) -> bool:
        if not all(s in self.p.goals[i] for i, s in enumerate(states)):
            return False
        return not self.p.refused(states) & self.p.enabled

    def _onward(self, key: _Key) -> list[tuple[_Key, Cost, Taken | None, Cost]]:
        states = key[0]
        if key[1] >= 0:
            return self._decide(key)
        found: list[tuple[_Key, Cost, Taken | None, Cost]] = []
        if self.p.own:
            for number, move in self.p.moves(0, states[0]):
                if all(self.p.fit(0, move.end, i) >> states[i] & 1 for i in self.classes):
                    after = (move.end, *states[1:])
                    left = self.left(after)
                    if left is not None:
                        found.append(((after, -1, 0, ()), (1, *move.cost), (number, (0,)), left))
        for number in self._options(states):
            candidates = self._candidates(states, number)
            if candidates:
                left = self._left_deciding(states, number, 0, (), candidates)
                if left is not None:
                    found.append(((states, number, 0, ()), (1, 0, 0, 0), None, left))
        return found

    def _options(self, states: tuple[int, ...]) -> list[int]:
        return sorted({number for i in self.classes for number in self.p.units[i].moves[states[i]]})

    def _candidates(self, states: tuple[int, ...], option: int) -> dict[int, Move]:
        """The classes that may take the option beside all others as they are now."""
        found = {}
        for i in self.classes:
            move = self.p.units[i].moves[states[i]].get(option)
            if move is None or move.mask & self.p.enabled:
                continue
            if all(self.p.fit(i, move.end, j) >> s & 1 for j, s in enumerate(states) if j != i):
                found[i] = move
        return found

    def _left_deciding(
        self, states: tuple[int, ...], option: int, place: int, takers: tuple[int, ...], candidates: dict[int, Move]
    ) -> Cost | None:
        now = tuple(candidates[i].end if i in takers else s for i, s in enumerate(states))
        return self.left(now, {i: m for i, m in candidates.items() if i >= place and i not in takers})

    def _decide(self, key: _Key) -> list[tuple[_Key, Cost, Taken | None, Cost]]:
        """The next class takes the option, or does not."""
        states, option, place, takers = key
        candidates = self._candidates(states, option)
        i = next((c for c in candidates if c >= place), None)
        if i is None:
            if not takers:
                return []
            after = tuple(candidates[n].end if n in takers else s for n, s in enumerate(states))
            left = self.left(after)
            return [] if left is None else [((after, -1, 0, ()), (0, 0, 0, 0), (option, takers), left)]
        found: list[tuple[_Key, Cost, Taken | None, Cost]] = []
        move = candidates[i]
        chosen = [(takers, (0, 0, 0))]
        if all(self.p.fit(i, move.end, n) >> candidates[n].end & 1 for n in takers):
            chosen.append(((*takers, i), move.cost))
        for who, cost in chosen:
            left = self._left_deciding(states, option, i + 1, who, candidates)
            if left is not None:
                found.append(((states, option, i + 1, who), (0, *cost), None, left))
        return found


def _bits(value: int) -> list[int]:
    return [n for n in range(value.bit_length()) if value >> n & 1]


def _sum(a: Cost, b: Cost) -> Cost:
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2], a[3] + b[3])


def _steps(came: dict[_Key, tuple[_Key, Taken | None]], key: _Key) -> tuple[Taken, ...]:
    found: list[Taken] = []
    while key in came:
        key, taken = came[key]
        if taken is not None:
            found.append(taken)
    return tuple(reversed(found))
