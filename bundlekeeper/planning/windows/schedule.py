"""Pieces of work put into windows of a length.

Rules: a piece starts when all before it have ended, runs in one window without a break, and never beside another with
one of its locks, more than `per_cluster` servers of one cluster, more pieces than its sites have hands, or anything at
all where it is `alone`. Of real windows the fewest count, then the minutes. The schedule is the shortest up to five
pieces; of more, the best of five orders by rank, and up to 30 of what changes of single places make of it, which is not
always the shortest: of 267 cases of 6 to 30 pieces with a proven optimum it was in 235, at the worst 1.09 times it
(`python -m tests.optimum`). `lower_bound` says what none can beat; often the shortest is above it.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import field, replace
from functools import lru_cache
from itertools import combinations, permutations

from bundlekeeper.frozen import dataclass
from bundlekeeper.planning.windows.types import EFFECTS, Action

Placed = tuple[int, int]  # which piece, and the minute of its window at which it starts

_ALL_ORDERS = 5  # pieces, of which every order is tried
_CHANGED = 30  # pieces, up to which single places of the best order are changed
_FREE_TRIES, _STRICT_TRIES = 400, 1_400  # of such changes
_OPENING_SHARE, _MOVING_SHARE = 0.25, 0.6  # of changes: what opens a window, up to here moves, the rest swaps


@dataclass(frozen=True, slots=True)
class WorkPiece:
    """Actions that belong into one window; their `start` counts from the start of the piece.

    `after` are the places of the pieces that must have ended, in this or an earlier window; `clusters` says how many
    servers of which cluster it works on; `minutes`, how long it takes, follows from the actions.
    """

    subject: str
    actions: tuple[Action, ...]
    after: tuple[int, ...] = ()
    locks: tuple[str, ...] = ()
    clusters: tuple[tuple[str, int], ...] = ()
    alone: bool = False
    sites: tuple[str, ...] = ("",)  # where it takes a hand; needed where not all have as many
    minutes: int = field(init=False)  # kept, because schedules ask for it often
    takes_effect: bool = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "minutes", max((action.end for action in self.actions), default=0))
        object.__setattr__(self, "takes_effect", any(action.verb in EFFECTS for action in self.actions))


@dataclass(frozen=True, slots=True)
class Limits:
    """What a schedule keeps to: windows of at most `length` minutes (None: as long as they need), servers of one
    cluster at a time, and pieces of work at a time at each site: as `at_sites` has it, else `parallel` (None: as many
    as may).

    `lengths` are those of real windows in their order, of which a schedule takes the first ones, also where it leaves
    one empty because nothing that takes effect fits it; beyond them there are windows without an end, which the caller
    refuses.
    """

    length: int | None = None
    per_cluster: int = 1
    parallel: int | None = None
    lengths: tuple[int, ...] = ()
    at_sites: tuple[tuple[str, int], ...] = ()

    def of(self, number: int) -> int | None:
        """The length of the window with that number, from 0."""
        if self.lengths:
            return self.lengths[number] if number < len(self.lengths) else None
        return self.length

    @property
    def longest(self) -> int | None:
        """The length of the longest window; None for no limit."""
        return max(self.lengths) if self.lengths else self.length


def pack(pieces: Sequence[WorkPiece], limits: Limits) -> list[list[Placed]]:
    """The windows in their order; only where real windows are given some may be empty.

    No piece may be longer than every window, take more servers of a cluster than may go at a time, or come before
    itself.
    """
    if (
        limits.parallel is None and not limits.at_sites
    ):  # then sites make no difference, and like pieces are packed once
        pieces = [replace(piece, sites=("",)) for piece in pieces]
    return [list(rows) for rows in packed(_shape(pieces), limits)]


_Shape = tuple[
    tuple[int, tuple[int, ...], tuple[str, ...], tuple[tuple[str, int], ...], bool, tuple[str, ...], bool], ...
]


def _shape(pieces: Sequence[WorkPiece]) -> _Shape:
    """All that a schedule depends on, with names of its own: domains of a fleet are often alike."""
    names: dict[tuple[str, bool], str] = {}
    rows = []
    for piece in pieces:
        locks = tuple(names.setdefault((name, False), f"lock {len(names)}") for name in piece.locks)
        clusters = tuple(
            (names.setdefault((name, True), f"cluster {len(names)}"), number) for name, number in piece.clusters
        )
        rows.append((piece.minutes, piece.after, locks, clusters, piece.alone, piece.sites, piece.takes_effect))
    return tuple(rows)


@lru_cache(maxsize=1_000)
def packed(shape: _Shape, limits: Limits) -> tuple[tuple[Placed, ...], ...]:
    """`pack` of pieces of that shape, kept."""
    pieces = []
    for minutes, after, locks, clusters, alone, sites, takes_effect in shape:
        action = Action("activate" if takes_effect else "", "", "", "", minutes, assumed=False)
        pieces.append(WorkPiece("", (action,), after, locks, clusters, alone, sites))
    best = _Best(pieces, limits)
    for order in _orders(pieces):
        best.try_(order)
    if len(pieces) <= _ALL_ORDERS:
        for order, opening in _tries(pieces):
            if best.is_shortest:
                break
            best.try_(order, opening)
    elif len(pieces) <= _CHANGED:
        _improved(best)
    return tuple(tuple(rows) for rows in best.windows)


class _Best:
    """The best windows so far, and the order that they came from."""

    def __init__(self, pieces: Sequence[WorkPiece], limits: Limits) -> None:
        self.pieces, self.limits = pieces, limits
        self.bound = lower_bound(pieces, limits)
        self.windows: list[list[Placed]] = []
        self.order: tuple[int, ...] = ()
        self.least: tuple[int, int] | None = None  # minutes, then windows; of real windows the other way round

    @property
    def is_shortest(self) -> bool:
        """True where the bound shows that none is shorter."""
        return self.least is not None and not self.limits.lengths and self.least[0] == self.bound

    def try_(self, order: tuple[int, ...], opening: Collection[int] | None = None) -> tuple[int, int]:
        """Start the pieces in that order, and keep what is better than the best; its minutes and windows, of real
        windows their number first."""
        windows = _started(self.pieces, order, opening, self.limits)
        found = (sum(minutes_of(self.pieces, rows) for rows in windows), len(windows))
        found = found[::-1] if self.limits.lengths else found
        if self.least is None or found < self.least:
            self.windows, self.order, self.least = windows, order, found
        return found


def _improved(best: _Best) -> None:
    """Change single places of the best order, and keep what is no worse, so that plateaus are crossed.

    First each piece starts as early as it may; then in the order's sequence, which also finds schedules in which a
    piece waits though it could start, or a window ends though something fits it. Tries are counted and drawn from one
    seed, so that the answer is the same.
    """
    chance = random.Random(0)  # noqa: S311  (no secret: the same answer each time)
    _changed(best, chance, list(best.order), None, _FREE_TRIES)
    firsts = set() if best.limits.lengths else {rows[0][0] for rows in best.windows[1:]}
    order = [i for rows in best.windows for i, _ in rows]
    _changed(best, chance, order, firsts, _STRICT_TRIES)


def _changed(best: _Best, chance: random.Random, order: list[int], opening: set[int] | None, tries: int) -> None:
    """Try that many changes of an order, and of what opens a window where that is given."""
    current = best.least
    for _ in range(tries):
        if best.is_shortest:
            return
        new, opens = list(order), opening
        one, other, kind = chance.randrange(len(new)), chance.randrange(len(new)), chance.random()
        if opens is not None and best.limits.length is not None and not best.limits.lengths and kind < _OPENING_SHARE:
            opens = opens ^ {chance.choice(new[1:])}
        elif kind < _MOVING_SHARE:
            new.insert(other, new.pop(one))
        else:
            new[one], new[other] = new[other], new[one]
        if opens is not None:
            new = _following(best.pieces, new)
        found = best.try_(tuple(new), opens)
        if current is None or found <= current:
            order, opening, current = new, opens, found


def _following(pieces: Sequence[WorkPiece], order: Sequence[int]) -> list[int]:
    """The order, with each piece after those that it waits for."""
    left, done, found = list(order), set[int](), list[int]()
    while left:
        place = next(n for n, i in enumerate(left) if done.issuperset(pieces[i].after))
        found.append(left.pop(place))
        done.add(found[-1])
    return found


def minutes_of(pieces: Sequence[WorkPiece], rows: Iterable[Placed]) -> int:
    """How long a window of these is."""
    return max((start + pieces[i].minutes for i, start in rows), default=0)


def hands_of(pieces: Sequence[WorkPiece], rows: Sequence[Placed], site: str = "") -> int:
    """How many pieces of a window go on at a time at a site, at most."""
    spans = [(start, start + pieces[i].minutes) for i, start in rows if pieces[i].minutes and site in pieces[i].sites]
    return max((sum(a <= begin < b for a, b in spans) for begin, _ in spans), default=0)


def lower_bound(pieces: Sequence[WorkPiece], limits: Limits) -> int:
    """Minutes that no windows can beat: what is done alone, and the longest of four of the rest.

    They are the longest chain of pieces that must follow each other; for each lock all that need it; for each cluster
    its work shared out evenly (McNaughton 1959, from memory), or the shortest pieces that some hand must take; and the
    pieces longer than half a window, of which one window holds one for each that may be worked on at once, so that each
    group's longest counts (as in bin packing). What must come before the first and after the last of those that share a
    lock or cluster comes on top.
    """
    alone = sum(piece.minutes for piece in pieces if piece.alone)
    tails, heads = _tails(pieces, count_alone=False), _heads(pieces)
    bounds = [0, *tails]
    length = limits.longest
    for rows, hands in _resources(pieces, limits):
        minutes = sorted(pieces[i].minutes for i, number in rows for _ in range(number))
        fullest = -(-len(minutes) // hands)  # some hand has at least so many
        work = max(minutes[-1], -(-sum(minutes) // hands), sum(minutes[:fullest]))
        if length is not None:
            big = sorted((minute for minute in minutes if 2 * minute > length), reverse=True)
            work = max(work, sum(big[::hands]))
        around = min(heads[i] for i, _ in rows) + min(tails[i] - pieces[i].minutes for i, _ in rows)
        bounds.append(work + around)
    return alone + max(bounds)


def _resources(pieces: Sequence[WorkPiece], limits: Limits) -> Iterator[tuple[list[tuple[int, int]], int]]:
    """The pieces that need one thing, how much of it each, and how much of it there is."""
    found: dict[tuple[str, bool], list[tuple[int, int]]] = {}
    for i, piece in enumerate(pieces):
        if not piece.alone:
            for name, number in piece.clusters:
                found.setdefault((name, True), []).append((i, number))
            for name in piece.locks:
                found.setdefault((name, False), []).append((i, 1))
    for (_, is_cluster), rows in found.items():
        yield rows, limits.per_cluster if is_cluster else 1
    for site in dict.fromkeys(site for piece in pieces for site in piece.sites):
        rows = [(i, 1) for i, p in enumerate(pieces) if p.minutes and not p.alone and site in p.sites]
        hands = dict(limits.at_sites).get(site, limits.parallel)
        if hands is not None and rows:
            yield rows, hands


def _heads(pieces: Sequence[WorkPiece]) -> list[int]:
    """For each piece the minutes of the longest chain that must end before it, what is done alone left out."""
    later: list[list[int]] = [[] for _ in pieces]
    for i, piece in enumerate(pieces):
        for before in piece.after:
            later[before].append(i)
    turned = [replace(p, after=tuple(later[i])) for i, p in enumerate(pieces)]
    own = [0 if p.alone else p.minutes for p in pieces]
    return [tail - minutes for tail, minutes in zip(_tails(turned, count_alone=False), own, strict=True)]


def _tails(pieces: Sequence[WorkPiece], *, count_alone: bool = True) -> list[int]:
    """For each piece the minutes of the longest chain that starts with it."""
    own = [p.minutes if count_alone or not p.alone else 0 for p in pieces]
    tails: dict[int, int] = {}
    later: list[list[int]] = [[] for _ in pieces]
    waits = [0] * len(pieces)  # how many that come after it have no tail yet
    for i, piece in enumerate(pieces):
        for before in piece.after:
            later[before].append(i)
            waits[before] += 1
    ready = [i for i, number in enumerate(waits) if not number]
    while ready:
        i = ready.pop()
        tails[i] = own[i] + max((tails[n] for n in later[i]), default=0)
        for before in pieces[i].after:
            waits[before] -= 1
            if not waits[before]:
                ready.append(before)
    return [tails[i] for i in range(len(pieces))]


def _orders(pieces: Sequence[WorkPiece]) -> Iterator[tuple[int, ...]]:
    number = range(len(pieces))
    tails = _tails(pieces)
    load: dict[str, int] = {}
    for piece in pieces:
        for name in (*piece.locks, *(c for c, _ in piece.clusters)):
            load[name] = load.get(name, 0) + piece.minutes
    loads = [max((load[n] for n in (*p.locks, *(c for c, _ in p.clusters))), default=0) for p in pieces]
    minutes = [p.minutes for p in pieces]
    yield tuple(sorted(number, key=lambda i: (-tails[i], -minutes[i], i)))
    yield tuple(sorted(number, key=lambda i: (-minutes[i], i)))
    yield tuple(sorted(number, key=lambda i: (-loads[i], -minutes[i], i)))
    yield tuple(sorted(number, key=lambda i: (not pieces[i].alone, -loads[i], -tails[i], i)))
    yield tuple(sorted(number, key=lambda i: (minutes[i], i)))


def _follows(pieces: Sequence[WorkPiece], order: Sequence[int]) -> bool:
    """Whether each piece comes after those that it waits for."""
    at = {i: n for n, i in enumerate(order)}
    return all(at[m] < at[i] for i in order for m in pieces[i].after)


def _tries(pieces: Sequence[WorkPiece]) -> Iterator[tuple[tuple[int, ...], Collection[int]]]:
    """All orders to start pieces in, none before one that is earlier, and which pieces open a window.

    In the shortest schedule pieces start in some order and some open windows; started in that very order, each as early
    as it may, none starts later than there, so that all orders and openings have the shortest among them.
    """
    for order in permutations(range(len(pieces))):
        if _follows(pieces, order):
            for number in range(len(pieces)):
                yield from ((order, opening) for opening in combinations(order[1:], number))


def _started(
    pieces: Sequence[WorkPiece],
    order: Sequence[int],
    opening: Collection[int] | None,
    limits: Limits,
) -> list[list[Placed]]:
    """Start each piece as early as it may, the earlier in `order` the sooner; a window ends when nothing fits it.

    Where `opening` is given no piece starts before one that is earlier in the order, and those open a window.
    """
    left, done = list(order), set[int]()
    windows: list[list[Placed]] = []
    while left:
        rows: list[Placed] = []
        running: list[tuple[int, int]] = []
        held = _Held(limits)
        length = limits.of(len(windows))
        now = 0
        while True:
            waiting: list[int] = []
            for i in left:
                piece = pieces[i]
                fits = length is None or now + piece.minutes <= length
                if opening is not None:
                    fits = fits and not waiting and (i not in opening or not rows)
                if fits and done.issuperset(piece.after) and held.free(piece):
                    held.take(piece, 1)
                    heapq.heappush(running, (now + piece.minutes, i))
                    rows.append((i, now))
                else:
                    waiting.append(i)
            left = waiting
            if not running:
                break
            now = running[0][0]
            while running and running[0][0] == now:
                _, i = heapq.heappop(running)
                held.take(pieces[i], -1)
                done.add(i)
        is_idle = not any(pieces[i].takes_effect for i, _ in rows) and any(pieces[i].takes_effect for i in left)
        if is_idle and len(windows) < len(limits.lengths):  # past the last real window nothing gets better
            left, rows = [i for i in order if i not in done or i in {n for n, _ in rows}], []
            done.difference_update(left)
        windows.append(rows)
    return windows


class _Held:
    """What is in use at one moment."""

    def __init__(self, limits: Limits) -> None:
        self.per_cluster = limits.per_cluster
        self.parallel, self.at_sites = limits.parallel, dict(limits.at_sites)
        self.is_limited = limits.parallel is not None or bool(limits.at_sites)
        self.hands: dict[str, int] = {}
        self.used: dict[tuple[str, bool], int] = {}
        self.number = 0
        self.alone = False

    def free(self, piece: WorkPiece) -> bool:
        """Whether it may run beside what runs now."""
        if self.alone or (piece.alone and self.number):
            return False
        if self.is_limited and piece.minutes and any(self._is_full(site) for site in piece.sites):
            return False
        if any(self.used.get((name, False)) for name in piece.locks):
            return False
        return all(self.used.get((c, True), 0) + n <= self.per_cluster for c, n in piece.clusters)

    def _is_full(self, site: str) -> bool:
        hands = self.at_sites.get(site, self.parallel)
        return hands is not None and self.hands.get(site, 0) >= hands

    def take(self, piece: WorkPiece, sign: int) -> None:
        """Use what it needs, or give it back where `sign` is -1."""
        if piece.minutes:
            self.number += sign
            if self.is_limited:
                self.hands |= {site: self.hands.get(site, 0) + sign for site in piece.sites}
        if piece.alone:
            self.alone = sign > 0
        for key in [((name, False), 1) for name in piece.locks] + [((c, True), n) for c, n in piece.clusters]:
            self.used[key[0]] = self.used.get(key[0], 0) + sign * key[1]
