"""Whether there is any route at all, without counting windows.

Rules: for each state of the infrastructure, each class has a set of states that it can be in; sets only grow while the
infrastructure does not move, and lose what does not fit when it moves, so that a set within another one at the same
place need not be looked at. That there is no route is answered only when every place was looked at; that there is one,
only when one was written out and nothing in it clashed.
"""

from __future__ import annotations

from collections.abc import Iterator

from bundlekeeper.frozen import dataclass
from bundlekeeper.planning.route.compatible import bits
from bundlekeeper.planning.route.modes import Marks, Mode, RouteGuard, TooMany, merged, passes
from bundlekeeper.planning.route.tables import NEVER, Tables

Sets = tuple[int, ...]


@dataclass(slots=True)
class _Node:
    """Where the infrastructure is, and the classes may be; `mode` where they got there while it did not move."""

    own: int
    sets: Sets
    before: _Node | None = None
    mode: Mode | None = None


def reachable(t: Tables, guard: RouteGuard, most: int) -> bool:
    """True where there is a route. Raises TooMany when more than `most` sets would have to be looked at.

    The guard follows what it learns, and keeps it.
    """
    if t.least() == NEVER:
        return False
    while True:
        found = _Reach(t, guard, most).run()
        if found is None:
            return False
        if not _learn(t, guard, found):
            return True


class _Reach:
    def __init__(self, t: Tables, guard: RouteGuard, most: int) -> None:
        self.t, self.guard, self.left = t, guard, most
        self.seen: dict[int, list[Sets]] = {}

    def run(self) -> tuple[_Node, Sets] | None:
        """A node at the end with the sets that may be there; None where there is none."""
        todo = [_Node(0, (1,) * self.t.number)]
        while todo:
            node = todo.pop()
            for grown in self._phases(node):
                if not self._is_new(grown):
                    continue
                self.left -= 1
                if self.left < 0:
                    raise TooMany
                if (last := at_end(self.t, self.guard, grown.own, grown.sets)) is not None:
                    return grown, last
                if self.guard.followed:
                    todo.append(grown)
                ends = {end for _, end, _ in self.t.own_moves[grown.own]}
                for end in sorted(ends, key=lambda a: (-self.t.own_far[a], a)):  # the nearest is looked at next
                    fits = self._after(grown, end)
                    if fits is not None:
                        todo.append(_Node(end, fits, grown))
        return None

    def _after(self, node: _Node, end: int) -> Sets | None:
        found = []
        for i, which in enumerate(node.sets):
            which &= self.t.fits(i, end) & self.t.within(i, self.t.farthest, end)
            if not which:
                return None
            found.append(which)
        return tuple(found)

    def _is_new(self, node: _Node) -> bool:
        rows = self.seen.setdefault(node.own, [])
        for old in rows:
            if all(new & ~known == 0 for new, known in zip(node.sets, old, strict=True)):
                return False
        rows.append(node.sets)
        return True

    def _phases(self, node: _Node) -> Iterator[_Node]:
        whole = self._closed(node, self.guard.free)
        if whole is None:
            return
        if not self.guard.followed:
            yield whole
            return
        moves = []
        for i, which in enumerate(whole.sets):
            way = self.guard.way[i]
            rows = [way[c] for c in bits(which)]
            rows += [merged(way[c], way[e]) for c in bits(which) for e, _ in self.t.moves[i][c].values()]
            moves.append(Marks(rows, self.guard.followed))
        for mode in self.guard.modes(moves, self.guard.followed):
            grown = self._closed(node, mode)
            if grown is not None:
                yield grown

    def _closed(self, node: _Node, mode: Mode) -> _Node | None:
        """Every state that each class gets to while the infrastructure does not move."""
        sets = []
        for i, which in enumerate(node.sets):
            allowed = _allowed(self.t, self.guard, i, node.own, mode)
            next_ = self.t.next[i]
            got = todo = which & allowed
            while todo:
                low = todo & -todo
                new = next_[low.bit_length() - 1] & allowed & ~got
                got |= new
                todo = (todo ^ low) | new
            if not got:
                return None
            sets.append(got)
        return _Node(node.own, tuple(sets), node, mode)


def _allowed(t: Tables, guard: RouteGuard, i: int, own: int, mode: Mode) -> int:
    allowed = t.fits(i, own) & t.within(i, t.farthest, own)
    return allowed if mode[i] == (0, 0) else allowed & guard.passing(i, mode[i])


def _trail(t: Tables, which: int, allowed: int, i: int, end: int) -> list[int]:
    """One way of class i from some state of `which` to the end, while the infrastructure does not move."""
    came = dict.fromkeys(bits(which & allowed), NEVER)
    todo = list(came)
    for c in todo:
        if c == end:
            break
        for b in bits(t.next[i][c] & allowed):
            if b not in came:
                came[b] = c
                todo.append(b)
    row = [end]
    while came[row[-1]] != NEVER:
        row.append(came[row[-1]])
    return row[::-1]


def at_end(t: Tables, guard: RouteGuard, own: int, sets: Sets) -> Sets | None:
    """The states in which the classes may end there, as far as the guard follows it; None where they may not."""
    if not t.goal >> own & 1:
        return None
    ends = tuple(which & t.within(i, 0, own) for i, which in enumerate(sets))
    if not all(ends):
        return None
    followed = guard.followed_at_end
    marks = [Marks([guard.end[i][c] for c in bits(w)], followed) for i, w in enumerate(ends)] if followed else []
    for mode in guard.modes(marks, followed):
        kept = tuple(
            sum(1 << c for c in bits(which) if passes(guard.end[i][c], mode[i])) for i, which in enumerate(ends)
        )
        if all(kept):
            return kept
    return None


def _learn(t: Tables, guard: RouteGuard, found: tuple[_Node, Sets]) -> bool:
    """Write out one way; follow the tokens in which it clashes, if any."""
    node, ends = found
    states = [bits(which)[0] for which in ends]
    more_at_end = guard.clashes([guard.end[i][c] for i, c in enumerate(states)])
    phases: list[list[list[int]]] = []
    walk: _Node | None = node
    while walk is not None:
        if walk.mode is not None and walk.before is not None:
            rows = []
            for i, which in enumerate(walk.before.sets):
                allowed = _allowed(t, guard, i, walk.own, walk.mode)
                rows.append(_trail(t, which, allowed, i, states[i]))
                states[i] = rows[-1][0]
            phases.append(rows)
        walk = walk.before
    more = 0
    for rows in reversed(phases):
        now = [row[0] for row in rows]
        for i, row in enumerate(rows):
            for end in row[1:]:
                way = [guard.way[j][c] for j, c in enumerate(now)]
                way[i] = merged(way[i], guard.way[i][end])
                more |= guard.clashes(way)
                now[i] = end
    guard.followed |= more
    guard.followed_at_end |= more_at_end
    return bool(more or more_at_end)
