"""Where the parts of split items go, after everything whole has its place.

Rules: volumes with the same family come first, then those with the most space; a volume is filled before the next one
is begun, and the last gets the rest; for one item the answer is the best; for several it is a good one, with a number
that no answer is below.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, permutations

from bundlekeeper.media.packing.types import PackedPiece, VolumeLoad

_MOST_ORDERS = 4  # items; all their orders are tried


@dataclass(frozen=True, slots=True)
class Settled:
    """`pieces`, None where no place was found; `pairs` that were added; `least`: a number that the pairs added are
    never below, None where there is no place."""

    pieces: tuple[PackedPiece, ...] | None
    pairs: int
    least: int | None


def settle(
    load: VolumeLoad, bins: Sequence[int], space: Sequence[int], present: Sequence[int], pending: Sequence[int]
) -> Settled:
    """Find places for the items `pending` in bins that have so much `space`; the bits of `present` are the families in
    each."""
    if not pending:
        return Settled((), 0, 0)
    alone = [_place(load, bins, space, present, item) for item in pending]
    fills = sum(load.fill(b, r) for b, r in zip(bins, space, strict=True))
    lost = fills < sum(load.items[i].size for i in pending) or sum(space) < sum(load.apart[i] for i in pending)
    if lost or any(row is None for row in alone):
        return Settled(None, 0, None)
    least = _least(load, pending, present, [row for row in alone if row is not None])
    by_size = sorted(pending, key=lambda i: (-load.items[i].size, i))
    best: tuple[int, tuple[PackedPiece, ...]] | None = None
    for order in permutations(by_size) if len(pending) <= _MOST_ORDERS else [tuple(by_size)]:
        found = _one_after_another(load, bins, space, present, order)
        if found is not None and (best is None or found[0] < best[0]):
            best = found
            if best[0] == least:
                break
    return Settled(None, 0, least) if best is None else Settled(best[1], best[0], least)


def _least(
    load: VolumeLoad, pending: Sequence[int], present: Sequence[int], alone: list[tuple[PackedPiece, ...]]
) -> int:
    """A number that the pairs added are never below: for each family, what its largest item alone would add."""
    worst: dict[int, int] = {}
    for item, pieces in zip(pending, alone, strict=True):
        family = load.family[item]
        worst[family] = max(worst.get(family, 0), _added(family, present, pieces))
    return sum(worst.values())


def _added(family: int, present: Sequence[int], pieces: Sequence[PackedPiece]) -> int:
    return len({piece.bin for piece in pieces if not present[piece.bin] >> family & 1})


def _one_after_another(
    load: VolumeLoad, bins: Sequence[int], space: Sequence[int], present: Sequence[int], order: Sequence[int]
) -> tuple[int, tuple[PackedPiece, ...]] | None:
    left, families, pairs = list(space), list(present), 0
    pieces: list[PackedPiece] = []
    for item in order:
        placed = _place(load, bins, left, families, item)
        if placed is None:
            return None
        pairs += _added(load.family[item], families, placed)
        for piece in placed:
            box = bins[piece.bin]
            left[piece.bin] -= load.needed(box, piece.size) + (load.beside[item][box] if piece.leads else 0)
            families[piece.bin] |= 1 << load.family[item]
        pieces += placed
    return pairs, tuple(pieces)


def _place(
    load: VolumeLoad, bins: Sequence[int], space: Sequence[int], present: Sequence[int], item: int
) -> tuple[PackedPiece, ...] | None:
    """The parts of one item alone: in the fewest bins without its family, then in the fewest bins; None for no
    space."""
    rows = [(load.fill(box, space[n]), n) for n, box in enumerate(bins)]
    rows = sorted((row for row in rows if row[0] > 0), key=lambda row: (-row[0], row[1]))
    family = load.family[item]
    there = [row for row in rows if present[row[1]] >> family & 1]
    other = [row for row in rows if not present[row[1]] >> family & 1]
    size = load.items[item].size
    for more in range(len(other) + 1):
        chosen = sorted(there + other[:more], key=lambda row: (-row[0], row[1]))
        sums = list(accumulate(row[0] for row in chosen))
        if not sums or sums[-1] < size:
            continue
        first = next(n for n, total in enumerate(sums) if total >= size)
        for few in range(first + 1, len(chosen) + 1):
            leader = _leader(load, bins, space, chosen[:few], sums[few - 1] - size, item)
            if leader is not None:
                return _cut(load, bins, space, chosen[:few], leader, item)
    return None


def _leader(
    load: VolumeLoad, bins: Sequence[int], space: Sequence[int], rows: Sequence[tuple[int, int]], slack: int, item: int
) -> int | None:
    """The bin that loses least when it holds the files beside the item; None when the item then has no space."""
    best: tuple[int, int] | None = None
    for fill, n in rows:
        box = bins[n]
        rest = space[n] - load.beside[item][box]
        if rest >= 0:
            loss = fill - load.fill(box, rest)
            if fill > loss and loss <= slack and (best is None or (loss, n) < best):
                best = (loss, n)
    return None if best is None else best[1]


def _cut(
    load: VolumeLoad, bins: Sequence[int], space: Sequence[int], rows: Sequence[tuple[int, int]], leader: int, item: int
) -> tuple[PackedPiece, ...]:
    """Fill the leader, then the others in order; the last one gets what is left."""
    left, pieces = load.items[item].size, []
    for fill, n in sorted(rows, key=lambda row: row[1] != leader):
        most = load.fill(bins[n], space[n] - load.beside[item][bins[n]]) if n == leader else fill
        size = min(left, most)
        if size > 0:
            pieces.append(PackedPiece(item, n, size, leads=n == leader))
        left -= size
    return tuple(sorted(pieces, key=lambda p: p.bin))
