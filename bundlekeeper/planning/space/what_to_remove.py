"""The smallest set of images to remove so that there is space: fewest images, and of those sets the fewest bytes.

Rules: exact, not greedy. Fewest: taking the largest that may go, step by step, until there is space, needs no more
images than any other set, because in any set the largest image that may go can stand in for another without making
space smaller at any step. Fewest bytes among sets of that many: meet in the middle (Horowitz and Sahni 1974, from
memory: the sums of two halves, sorted), over every choice among the few images that may go only later. Sums that are
equal are kept once. Where a half would hold more than `MAX_SUMS` sums the number of images is still the fewest, and
`fewest_bytes` is False.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations

from bundlekeeper.frozen import dataclass

MAX_SUMS = 1 << 18  # kept of one half at once: reached by more than 36 images whose sums never repeat

_Sums = list[dict[int, int]]  # by number of images: the sum of bytes -> which ones, as bits


@dataclass(frozen=True, slots=True)
class File:
    """An image that may go, its size in bytes, and the first step (from 0) at which it may."""

    name: str
    size_bytes: int
    from_step: int = 0


@dataclass(frozen=True, slots=True)
class Removal:
    """What to remove. `short_bytes` is how much is lacking when everything that may go is gone, and then `files` is
    everything; `fewest_bytes` is False where only the number of images was verified to be the fewest."""

    files: tuple[File, ...]
    short_bytes: int = 0
    fewest_bytes: bool = True


def smallest_removal(files: Iterable[File], needs: Sequence[int]) -> Removal:
    """The smallest set whose bytes, of files that may go by step k, are at least `needs[k]`, for every step k.

    What was removed before stays removed, so `needs` count from the start. Files of no bytes never help.
    """
    rows = sorted((file for file in files if file.size_bytes > 0), key=lambda f: (-f.size_bytes, f.name))
    short = max((need - _sum(file for file in rows if file.from_step <= k) for k, need in enumerate(needs)), default=0)
    if short > 0:
        return Removal(tuple(rows), short_bytes=short)
    chosen = _largest_first(rows, needs)
    if not chosen:
        return Removal(())
    early = [file for file in rows if file.from_step == 0]
    late = [file for file in rows if file.from_step > 0]
    sums = _halves(early, len(chosen))
    if sums is None:
        return Removal(tuple(chosen), fewest_bytes=False)
    best = _sum(chosen)
    for number in range(min(len(late), len(chosen)) + 1):
        for some in combinations(late, number):
            least = max(need - _sum(file for file in some if file.from_step <= k) for k, need in enumerate(needs))
            found = _cheapest(sums, early, len(chosen) - number, least, best - _sum(some))
            if found is not None:
                best, chosen = _sum(found) + _sum(some), [*found, *some]
    return Removal(tuple(sorted(chosen, key=lambda f: (f.from_step, f.name))))


def _sum(files: Iterable[File]) -> int:
    return sum(file.size_bytes for file in files)


def _largest_first(rows: list[File], needs: Sequence[int]) -> list[File]:
    """A set of the fewest files; `rows` are sorted, largest first, and are enough."""
    chosen: list[File] = []
    for step, need in enumerate(needs):
        have = _sum(file for file in chosen if file.from_step <= step)
        left = (file for file in rows if file.from_step <= step and file not in chosen)
        while have < need:
            chosen.append(next(left))
            have += chosen[-1].size_bytes
    return chosen


def _halves(files: list[File], most: int) -> tuple[_Sums, _Sums] | None:
    """All sums of up to `most` files of the even and of the odd places; None where they are too many to keep."""
    halves = []
    for start in (0, 1):
        sums: _Sums = [{0: 0}, *({} for _ in range(most))]
        for place in range(start, len(files), 2):
            size = files[place].size_bytes
            for number in range(most, 0, -1):
                for total, bits in sums[number - 1].items():
                    sums[number].setdefault(total + size, bits | 1 << place)
            if sum(map(len, sums)) > MAX_SUMS:
                return None
        halves.append(sums)
    return halves[0], halves[1]


def _cheapest(halves: tuple[_Sums, _Sums], files: list[File], number: int, least: int, below: int) -> list[File] | None:
    """`number` of the files with the fewest bytes that are at least `least` and fewer than `below`; None for none."""
    found: int | None = None
    for one, other in _split(halves, number):
        others = sorted(other)
        place = len(others)
        for total in sorted(one):  # as this sum grows, the smallest other one that is enough never grows
            while place and total + others[place - 1] >= least:
                place -= 1
            if place < len(others) and total + others[place] < below:
                below = total + others[place]
                found = one[total] | other[others[place]]
    return None if found is None else [f for place, f in enumerate(files) if found >> place & 1]


def _split(halves: tuple[_Sums, _Sums], number: int) -> Iterator[tuple[dict[int, int], dict[int, int]]]:
    """The ways to take `number` files: so many of one half, the rest of the other."""
    for of_one in range(number + 1):
        if of_one < len(halves[0]) and number - of_one < len(halves[1]):
            yield halves[0][of_one], halves[1][number - of_one]
