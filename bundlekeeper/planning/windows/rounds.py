"""Windows of several domains put into rounds: those of one round may be open at the same time.

Rules: rounds are the shortest up to 2,000 states, else the longest chain first; a window alone may always be open.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache

from bundlekeeper.frozen import dataclass

_ALL_STATES = 2_000  # of rounds, up to which the shortest are searched for


@dataclass(frozen=True, slots=True)
class WindowLoad:
    """What one window of one domain asks of a round.

    `apart` are the sets of `separate_windows` that the domain is in, by number; `clusters` those of which the window
    restarts servers, or paths to servers, and `present` those that the domain has servers in. `servers` is True where
    it restarts any of that, `lone` where the cluster of some of it is not known, and so may be any.
    """

    minutes: int
    apart: frozenset[int]
    clusters: frozenset[str] = frozenset()
    servers: bool = False
    lone: bool = False
    present: frozenset[str] = frozenset()
    hands: tuple[tuple[str, int, int], ...] = ()  # by site the pieces of work at a time, and how many may be in a round


def may_share(loads: Iterable[WindowLoad]) -> bool:
    """Whether windows of different domains may be open at the same time."""
    taken = _Taken()
    return all(taken.add(load) for load in loads)


def rounds(chains: Sequence[Sequence[WindowLoad]]) -> list[list[int]]:
    """Which chains open their next window in each round; the windows of a chain stay in their order."""
    states = 1
    for chain in chains:
        states *= len(chain) + 1
    if states <= _ALL_STATES and len(chains) <= 6:
        return _shortest(chains)
    at = [0] * len(chains)
    left = [sum(load.minutes for load in chain) for chain in chains]
    waiting = [i for i, chain in enumerate(chains) if chain]
    found = []
    while waiting:
        waiting.sort(key=lambda i: (-left[i], i))
        taken = _Taken()
        open_ = [i for i in waiting if taken.add(chains[i][at[i]])]
        for i in open_:
            left[i] -= chains[i][at[i]].minutes
            at[i] += 1
        waiting = [i for i in waiting if at[i] < len(chains[i])]
        found.append(open_)
    return found


class _Taken:
    """What the windows of one round use."""

    def __init__(self) -> None:
        self.apart: set[int] = set()
        self.clusters: set[str] = set()
        self.present: set[str] = set()
        self.servers = self.lone = False
        self.hands: dict[str, int] = {}

    def add(self, load: WindowLoad) -> bool:
        """Add a window to the round where it may be in it."""
        present = load.present | load.clusters
        if self.apart & load.apart or self.clusters & present or self.present & load.clusters:
            return False
        if (load.servers and self.lone) or (load.lone and self.servers):
            return False
        if any(mine and self.hands.get(site, 0) and self.hands[site] + mine > most for site, mine, most in load.hands):
            return False
        self.hands |= {site: self.hands.get(site, 0) + mine for site, mine, _ in load.hands}
        self.apart |= load.apart
        self.clusters |= load.clusters
        self.present |= present
        self.servers |= load.servers
        self.lone |= load.lone
        return True


def _shortest(chains: Sequence[Sequence[WindowLoad]]) -> list[list[int]]:
    """The rounds with the fewest minutes, of equal ones the fewest rounds."""

    @cache
    def best(at: tuple[int, ...]) -> tuple[int, int, tuple[int, ...]]:
        open_ = [i for i, a in enumerate(at) if a < len(chains[i])]
        if not open_:
            return (0, 0, ())
        found: tuple[int, int, tuple[int, ...]] | None = None
        for bits in range(1, 1 << len(open_)):
            some = tuple(i for n, i in enumerate(open_) if bits >> n & 1)
            loads = [chains[i][at[i]] for i in some]
            if may_share(loads):
                minutes, number, _ = best(tuple(a + (i in some) for i, a in enumerate(at)))
                row = (minutes + max(load.minutes for load in loads), number + 1, some)
                found = row if found is None or row < found else found
        return found or (0, 0, ())  # one window alone may always be open

    at = (0,) * len(chains)
    rows = []
    while some := best(at)[2]:
        rows.append(list(some))
        at = tuple(a + (i in some) for i, a in enumerate(at))
    return rows
