"""What to pack and how it was packed, as values; and the sums that all ways of packing share.

Rules: sizes are bytes; an item is one bundle with the files that must stay on its volume (its signatures); an item is
split only where some of the volumes cannot hold it whole, and then parts of any size may lie on any volume; boxes and
items are named by their index in the caller's order, which also breaks every tie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bundlekeeper.model.media.capacity import VolumeKind


@dataclass(frozen=True, slots=True)
class PackingItem:
    """One bundle: its family, its bytes, and the bytes of each file that goes with it."""

    name: str
    family: str
    size: int
    beside: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Box:
    """Volumes of one kind. `space` is what each has for items, in bytes; `count` how many, None for any number."""

    kind: VolumeKind
    space: int
    count: int | None = None


@dataclass(frozen=True, slots=True)
class PackedPiece:
    """So many bytes of an item in one bin; `leads` for the piece of a split item that the files beside it lie with."""

    item: int
    bin: int
    size: int
    leads: bool = True


@dataclass(frozen=True, slots=True, order=True)
class Cost:
    """What is kept small, in this order: volumes, split items, pairs of a family and a volume with some of it."""

    volumes: int
    splits: int
    pairs: int


@dataclass(frozen=True, slots=True)
class Packed:
    """A packing. `bins` are the box of each volume, in order; `least` is what no packing can be below.

    `exact` when no packing costs less. `pieces` are by item, then by volume.
    """

    bins: tuple[int, ...]
    pieces: tuple[PackedPiece, ...]
    cost: Cost
    least: Cost

    @property
    def exact(self) -> bool:
        """True when no packing is better."""
        return self.cost == self.least


@dataclass(frozen=True, slots=True)
class NotPacked:
    """No packing was found. `lacking` items fit on none of the volumes; at least `short` more bytes are needed.

    `certain` is False where a packing may exist that was not found.
    """

    lacking: tuple[int, ...]
    short: int
    certain: bool


class VolumeLoad:
    """Items and boxes, with the space that each item needs in each box, computed once.

    `weight[i][b]` is what item i needs whole in box b, None where it does not fit whole; `least[i]` is the least that
    it needs anywhere, `apart[i]` when it is split; `family[i]` is the number of its family.
    """

    def __init__(self, items: Sequence[PackingItem], boxes: Sequence[Box]) -> None:
        self.items, self.boxes = tuple(items), tuple(boxes)
        self.weight = [[self._whole(item, box) for box in self.boxes] for item in self.items]
        self.splittable = [any(w is None for w in row) for row in self.weight]
        self.must_split = [all(w is None for w in row) for row in self.weight]
        self.beside = [[sum(box.kind.cost(s) for s in item.beside) for box in self.boxes] for item in self.items]
        names = list(dict.fromkeys(item.family for item in self.items))
        self.families = tuple(names)
        self.family = [names.index(item.family) for item in self.items]
        self.apart = [self._apart(i, item) for i, item in enumerate(self.items)]
        self.least = [
            min([w for w in row if w is not None] + [self.apart[i]] * self.splittable[i])
            for i, row in enumerate(self.weight)
        ]

    def _apart(self, i: int, item: PackingItem) -> int:
        """The least that an item needs when it is split: two parts and the files beside it."""
        each = min((box.kind.each for box in self.boxes), default=0)
        return item.size + 2 * each + min(self.beside[i], default=0)

    @staticmethod
    def _whole(item: PackingItem, box: Box) -> int | None:
        weight = box.kind.cost(item.size) + sum(box.kind.cost(size) for size in item.beside)
        return weight if item.size <= box.kind.largest_file and weight <= box.space else None

    def fill(self, box: int, space: int) -> int:
        """The most bytes of one split item that fit into so much space of a box, in as many parts as needed."""
        kind = self.boxes[box].kind
        full, total = kind.cost(kind.largest_file), 0
        if space >= full:
            total, space = space // full * kind.largest_file, space % full
        return total + max(0, kind.fits(space))

    def needed(self, box: int, size: int) -> int:
        """The space that so many bytes of one split item need in a box."""
        kind = self.boxes[box].kind
        parts, rest = divmod(size, kind.largest_file)
        return parts * kind.cost(kind.largest_file) + (kind.cost(rest) if rest else 0)

    def cost(self, bins: Sequence[int], pieces: Sequence[PackedPiece]) -> Cost:
        """What a packing costs."""
        parts: dict[int, int] = {}
        for piece in pieces:
            largest = self.boxes[bins[piece.bin]].kind.largest_file
            parts[piece.item] = parts.get(piece.item, 0) + max(1, -(-piece.size // largest))
        pairs = {(self.family[p.item], p.bin) for p in pieces}
        return Cost(len(bins), sum(n > 1 for n in parts.values()), len(pairs))
