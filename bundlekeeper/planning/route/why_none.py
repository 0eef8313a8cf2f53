"""Why there is no route: the fewest rules that block it even without any other rule.

Rules: exact by implicit hitting sets (Reiter 1987, smallest unsatisfiable subsets; from memory): a set that hits every
set of blockers without which there is a route is tried by increasing size, and where it does not block, one more such
set is learnt; bounded in searches and in size, and the answer says whether the bound was met.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import combinations

from bundlekeeper.planning.fleet.manifest_index import ManifestIndex
from bundlekeeper.planning.fleet.target import ReleaseTarget
from bundlekeeper.planning.route.search import RouteProblem, RouteSearch
from bundlekeeper.planning.route.types import OtherReason
from bundlekeeper.planning.route.units import Unit

MOST_SEARCHES = 400
MOST_PLACES = 5_000
MOST_RULES = 5


class _Bound(Exception):  # noqa: N818  (control flow inside this module)
    """The bound was met."""


class _Asker:
    def __init__(self, problem: RouteProblem) -> None:
        self.problem = problem
        self.searches = 0

    def blocks(self, enabled: int) -> bool:
        """True where there is no route with only these blockers."""
        self.searches += 1
        if self.searches > MOST_SEARCHES:
            raise _Bound
        found = RouteSearch(replace(self.problem, enabled=enabled)).has_way(MOST_PLACES)
        if found is None:
            raise _Bound
        return not found


def blocking(problem: RouteProblem, number: int) -> tuple[int, bool]:
    """The fewest of `number` blockers that block the route, as bits, and whether they are known to be the fewest."""
    asker = _Asker(problem)
    every = (1 << number) - 1
    learnt: list[int] = []
    try:
        while True:
            tried = _hitting(learnt)
            if tried is None:
                return _shrunk(asker, every), False
            if asker.blocks(tried):
                return tried, True
            learnt.append(every & ~_grown(asker, tried, every))
    except _Bound:
        return _shrunk(_Asker(problem), every), False


def _grown(asker: _Asker, enabled: int, every: int) -> int:
    """As many blockers as still leave a route, `enabled` among them."""
    todo = [[n for n in range(every.bit_length()) if not enabled >> n & 1]]
    while todo:
        chunk = todo.pop()
        if not chunk:
            continue
        more = enabled | sum(1 << n for n in chunk)
        if not asker.blocks(more):
            enabled = more
        elif len(chunk) > 1:
            half = len(chunk) // 2
            todo += [chunk[half:], chunk[:half]]
    return enabled


def _hitting(sets: Iterable[int]) -> int | None:
    """The smallest set that has one of each, of equals the first; None where it would be larger than MOST_RULES."""
    rows = list(sets)
    members = [n for n in range(max(rows, default=0).bit_length()) if any(row >> n & 1 for row in rows)]
    for size in range(MOST_RULES + 1):
        for chosen in combinations(members, size):
            bits = sum(1 << n for n in chosen)
            if all(row & bits for row in rows):
                return bits
    return None


def _shrunk(asker: _Asker, enabled: int) -> int:
    """Blockers of which none can be left out, as far as the bound lets it be asked."""
    try:
        todo = [[n for n in range(enabled.bit_length()) if enabled >> n & 1]]
        while todo:
            chunk = todo.pop()
            fewer = enabled & ~sum(1 << n for n in chunk)
            if asker.blocks(fewer):
                enabled = fewer
            elif len(chunk) > 1:
                half = len(chunk) // 2
                todo += [chunk[half:], chunk[:half]]
    except _Bound:
        pass
    return enabled


def unknown_variants(index: ManifestIndex, units: Iterable[Unit]) -> Iterator[str]:
    """The units that are to move whose variant is not known."""
    for unit in units:
        if not unit.still and unit.family is not None and unit.variant is None:
            yield f"{unit.name}: which variant is needed, {' or '.join(index.variants(unit.family))}"


def no_bundles(
    index: ManifestIndex, units: Iterable[Unit], target: ReleaseTarget, release: str
) -> Iterator[OtherReason]:
    """The units that are to move for which the release has no bundle."""
    for unit in units:
        if unit.still or unit.family is None or unit.variant is None:
            continue  # reported as a fact that is not known
        choice = target.choices[unit.family, unit.variant]
        if choice.bundle is None:
            which = f"the variant {unit.variant}" if unit.variant else "no variant"
            of = f", of {which}, for {unit.name}" if index.variants(unit.family) else ""
            others = any(index.at(unit.family, version) for version in choice.offered)
            message = f"the manifest has no {unit.family} bundle for release {release}{of}"
            yield OtherReason("wrong-variant" if others else "family-missing", message)
