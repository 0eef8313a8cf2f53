"""What may run together, for all states of all units at once, as bits.

Rules: two things clash in a token that one of them sets and the other lacks, and in nothing else but the usual order
between the infrastructure and a class; each token and each order has its blocker, so that the same table answers with
fewer of them applied. What already runs together today is no step's fault: tokens of "all" meet only those of
"changed", never "all" meets "all", but at the end, where it is asked whether the mixture that is reached is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import cache

from bundlekeeper.frozen import dataclass
from bundlekeeper.planning.route.blockers import BlockerJudge, BlockerRow, Place
from bundlekeeper.planning.route.units import State, Unit

Tokens = tuple[int, int]  # those that something sets, and those that it lacks
Banned = tuple[int, int]  # blockers, and the states of the infrastructure that they keep out, as bits
_SORTS = 3  # surely against surely, perhaps against either, surely against perhaps


@dataclass(frozen=True, slots=True)
class CompatibleRules:
    """`tokens[unit][state]` on the way and `last[unit][state]` at the end; `banned[unit][state]` for classes.

    `blockers(token)` are those of a token, by its place. `last_banned` is as `banned`, at the end; `alone(unit, state)`
    are the blockers of a unit's own components at the end.
    """

    tokens: Sequence[Sequence[Tokens]]
    last: Sequence[Sequence[Tokens]]
    banned: Sequence[Sequence[Sequence[Banned]]]
    last_banned: Sequence[Sequence[Sequence[Banned]]]
    alone: Callable[[int, int], int]
    blockers: Callable[[int], int]

    def name_all(self, own: int) -> None:
        """Give a place to every blocker between two classes, the first `own` units being none."""
        for rows in (self.tokens[own:], self.last[own:]):
            sets = lacks = 0
            for each in {t for sequence in rows for t in sequence}:
                sets, lacks = sets | each[0], lacks | each[1]
            for token in bits(sets & lacks):
                self.blockers(token)


class Pairs:
    """Makes the tokens of rows."""

    def __init__(self, judge: BlockerJudge, units: Sequence[Unit]) -> None:
        self.judge = judge
        self.number = max(1, judge.number)
        places = {p for unit in units for state in unit.states for p in state.everything if p[0] != "server"}
        self._places: dict[str, list[Place]] = {}
        for place in sorted(places, key=lambda p: (p[0], p[1] is None, p[1] or "")):
            self._places.setdefault(place[0], []).append(place)
        self._index = {p: n for n, p in enumerate(row for rows in self._places.values() for row in rows)}
        self._found: dict[int, int] = {}
        self._clashes: dict[int, int] = {}

    def blockers(self, token: int) -> int:
        """The blockers of a token."""
        if token not in self._found:
            block, need = divmod(token, self.number)
            self._found[token] = self.judge.need_blocker(need, sure=block // 2 % _SORTS == 0)
        return self._found[token]

    def clash(self, a: Tokens, b: Tokens) -> int:
        """The blockers of two things that run together."""
        both = (a[0] & b[1]) | (a[1] & b[0])
        if not both:
            return 0
        if both not in self._clashes:
            mask = 0
            for token in bits(both):
                mask |= self.blockers(token)
            self._clashes[both] = mask
        return self._clashes[both]

    def on_the_way(self, state: State) -> Tokens:
        """The tokens of a state together with others on the way."""
        sets, lacks = self._of(state.everything)
        fresh_sets, fresh_lacks = self._of(state.changed)
        return sets | fresh_sets << self.number, fresh_lacks | lacks << self.number

    def at_the_end(self, unit: Unit, state: State) -> Tokens:
        """The tokens of a state at the end; none of a unit that stays as it is, beside which the way was asked about
        all that is not as it is today."""
        return (0, 0) if unit.still else self._of(state.everything)

    def _of(self, rows: dict[Place, BlockerRow]) -> Tokens:
        sets = lacks = 0
        n = self.number
        for place, row in rows.items():
            if place[0] == "server":
                continue
            mine = row.when | row.maybe_when << 2 * n | row.when << 4 * n
            short = row.short | (row.short | row.maybe_short) << 2 * n | row.maybe_short << 4 * n
            for each in self._places[place[0]] if place[1] is None else (place,):
                shift = self._index[each] * 2 * _SORTS * n
                sets |= mine << shift
                lacks |= short << shift
        return sets, lacks


def make(
    judge: BlockerJudge, units: Sequence[Unit], own: int, order: Callable[[int], Iterable[tuple[int, int, int]]]
) -> CompatibleRules:
    """The tables of these units, the first `own` of them infrastructure.

    `order(j)` yields what the usual order forbids of class j: its state, a blocker, and the infrastructure's states
    that it forbids together with that one.
    """
    pairs = Pairs(judge, units)
    tokens = [[pairs.on_the_way(s) for s in unit.states] for unit in units]
    last = [[pairs.at_the_end(unit, s) for s in unit.states] for unit in units]
    banned: list[list[list[Banned]]] = [[] for _ in range(own)]
    last_banned: list[list[list[Banned]]] = [[] for _ in range(own)]
    for j in range(own, len(units)):
        rows = _banned(pairs, tokens, j) if own else [[] for _ in units[j].states]
        if own:
            for state, blocker, which in order(j):
                rows[state].append((blocker, which))
        banned.append(rows)
        last_banned.append(_banned(pairs, last, j) if own else [[] for _ in units[j].states])

    @cache
    def alone(i: int, state: int) -> int:
        if units[i].still:
            return 0
        rows = units[i].states[state].everything
        return judge.compatible(rows, rows, inside=True)

    return CompatibleRules(tokens, last, banned, last_banned, alone, pairs.blockers)


def _banned(pairs: Pairs, tokens: Sequence[Sequence[Tokens]], j: int) -> list[list[Banned]]:
    groups: dict[Tokens, int] = {}
    for a, token in enumerate(tokens[0]):
        groups[token] = groups.get(token, 0) | 1 << a
    known: dict[Tokens, list[Banned]] = {}
    for token in tokens[j]:
        if token not in known:
            found: dict[int, int] = {}
            for other, which in groups.items():
                if mask := pairs.clash(token, other):
                    for n in bits(mask):
                        found[1 << n] = found.get(1 << n, 0) | which
            known[token] = list(found.items())
    return [list(known[token]) for token in tokens[j]]


def bits(value: int) -> list[int]:
    """The places of the bits of a number, lowest first."""
    found = []
    while value:
        low = value & -value
        found.append(low.bit_length() - 1)
        value ^= low
    return found
