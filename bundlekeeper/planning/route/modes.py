"""Classes together: they clash in few tokens, and only those that turned out to matter are followed.

Rules: within one window, for each token, either no class sets it, or none lacks it, or one class alone does both, and
that is all that pairs of classes can be asked: so a window is looked at once per such choice (its modes), and inside a
mode each class is free of the others. A token is followed once a route was found that clashes in it (refinement by
counterexample, Clarke and others 2000; from memory); what is not followed can only make a route seem allowed, never
refused, and a route is accepted only when nothing in it clashes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from itertools import product

from bundlekeeper.planning.route.compatible import CompatibleRules, Tokens, bits

Ban = tuple[int, int]  # tokens that a class may not set, and that it may not lack
Mode = tuple[Ban, ...]  # one for each class
MOST_MODES = 4096


class TooMany(Exception):  # noqa: N818  (control flow inside the search)
    """More would have to be looked at than is allowed."""


class Marks:
    """The tokens that are followed of each move of one class through a window, and of all of them together."""

    __slots__ = ("both", "each", "lacks", "sets")

    def __init__(self, tokens: Iterable[Tokens], followed: int) -> None:
        self.each = [(s & followed, k & followed) for s, k in tokens]
        self.sets = self.lacks = self.both = 0
        for sets, lacks in self.each:
            self.sets, self.lacks, self.both = self.sets | sets, self.lacks | lacks, self.both | sets & lacks


class RouteGuard:
    """The tokens of classes, of which some are followed: on the way, and at the end."""

    def __init__(self, compatible: CompatibleRules, own: int, number: int, enabled: int) -> None:
        self.number = number
        self.way = [list(rows) for rows in compatible.tokens[own:]]
        self.end = [list(rows) for rows in compatible.last[own:]]
        self._blockers, self._enabled = compatible.blockers, enabled
        self.followed = 0
        self.followed_at_end = 0
        self._enforced: dict[int, bool] = {}
        self._passing: dict[tuple[int, int, int], int] = {}

    def clashes(self, states: Sequence[Tokens]) -> int:
        """The tokens, with a blocker that applies, in which any two of the classes clash."""
        found = 0
        for i, (sets, _) in enumerate(states):
            for j, (_, lacks) in enumerate(states):
                if i != j:
                    found |= sets & lacks
        return sum(1 << t for t in bits(found) if self._is_stored(t)) if found else 0

    def _is_stored(self, token: int) -> bool:
        if token not in self._enforced:
            self._enforced[token] = bool(self._blockers(token) & self._enabled)
        return self._enforced[token]

    def passing(self, i: int, ban: Ban) -> int:
        """The states of class i that a mode leaves it, as bits."""
        key = (i, *ban)
        if key not in self._passing:
            self._passing[key] = sum(1 << c for c, token in enumerate(self.way[i]) if passes(token, ban))
        return self._passing[key]

    @cached_property
    def free(self) -> Mode:
        """The mode that bans nothing."""
        return ((0, 0),) * self.number

    def modes(self, moves: Sequence[Marks], followed: int) -> list[Mode]:
        """Every mode of a window in which each class stays or moves so; `moves` are tokens of old and new together."""
        if not followed:
            return [self.free]
        lack_once = lack_twice = 0
        for marks in moves:
            lack_twice, lack_once = lack_twice | (lack_once & marks.lacks), lack_once | marks.lacks
        contested = 0
        for marks in moves:  # set by this class, and lacked by another one
            contested |= marks.sets & (lack_once & ~marks.lacks | lack_twice)
        if not contested:
            return [self.free]
        choices: list[list[tuple[int, int]]] = []  # token, and who is free of it; -1 bans setting, -2 lacking
        for token in bits(contested):
            both = [i for i, each in enumerate(moves) if each.both >> token & 1]
            choices.append([(token, who) for who in (-1, -2, *both)])
        number = 1
        for choice in choices:
            number *= len(choice)
        if number > MOST_MODES:
            raise TooMany
        return [self._mode(chosen) for chosen in product(*choices)]

    def _mode(self, chosen: Iterable[tuple[int, int]]) -> Mode:
        banned = [[0, 0] for _ in range(self.number)]
        for token, who in chosen:
            for i, ban in enumerate(banned):
                if who in (-1, *range(self.number)) and i != who:
                    ban[0] |= 1 << token
                if who != -1 and i != who:
                    ban[1] |= 1 << token
        return tuple((ban[0], ban[1]) for ban in banned)


def passes(token: Tokens, ban: Ban) -> bool:
    """True where nothing that is banned is set or lacked."""
    return not (token[0] & ban[0] or token[1] & ban[1])


def merged(a: Tokens, b: Tokens) -> Tokens:
    """What either sets, and what either lacks."""
    return a[0] | b[0], a[1] | b[1]
