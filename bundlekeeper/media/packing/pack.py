"""What goes on which volume: fewest volumes, then fewest split files, then families together.

Rules: pure and deterministic, no clock; the goals are in that order, and none is traded for a later one; up to
`EXACT_ITEMS` items on `EXACT_VOLUMES` volumes a search shows that its answer is the best, unless its budget of steps
ends first; otherwise the answer has a bound that no packing is below; of packings with equal costs, the one with the
smallest volumes is chosen, then the one with those named first. Bound for volumes: their total space, and items of more
than half of the largest space, of which no two share one (Martello and Toth, 'Knapsack Problems', 1990, §8.3: bounds L1
and L2).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations_with_replacement

from bundlekeeper.media.packing.greedy import spread
from bundlekeeper.media.packing.search import PackingSearch
from bundlekeeper.media.packing.types import Box, Cost, NotPacked, Packed, PackedPiece, PackingItem, VolumeLoad

EXACT_ITEMS = 40
EXACT_VOLUMES = 12
STEPS = 600_000
_MOST_MIXTURES = 400
_MOST_VOLUMES = 10_000


def pack(items: Sequence[PackingItem], boxes: Sequence[Box], steps: int = STEPS) -> Packed | NotPacked:
    """Pack the items into as few volumes as can be; `steps` bounds the search."""
    load = VolumeLoad(items, boxes)
    lacking = tuple(i for i in range(len(items)) if load.must_split[i] and not _reachable(load, i))
    if lacking or not boxes:
        return NotPacked(lacking, sum(load.items[i].size for i in lacking), certain=True)
    if not items:
        return Packed((), (), Cost(0, 0, 0), Cost(0, 0, 0))
    most = _most(load)
    least = _fewest(load, most)
    if least > most:
        short = sum(load.least) - sum(load.boxes[b].space for b in _largest(load, most))
        return NotPacked((), max(1, short), certain=True)
    greedy = _greedy(load, least, most)
    top = greedy.cost.volumes if greedy is not None else most
    small = len(items) <= EXACT_ITEMS and least <= EXACT_VOLUMES
    done = greedy is not None and greedy.cost == _bound(load, least, most, least)
    if greedy is not None and done and not (small and len(boxes) > 1):  # of several kinds, the smallest that are enough
        return _ordered(load, greedy.bins, greedy.pieces, greedy.cost)
    if small:
        found = _exact(load, least, min(top, EXACT_VOLUMES), greedy, steps)
        if found is not None:
            return found
    if greedy is None:
        return NotPacked((), 0, certain=False)
    return _ordered(load, greedy.bins, greedy.pieces, _bound(load, least, most, greedy.cost.volumes))


def _reachable(load: VolumeLoad, item: int) -> bool:
    """True when parts of the item fit into some box, and the files beside it with one of them."""
    spaces = [(b, box.space - load.beside[item][b]) for b, box in enumerate(load.boxes)]
    return any(space >= 0 and load.fill(b, space) > 0 for b, space in spaces)


def _most(load: VolumeLoad) -> int:
    """The number of volumes that there are, or that can be of use: one for each item, or for each full part of one."""
    counts = [box.count for box in load.boxes]
    if all(count is not None for count in counts):
        return min(_MOST_VOLUMES, sum(count or 0 for count in counts))
    fills = [load.fill(b, box.space) for b, box in enumerate(load.boxes) if box.count is None]
    useful = len(load.items) + sum(item.size for item in load.items) // max(1, *fills) + 1
    return min(_MOST_VOLUMES, useful + sum(count or 0 for count in counts))


def _largest(load: VolumeLoad, number: int) -> list[int]:
    """The boxes of so many volumes with the most space, as many as there are."""
    bins: list[int] = []
    for b, box in sorted(enumerate(load.boxes), key=lambda row: (-row[1].space, row[0])):
        bins += [b] * min(number - len(bins), number if box.count is None else box.count)
    return bins


def _fewest(load: VolumeLoad, most: int) -> int:
    """Volumes at least; `most` + 1 where more are needed than there are."""
    need, space = sum(load.least), 0
    bins = _largest(load, most)
    half = load.boxes[bins[0]].space // 2
    large = sum(least > half and not split for least, split in zip(load.least, load.splittable, strict=True))
    for number, box in enumerate(bins, 1):
        space += load.boxes[box].space
        if space >= need and number >= large:
            return number
    return most + 1


def _bound(load: VolumeLoad, least: int, most: int, volumes: int) -> Cost:
    """What no packing is below, when `least` volumes are needed; for pairs: in packings with `volumes` volumes."""
    spaces = [load.boxes[b].space for b in _largest(load, min(most, volumes))]
    pairs = 0
    for family in range(len(load.families)):
        need, number = sum(x for x, f in zip(load.least, load.family, strict=True) if f == family), 1
        total = spaces[0]
        while total < need and number < len(spaces):
            total += spaces[number]
            number += 1
        pairs += number
    return Cost(least, sum(load.must_split), max(pairs, volumes if least == volumes else 0))


def _greedy(load: VolumeLoad, least: int, most: int) -> Packed | None:
    """The fewest volumes that the fixed ways succeed with, from `least` upwards in growing steps, then back."""
    failed, number, step = least - 1, least, 1
    found = None
    while found is None:
        found = spread(load, _largest(load, number))
        if found is None:
            if number >= most:
                return None
            failed, number = number, min(most, number + step)
            step = step if number < least + 3 else step * 2
    for fewer in range(failed + 1, min(number, failed + 4)):
        again = spread(load, _largest(load, fewer))
        if again is not None:
            number, found = fewer, again
            break
    bins, pieces = _largest(load, number), found[1]
    used = sorted({piece.bin for piece in pieces})
    pieces = tuple(PackedPiece(piece.item, used.index(piece.bin), piece.size, piece.leads) for piece in pieces)
    bins = [bins[n] for n in used]
    return Packed(tuple(bins), pieces, load.cost(bins, pieces), Cost(0, 0, 0))


def _mixtures(load: VolumeLoad, number: int) -> Iterator[tuple[int, ...]]:
    """Every choice of so many volumes with space enough, those of the fewest bytes first."""
    need, rows = sum(load.least), []
    for bins in combinations_with_replacement(range(len(load.boxes)), number):
        counts = (box.count is None or bins.count(b) <= box.count for b, box in enumerate(load.boxes))
        if all(counts) and sum(load.boxes[b].space for b in bins) >= need:
            rows.append((sum(load.boxes[b].kind.medium for b in bins), bins))
    yield from (bins for _, bins in sorted(rows))


def _exact(load: VolumeLoad, least: int, top: int, greedy: Packed | None, steps: int) -> Packed | None:
    """The best packing with `least` to `top` volumes; None where none was found. Its `least` shows whether it is the
    best.

    A packing found here is preferred to the greedy one at the same cost, so that a tie has one answer.
    """
    floor: int | None = None  # the fewest volumes that may be enough
    for number in range(least, top + 1):
        mixtures = list(_mixtures(load, number))
        whole = len(mixtures) <= _MOST_MIXTURES
        best: tuple[int, int] | None = None
        if greedy is not None and greedy.cost.volumes == number:
            best = greedy.cost.splits, greedy.cost.pairs + 1  # look for one that costs the same, too
        found: tuple[tuple[int, ...], tuple[PackedPiece, ...]] | None = None
        open_value: tuple[int, int] | None = None
        for bins in mixtures[:_MOST_MIXTURES]:
            search = PackingSearch(load, bins, best, steps)
            search.run()
            steps = search.nodes
            whole = whole and search.whole
            if search.open is not None:
                open_value = search.open if open_value is None else min(open_value, search.open)
            if search.found is not None:
                best, found = search.best, (bins, search.pieces_in_order())
        if found is None and greedy is not None and greedy.cost.volumes == number:
            found = greedy.bins, greedy.pieces
        if found is None:
            if not whole or open_value is not None:
                floor = number if floor is None else floor
            continue
        if greedy is not None and greedy.cost < load.cost(*found):
            found = greedy.bins, greedy.pieces
        cost = load.cost(*found)
        bound = _bound(load, number, number, number)
        if whole:
            value = min((cost.splits, cost.pairs), open_value or (cost.splits, cost.pairs))
            bound = max(bound, Cost(number, *value))
        return _ordered(load, *found, bound if floor is None else Cost(floor, 0, 0))
    return None


def _ordered(load: VolumeLoad, bins: Sequence[int], pieces: Sequence[PackedPiece], least: Cost) -> Packed:
    """The packing with its volumes numbered by the first item in each."""
    first: dict[int, int] = {}
    for piece in pieces:
        first[piece.bin] = min(first.get(piece.bin, piece.item), piece.item)
    order = sorted(first, key=lambda n: (first[n], n))
    rank = {n: at for at, n in enumerate(order)}
    moved = [PackedPiece(p.item, rank[p.bin], p.size, p.leads) for p in pieces]
    moved.sort(key=lambda p: (p.item, p.bin))
    kept = tuple(bins[n] for n in order)
    return Packed(kept, tuple(moved), load.cost(kept, moved), least)
