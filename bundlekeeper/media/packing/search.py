"""The best packing into given bins: branch and bound over the places of whole items and over what is split.

Rules: places are tried in a fixed order, so that equal inputs give equal packings; of equal bins only the first is
tried, and equal items go to bins in order; a search that was cut off shows nothing, and says so.
"""

from __future__ import annotations

from collections.abc import Sequence

from bundlekeeper.media.packing.split import settle
from bundlekeeper.media.packing.types import PackedPiece, VolumeLoad

#: Steps that each kind of work counts as, so that a budget of steps is about a budget of time.
_OPENED, _SETTLED = 10, 50

Value = tuple[int, int]  # split items, pairs of family and volume


class PackingSearch:
    """One search. After `run`: `best`, what was `found`, whether everything was looked at (`whole`).

    `open` is the least value of the ends where several split items found no place, or none that is surely the best.
    """

    def __init__(self, load: VolumeLoad, bins: Sequence[int], better_than: Value | None, nodes: int) -> None:
        self.load, self.bins = load, tuple(bins)
        self.best = better_than
        self.found: tuple[PackedPiece, ...] | None = None
        self.nodes, self.whole = nodes, True
        self.open: Value | None = None
        order = sorted(range(len(load.items)), key=lambda i: (-load.least[i], load.family[i], i))
        self.order = order
        self.need = [0] * (len(order) + 1)
        #: The least bytes that the items from a place on need, and those that wait, by family.
        self.later = [[0] * len(load.families) for _ in range(len(order) + 1)]
        self.forced = [0] * (len(order) + 1)
        for at in range(len(order) - 1, -1, -1):
            item = order[at]
            self.need[at] = self.need[at + 1] + load.least[item]
            self.later[at] = list(self.later[at + 1])
            self.later[at][load.family[item]] += load.least[item]
            self.forced[at] = self.forced[at + 1] + self._must_split(item)
        self.space = [load.boxes[b].space for b in self.bins]
        self.present = [0] * len(self.bins)
        self.pairs, self.free = 0, sum(self.space)
        self.pending: list[int] = []
        self.waiting = 0  # the least bytes that the pending items need
        self.places: list[int] = [-1] * len(load.items)

    def _must_split(self, item: int) -> bool:
        return all(self.load.weight[item][b] is None for b in self.bins)

    def run(self) -> None:
        """Look for a packing better than `best`."""
        self._step(0)

    def pieces_in_order(self) -> tuple[PackedPiece, ...]:
        """The best packing's pieces by item and bin; empty where none was found."""
        return tuple(sorted(self.found or (), key=lambda p: (p.item, p.bin)))

    def _step(self, at: int) -> None:
        if self.nodes <= 0:
            self.whole = False
            return
        self.nodes -= 1
        if self.free < self.need[at] + self.waiting or not self._hopeful(at):
            return
        if at == len(self.order):
            self._end()
            return
        self.nodes -= _OPENED
        item = self.order[at]
        for n in self._bins(at, item):
            self._put(at, item, n)
        if self.load.splittable[item]:
            self.pending.append(item)
            self.waiting += self.load.apart[item]
            self.places[item] = -1
            self._step(at + 1)
            self.waiting -= self.load.apart[item]
            self.pending.pop()

    def _hopeful(self, at: int) -> bool:
        """True where something better than the best may still be found from here."""
        if self.best is None:
            return True
        splits = len(self.pending) + self.forced[at]
        if (splits, self.pairs) >= self.best:
            return False
        need = self.later[at]
        if self.pending:
            need = list(need)
            for item in self.pending:
                need[self.load.family[item]] += self.load.apart[item]
        return (splits, self.pairs + self._pairs_to_come(need)) < self.best

    def _pairs_to_come(self, need: Sequence[int]) -> int:
        """The least pairs still to be added: what a family's bins have no space for goes to others, the largest
        first."""
        more = 0
        for family, bytes_ in enumerate(need):
            if not bytes_:
                continue
            short, most = bytes_, 1
            for space, present in zip(self.space, self.present, strict=True):
                if present >> family & 1:
                    short -= space
                elif space > most:
                    most = space
            if short > 0:
                more += -(-short // most)
        return more

    def _bins(self, at: int, item: int) -> list[int]:
        """The bins to try for an item, those with its family first."""
        first = 0
        if at and self._alike(self.order[at - 1], item):
            first = max(0, self.places[self.order[at - 1]])
        family, weights = self.load.family[item], self.load.weight[item]
        seen: set[tuple[int, int, int]] = set()
        there: list[int] = []
        other: list[int] = []
        for n in range(first, len(self.bins)):
            weight = weights[self.bins[n]]
            look = (self.bins[n], self.space[n], self.present[n])
            if weight is None or weight > self.space[n] or look in seen:
                continue
            seen.add(look)
            (there if self.present[n] >> family & 1 else other).append(n)
        return there + other

    def _alike(self, one: int, other: int) -> bool:
        a, b = self.load.items[one], self.load.items[other]
        return (a.family, a.size, a.beside) == (b.family, b.size, b.beside)

    def _put(self, at: int, item: int, n: int) -> None:
        weight = self.load.weight[item][self.bins[n]]
        if weight is None:
            return
        bit = 1 << self.load.family[item]
        new = not self.present[n] & bit
        self.space[n] -= weight
        self.free -= weight
        self.present[n] |= bit
        self.pairs += new
        self.places[item] = n
        self._step(at + 1)
        self.space[n] += weight
        self.free += weight
        if new:
            self.present[n] &= ~bit
        self.pairs -= new

    def _end(self) -> None:
        self.nodes -= _SETTLED * len(self.pending)
        done = settle(self.load, self.bins, self.space, self.present, self.pending)
        if done.least is None:
            return
        splits = len(self.pending)
        least = (splits, self.pairs + done.least)
        if done.pieces is None or done.pairs > done.least:
            self.open = least if self.open is None else min(self.open, least)
        value = (splits, self.pairs + done.pairs)
        if done.pieces is None or (self.best is not None and value >= self.best):
            return
        self.best = value
        split = set(self.pending)
        whole = [
            PackedPiece(i, self.places[i], self.load.items[i].size)
            for i in range(len(self.load.items))
            if i not in split
        ]
        self.found = (*whole, *done.pieces)
