"""Good packings of large sets in little time: several fixed ways to fill bins, and the best of them improved.

Rules: no randomness and no clock; an answer here is never called the best; the caller compares it with a bound.
"""

from __future__ import annotations

from collections.abc import Sequence

from bundlekeeper.media.packing.split import settle
from bundlekeeper.media.packing.types import Cost, PackedPiece, VolumeLoad

_PASSES = 3
_MUCH = 500_000  # items x bins; beyond, two of the four ways


def spread(load: VolumeLoad, bins: Sequence[int]) -> tuple[Cost, tuple[PackedPiece, ...]] | None:
    """The best of the fixed ways to put everything into these bins; None where all of them fail."""
    best: tuple[Cost, tuple[PackedPiece, ...]] | None = None
    by_family, by_size = _by_family(load), _by_size(load)
    ways = [(by_family, True), (by_size, False)]
    if len(load.items) * len(bins) <= _MUCH:
        ways += [(by_family, False), (by_size, True)]
    for order, close in ways:
        pieces = _Filling(load, bins).fill(order, close=close)
        if pieces is not None:
            found = load.cost(bins, pieces), pieces
            best = found if best is None or found[0] < best[0] else best
    return best


def _by_size(load: VolumeLoad) -> list[int]:
    return sorted(range(len(load.items)), key=lambda i: (-load.least[i], load.family[i], i))


def _by_family(load: VolumeLoad) -> list[int]:
    total = [0] * len(load.families)
    for item, family in enumerate(load.family):
        total[family] += load.least[item]
    by = load.family
    return sorted(range(len(load.items)), key=lambda i: (-total[by[i]], by[i], -load.least[i], i))


class _Filling:
    """Bins while they are filled."""

    def __init__(self, load: VolumeLoad, bins: Sequence[int]) -> None:
        self.load, self.bins = load, tuple(bins)
        self.space = [load.boxes[b].space for b in bins]
        self.present = [0] * len(self.bins)
        self.inside: list[dict[int, list[int]]] = [{} for _ in self.bins]

    def fill(self, order: Sequence[int], *, close: bool) -> tuple[PackedPiece, ...] | None:
        """Put the items in this order, each into the fullest bin where it fits; `close`: first where its family is."""
        pending = []
        for item in order:
            n = self._bin_for(item, close=close)
            if n is not None:
                self._add(item, n)
            elif self.load.splittable[item]:
                pending.append(item)
            else:
                return None
        for _ in range(_PASSES):
            if not self._gather():
                break
        done = settle(self.load, self.bins, self.space, self.present, pending)
        if done.pieces is None:
            return None
        items = self.load.items
        rows = sorted((i, n) for n, inside in enumerate(self.inside) for row in inside.values() for i in row)
        return (*(PackedPiece(i, n, items[i].size) for i, n in rows), *done.pieces)

    def _bin_for(self, item: int, *, close: bool) -> int | None:
        weights, bit = self.load.weight[item], 1 << self.load.family[item]
        best: tuple[bool, int, int] | None = None
        for n, box in enumerate(self.bins):
            weight = weights[box]
            if weight is not None and weight <= self.space[n]:
                look = (close and not self.present[n] & bit, self.space[n] - weight, n)
                if best is None or look < best:
                    best = look
        return None if best is None else best[2]

    def _add(self, item: int, n: int) -> None:
        family = self.load.family[item]
        self.space[n] -= self.load.weight[item][self.bins[n]] or 0
        self.present[n] |= 1 << family
        self.inside[n].setdefault(family, []).append(item)

    def _gather(self) -> bool:
        """Move the items of a family from one bin to others with the family, where all of them fit; True when some
        moved."""
        moved = False
        for n in range(len(self.bins)):
            for family in sorted(self.inside[n]):
                targets = self._targets(n, family)
                if targets is None:
                    continue
                for item in self.inside[n].pop(family):
                    self.space[n] += self.load.weight[item][self.bins[n]] or 0
                    self._add(item, targets[item])
                self.present[n] &= ~(1 << family)
                moved = True
        return moved

    def _targets(self, source: int, family: int) -> dict[int, int] | None:
        others = [n for n, present in enumerate(self.present) if n != source and present >> family & 1]
        left = {other: self.space[other] for other in others}
        targets = {}
        for item in sorted(self.inside[source][family], key=lambda i: (-self.load.least[i], i)):
            fitting = []
            for n in others:
                weight = self.load.weight[item][self.bins[n]]
                if weight is not None and weight <= left[n]:
                    fitting.append((left[n] - weight, n))
            if not fitting:
                return None
            left[min(fitting)[1]] = min(fitting)[0]
            targets[item] = min(fitting)[1]
        return targets
