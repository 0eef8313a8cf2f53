"""What is left to pay at least, in the windows that are left.

Rules: for each class the exact answer for the infrastructure with that class alone, in so many windows or fewer: once
with the infrastructure's own cost, once without it. All classes without it, and one of them with it, is never more than
what is left, so that A* may use it; the largest is chosen.
"""

from __future__ import annotations

from bundlekeeper.planning.route.tables import Tables

Least = tuple[int, int]  # packed costs: the class alone, and the infrastructure with it
Paid = dict[int, int]  # state -> packed cost of being there
FAR = 1 << 400


class Estimate:
    """Keeps its answers."""

    def __init__(self, t: Tables) -> None:
        self.t = t
        self._known: list[dict[tuple[int, int, int], Least]] = [{} for _ in range(t.number)]

    def rest(self, left: int, own: int, paid: int, costs: tuple[Paid, ...], bound: int) -> tuple[int, tuple[Paid, ...]]:
        """No more than what a route through here costs in all, and the states of classes that may keep it in the bound.

        `paid` is what the infrastructure has cost so far, `costs` what each class has for being in a state.
        """
        if not costs:
            return paid + self.t.cheap_own[own], costs
        found = []
        base, most = paid, 0
        for i, row in enumerate(costs):
            known = self._known[i]
            alone = both = FAR
            each = []
            for c, cost in row.items():
                one, two = known.get((left, own, c)) or self.least(i, left, own, c)
                one, two = cost + one, cost + two
                each.append((c, cost, two))
                if one < alone:
                    alone = one
                if two < both:
                    both = two
            base += alone
            if both - alone > most:
                most = both - alone
            found.append((alone, each))
        if base + most > bound or bound >= FAR:
            return base + most, costs
        kept = []
        for row, (alone, each) in zip(costs, found, strict=True):
            most_here = bound - base + alone
            fewer = {c: cost for c, cost, two in each if two <= most_here}
            kept.append(fewer if len(fewer) < len(row) else row)
        return base + most, tuple(kept)

    def least(self, i: int, left: int, own: int, c: int) -> Least:
        """For class i in state c; FAR where it does not end in so many windows."""
        key = (left, own, c)
        known = self._known[i]
        if key in known:
            return known[key]
        t = self.t
        if left == 0:
            found = (0, 0) if t.within(i, 0, own) >> c & 1 else (FAR, FAR)
        else:
            alone = both = FAR
            allowed = t.within(i, left - 1, own)
            ways = [(own, end, 0, cost) for end, cost in t.moves[i][c].values() if allowed >> end & 1]
            if allowed >> c & 1:
                ways.append((own, c, 0, 0))  # a window of others
            ways += [(end, c, cost, 0) for _, end, cost in t.own_moves[own] if t.within(i, left - 1, end) >> c & 1]
            for there, end, own_cost, cost in ways:
                one, two = self.least(i, left - 1, there, end)
                alone, both = min(alone, one + cost), min(both, two + cost + own_cost)
            found = (alone, both)
        known[key] = found
        return found
