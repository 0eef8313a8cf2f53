"""What is to be packed and how it was packed, as values; and the sums that all ways of packing share.

Rules: sizes are bytes; an item is one bundle with the files that must stay on its volume (its signatures); an item is
split only where some volume that was offered cannot take it whole, and then parts of any size may lie on any volume;
boxes and items are reported by their index, in the caller's order, and every tie is broken by it.
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
    """Volumes of one kind. `room` is what each has for items, in bytes; `count` how many, None for any number."""

    kind: VolumeKind
    room: int
    count: int | None = None


@dataclass(frozen=True, slots=True)
class PackedPiece:
    """So many bytes of an item in one bin; of a split item also `leads`, where the files beside it lie."""

    item: int
    bin: int
    size: int
    leads: bool = True


@dataclass(frozen=True, slots=True, order=True)
class Cost:
    """What is made small, in this order: volumes, split items, pairs of a family and a volume that holds some of it."""

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
    """No packing was found. `lacking` items fit on none of the volumes; `short` bytes more are needed at least.

    `verified` False where it may only not have been found.
    """

    lacking: tuple[int, ...]
    short: int
    verified: bool


class VolumeLoad:
    """Items and boxes with what each item takes in each box, worked out once.

    `weight[i][b]` is what item i takes whole in box b, None where it cannot lie there whole; `least[i]` what it takes
    wherever it lies, `apart[i]` when it is split; `family[i]` the number of its family.
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
        """What an item takes at least when it is split: two parts and the files beside it."""
        each = min((box.kind.each for box in self.boxes), default=0)
        return item.size + 2 * each + min(self.beside[i], default=0)

    @staticmethod
    def _whole(item: PackingItem, box: Box) -> int | None:
        weight = box.kind.cost(item.size) + sum(box.kind.cost(size) for size in item.beside)
        return weight if item.size <= box.kind.largest_file and weight <= box.room else None

    def fill(self, box: int, room: int) -> int:
        """The most bytes of one split item that so much room of a box holds, in as many parts as its files need."""
        kind = self.boxes[box].kind
        full, total = kind.cost(kind.largest_file), 0
        if room >= full:
            total, room = room // full * kind.largest_file, room % full
        return total + max(0, kind.fits(room))

    def taken(self, box: int, size: int) -> int:
        """The room that so many bytes of one split item take in a box."""
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
