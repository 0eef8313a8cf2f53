"""Where the parts of split items go, once everything whole has its place.

Rules: volumes that hold the family already come first, then those with the most room; a volume is filled before the
next is begun, the last takes the rest; for one item the answer is the best there is, for several it is one that was
found, with a number that no answer is below.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, permutations

from bundlekeeper.media.packing.types import PackedPiece, VolumeLoad

_MOST_ORDERS = 4  # items; all their orders are tried


@dataclass(frozen=True, slots=True)
class Settled:
    """`pieces` None where no place was found; `pairs` added; `least` pairs at least, None where there is no place."""

    pieces: tuple[PackedPiece, ...] | None
    pairs: int
    least: int | None


def settle(
    load: VolumeLoad, bins: Sequence[int], room: Sequence[int], held: Sequence[int], pending: Sequence[int]
) -> Settled:
    """Find places for the items `pending` in bins with so much `room`, which hold families as the bits of `held`."""
    if not pending:
        return Settled((), 0, 0)
    alone = [_place(load, bins, room, held, item) for item in pending]
    fills = sum(load.fill(b, r) for b, r in zip(bins, room, strict=True))
    lost = fills < sum(load.items[i].size for i in pending) or sum(room) < sum(load.apart[i] for i in pending)
    if lost or any(row is None for row in alone):
        return Settled(None, 0, None)
    least = _least(load, pending, held, [row for row in alone if row is not None])
    by_size = sorted(pending, key=lambda i: (-load.items[i].size, i))
    best: tuple[int, tuple[PackedPiece, ...]] | None = None
    for order in permutations(by_size) if len(pending) <= _MOST_ORDERS else [tuple(by_size)]:
        found = _one_after_another(load, bins, room, held, order)
        if found is not None and (best is None or found[0] < best[0]):
            best = found
            if best[0] == least:
                break
    return Settled(None, 0, least) if best is None else Settled(best[1], best[0], least)


def _least(load: VolumeLoad, pending: Sequence[int], held: Sequence[int], alone: list[tuple[PackedPiece, ...]]) -> int:
    """Pairs that are added at least: of each family, what its neediest item alone would add."""
    worst: dict[int, int] = {}
    for item, pieces in zip(pending, alone, strict=True):
        family = load.family[item]
        worst[family] = max(worst.get(family, 0), _added(family, held, pieces))
    return sum(worst.values())


def _added(family: int, held: Sequence[int], pieces: Sequence[PackedPiece]) -> int:
    return len({piece.bin for piece in pieces if not held[piece.bin] >> family & 1})


def _one_after_another(
    load: VolumeLoad, bins: Sequence[int], room: Sequence[int], held: Sequence[int], order: Sequence[int]
) -> tuple[int, tuple[PackedPiece, ...]] | None:
    left, families, pairs = list(room), list(held), 0
    pieces: list[PackedPiece] = []
    for item in order:
        placed = _place(load, bins, left, families, item)
        if placed is None:
            return None
        pairs += _added(load.family[item], families, placed)
        for piece in placed:
            box = bins[piece.bin]
            left[piece.bin] -= load.taken(box, piece.size) + (load.beside[item][box] if piece.leads else 0)
            families[piece.bin] |= 1 << load.family[item]
        pieces += placed
    return pairs, tuple(pieces)


def _place(
    load: VolumeLoad, bins: Sequence[int], room: Sequence[int], held: Sequence[int], item: int
) -> tuple[PackedPiece, ...] | None:
    """The fewest bins without the family, then the fewest bins, that one item has space in alone; None for no space."""
    rows = [(load.fill(box, room[n]), n) for n, box in enumerate(bins)]
    rows = sorted((row for row in rows if row[0] > 0), key=lambda row: (-row[0], row[1]))
    family = load.family[item]
    there = [row for row in rows if held[row[1]] >> family & 1]
    other = [row for row in rows if not held[row[1]] >> family & 1]
    size = load.items[item].size
    for more in range(len(other) + 1):
        chosen = sorted(there + other[:more], key=lambda row: (-row[0], row[1]))
        sums = list(accumulate(row[0] for row in chosen))
        if not sums or sums[-1] < size:
            continue
        first = next(n for n, total in enumerate(sums) if total >= size)
        for few in range(first + 1, len(chosen) + 1):
            leader = _leader(load, bins, room, chosen[:few], sums[few - 1] - size, item)
            if leader is not None:
                return _cut(load, bins, room, chosen[:few], leader, item)
    return None


def _leader(
    load: VolumeLoad, bins: Sequence[int], room: Sequence[int], rows: Sequence[tuple[int, int]], slack: int, item: int
) -> int | None:
    """The bin that loses least when the files beside the item lie there; None when the item has no space then."""
    best: tuple[int, int] | None = None
    for fill, n in rows:
        box = bins[n]
        rest = room[n] - load.beside[item][box]
        if rest >= 0:
            loss = fill - load.fill(box, rest)
            if fill > loss and loss <= slack and (best is None or (loss, n) < best):
                best = (loss, n)
    return None if best is None else best[1]


def _cut(
    load: VolumeLoad, bins: Sequence[int], room: Sequence[int], rows: Sequence[tuple[int, int]], leader: int, item: int
) -> tuple[PackedPiece, ...]:
    """Fill the leader, then the others as they come; the last one takes what is left."""
    left, pieces = load.items[item].size, []
    for fill, n in sorted(rows, key=lambda row: row[1] != leader):
        most = load.fill(bins[n], room[n] - load.beside[item][bins[n]]) if n == leader else fill
        size = min(left, most)
        if size > 0:
            pieces.append(PackedPiece(item, n, size, leads=n == leader))
        left -= size
    return tuple(sorted(pieces, key=lambda p: p.bin))
