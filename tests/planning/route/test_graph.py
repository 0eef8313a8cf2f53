"""The search against networkx: whole graphs of joint states written out, of random units and of random domains.

networkx (https://networkx.org) answers by Dijkstra over every joint state and every subset of classes; costs are
packed into one integer in the order windows, restarts, minutes, bytes. Here are no sets, no modes, no estimate.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import combinations, product

import networkx as nx
import pytest

from bundlekeeper.planning.route.compatible import CompatibleRules, Tokens
from bundlekeeper.planning.route.find import Route, route
from bundlekeeper.planning.route.search import RouteProblem, RouteSearch
from bundlekeeper.planning.route.tables import Moves
from bundlekeeper.planning.route.types import LeftOut
from bundlekeeper.planning.route.units import Move, Unit
from bundlekeeper.planning.route.why_none import blocking
from tests.kits.brute_force import Brute, State
from tests.kits.planning_kit import NOW, stored_all
from tests.kits.route_stock import VERSIONS

Joint = tuple[int, ...]
Four = tuple[int, int, int, int]
TOKENS = 3
MOVING = 3  # blockers of moves, after those of tokens
BANNING = 2  # blockers of the infrastructure beside a class, after those


def one_number(cost: Four) -> int:
    """A cost as an integer of the same order: none of the last three reaches a million here."""
    return ((cost[0] * 10**6 + cost[1]) * 10**6 + cost[2]) * 10**6 + cost[3]


class Random:
    """Random units with random neighbours; `own` is 0 or 1."""

    def __init__(self, rnd: random.Random) -> None:
        self.own = int(rnd.random() < 0.9)
        self.sizes = [rnd.randint(3, 5) for _ in range(self.own + rnd.randint(2, 3))]
        self.units = [self.unit(rnd, size) for size in self.sizes]
        while True:
            self.tokens = [[self.token(rnd, 0.4) for _ in range(size)] for size in self.sizes]
            if self.compatible((0,) * len(self.sizes), self.tokens) == 0:
                break
        self.last = [[self.token(rnd, 0.35) for _ in range(size)] for size in self.sizes]
        self.banned = [self.bans(rnd, i) for i in range(len(self.sizes))]
        self.goals = [
            frozenset(rnd.sample(range(size), rnd.randint(1, 2)) if rnd.random() < 0.5 else [size - 1])
            for size in self.sizes
        ]

    def unit(self, rnd: random.Random, size: int) -> Unit:
        made = Unit("", "blade", (), (), "")
        for a in range(size):
            row = {}
            for option in range(3):
                end = rnd.randrange(size)
                if end != a and rnd.random() < 0.8:
                    cost = (rnd.randint(0, 2), rnd.randint(1, 9), rnd.randint(1, 50))
                    mask = 1 << TOKENS + rnd.randrange(MOVING) if rnd.random() < 0.1 else 0
                    row[option] = Move(end, mask, cost, lambda: ((), 0))
            made.moves.append(row)
        return made

    def token(self, rnd: random.Random, chance: float) -> Tokens:
        few = [1 << rnd.randrange(TOKENS) if rnd.random() < chance else 0 for _ in range(2)]
        return few[0], few[1]

    def bans(self, rnd: random.Random, i: int) -> list[list[tuple[int, int]]]:
        rows: list[list[tuple[int, int]]] = [[] for _ in range(self.sizes[i])]
        if self.own and i >= self.own:
            for c, row in enumerate(rows):
                if rnd.random() < 0.15:
                    which = rnd.randrange(1 << self.sizes[0])
                    row.append((1 << TOKENS + MOVING + rnd.randrange(BANNING), which & ~1 if c == 0 else which))
        return rows

    def problem(self, enabled: int = -1) -> RouteProblem:
        compatible = CompatibleRules(self.tokens, self.last, self.banned, self.banned, lambda i, s: 0, lambda t: 1 << t)
        return RouteProblem(Moves(self.units), self.own, compatible, self.goals, enabled)

    def compatible(self, states: Joint, tokens: list[list[Tokens]]) -> int:
        """The blockers of classes that stand so, two by two."""
        mask = 0
        rows = [tokens[i][s] for i, s in enumerate(states)][self.own :]
        for (a, b), (c, d) in combinations(rows, 2):
            mask |= a & d | b & c
        return mask

    def keeps_out(self, states: Joint) -> int:
        """The blockers of the infrastructure beside the classes."""
        mask = 0
        for i, s in enumerate(states):
            for blocker, which in self.banned[i][s]:
                mask |= blocker if which >> states[0] & 1 else 0
        return mask

    def onward(self, states: Joint, enabled: int) -> Iterator[tuple[Joint, Four]]:
        if self.own:
            for move in self.units[0].moves[states[0]].values():
                after = (move.end, *states[1:])
                if not (move.mask | self.keeps_out(after)) & enabled:
                    yield after, (1, *move.cost)
        for option in range(3):
            rows = [(i, self.units[i].moves[states[i]].get(option)) for i in range(self.own, len(states))]
            able = {i: move for i, move in rows if move is not None and not move.mask & enabled}
            for number in range(1, len(able) + 1):
                for who in combinations(able, number):
                    after = tuple(able[i].end if i in who else s for i, s in enumerate(states))
                    if not (self.mixed(states, after) | self.keeps_out(after)) & enabled:
                        costs = [able[i].cost for i in who]
                        yield after, (1, sum(c[0] for c in costs), sum(c[1] for c in costs), sum(c[2] for c in costs))

    def mixed(self, old: Joint, new: Joint) -> int:
        """The blockers of every mixture of moved and not yet moved, but of a class with itself."""
        mask = 0
        for joint in product(*({a, b} for a, b in zip(old, new, strict=True))):
            mask |= self.compatible(joint, self.tokens)
        return mask

    def ends(self, states: Joint, enabled: int) -> bool:
        there = all(s in goal for s, goal in zip(states, self.goals, strict=True))
        return there and not (self.compatible(states, self.last) | self.keeps_out(states)) & enabled

    def graph(self, enabled: int = -1) -> nx.DiGraph[Joint]:
        """Every joint state that is reached, with every step."""
        made: nx.DiGraph[Joint] = nx.DiGraph()
        todo = [(0,) * len(self.sizes)]
        made.add_node(todo[0])
        while todo:
            states = todo.pop()
            for after, cost in self.onward(states, enabled):
                if after not in made:
                    todo.append(after)
                weight = one_number(cost)
                if not made.has_edge(states, after) or made.edges[states, after]["weight"] > weight:
                    made.add_edge(states, after, weight=weight)
        return made

    def has_way(self, enabled: int) -> bool:
        return any(self.ends(states, enabled) for states in self.graph(enabled))


@pytest.mark.parametrize("block", range(3))
def test_random_graphs_have_no_shorter_way(block: int) -> None:
    """Shortest paths against networkx on random graphs."""
    ways = blocked = followed = 0
    for seed in range(block * 150, block * 150 + 150):
        case = Random(random.Random(seed))
        graph = case.graph()
        lengths = nx.single_source_dijkstra_path_length(graph, (0,) * len(case.sizes))
        expected = min((cost for states, cost in lengths.items() if case.ends(states, -1)), default=None)
        search = RouteSearch(case.problem())
        found = search.run()
        followed += bool(search.guard.followed or search.guard.followed_at_end)
        assert found.exhausted, seed
        assert (None if found.steps is None else one_number(found.cost)) == expected, seed
        assert RouteSearch(case.problem()).run() == found, "the same every time"
        if found.steps is not None:
            assert walked(case, found.steps) == one_number(found.cost), seed
        ways += bool(found.steps)
        blocked += found.steps is None
    assert min(ways, blocked, followed) > 5


def walked(case: Random, steps: tuple[tuple[int, tuple[int, ...]], ...]) -> int | None:
    """What a way costs when it is walked step by step; None where a step is not allowed or the end is not reached."""
    states, total = (0,) * len(case.sizes), 0
    for option, who in steps:
        after = tuple(case.units[i].moves[s][option].end if i in who else s for i, s in enumerate(states))
        costs = [one_number(cost) for end, cost in case.onward(states, -1) if end == after]
        if not costs:
            return None
        states, total = after, total + min(costs)
    return total if case.ends(states, -1) else None


def test_the_fewest_rules_that_block() -> None:
    """ "say why, with the smallest set of rules that blocks it": no smaller set blocks, by trying them all."""
    number = TOKENS + MOVING + BANNING
    sizes: list[int] = []
    for seed in range(1000, 1080):
        case = Random(random.Random(seed))
        if case.has_way(-1):
            continue
        found, exact = blocking(case.problem(), number)
        assert exact, seed
        assert not case.has_way(found), seed
        for size in range(found.bit_count()):
            for chosen in combinations(range(number), size):
                assert case.has_way(sum(1 << n for n in chosen)), (seed, chosen)
        sizes.append(found.bit_count())
    assert len(sizes) > 10
    assert max(sizes) > 1


def test_domains_have_no_shorter_way() -> None:
    """Whole domains with rules, read from manifest and inventory, as a graph of every state; of some a part came later
    with a version of its own, of some a server is left out."""
    ways = 0
    for seed in range(5000, 5090):
        case = Brute(random.Random(seed), late=seed % 2 == 1, leaves=seed % 3 == 0)
        if not case.begins_well():
            continue
        graph: nx.DiGraph[State] = nx.DiGraph()
        graph.add_node(case.start)
        todo = [case.start]
        while todo:
            state = todo.pop()
            for after, cost in case.onward(state):
                if after not in graph:
                    todo.append(after)
                weight = one_number(cost)
                if not graph.has_edge(state, after) or graph.edges[state, after]["weight"] > weight:
                    graph.add_edge(state, after, weight=weight)
        lengths = nx.single_source_dijkstra_path_length(graph, case.start)
        expected = min((cost for state, cost in lengths.items() if case.is_end(state, case.goal)), default=None)
        left = [LeftOut(key, key, "powered off") for key in case.left_servers]
        found = route(case.fleet, "holm-a", VERSIONS[case.goal], stored_all(case.manifest), NOW, left)
        assert (one_number(found.cost) if isinstance(found, Route) else None) == expected, seed
        ways += isinstance(found, Route) and bool(found.steps)
    assert ways > 20


def test_a_search_that_gives_up_says_so() -> None:
    """`exhausted` is False where the search gave up before it had looked at everything."""
    gave_up = 0
    for seed in range(200):
        case = Random(random.Random(seed))
        whole = RouteSearch(case.problem()).run()
        for most in range(4):
            found = RouteSearch(case.problem()).run(most)
            assert found == whole or (found.steps is None and not found.exhausted), seed
            gave_up += not found.exhausted
    assert gave_up > 100
