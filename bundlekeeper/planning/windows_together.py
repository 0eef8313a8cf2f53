"""What domains that are planned together may do to each other: policies that they share, and names of `apart` sets.

Rules: a policy names one version at a time, so two domains that want another of it must not use it in the same rounds,
nor may the later one count on what the inventory says that it names; an `apart` set that names a domain which the
inventory lacks keeps nobody apart from it, which is told. One domain alone has nothing to be told of.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.model.findings import Finding, Level, finding
from bundlekeeper.planning.book import near
from bundlekeeper.planning.gap import some

if TYPE_CHECKING:
    from bundlekeeper.planning.fleet import Fleet
    from bundlekeeper.planning.route_types import Route
    from bundlekeeper.planning.windows_actions import Draft
    from bundlekeeper.planning.windows_policies import PolicyUse
    from bundlekeeper.planning.windows_types import Window

_SPLIT = "split the policy, or plan these domains one after the other"


@dataclass(frozen=True, slots=True)
class _Use:
    """One step's use of a policy, in rounds `first` to `last`."""

    first: int
    last: int
    domain: str
    wanted: str
    edits: bool


def together(
    fleet: Fleet, drafts: Sequence[tuple[Route, Sequence[Draft]]], windows: Iterable[Window]
) -> Iterator[Finding]:  # fmt: skip
    """What is to be told of several domains in one timeline; `drafts` are those of the steps that have windows."""
    if len(drafts) < 2:
        return
    yield from _misnamed(fleet, {route.domain for route, _ in drafts})
    spans: dict[tuple[str, int], tuple[int, int]] = {}
    for window in windows:
        key = (window.domain, window.step)
        spans[key] = (min(spans.get(key, (window.round,))[0], window.round), window.round)
    uses: dict[tuple[str, object], list[_Use]] = {}
    for route, rows in drafts:
        for step, draft in zip(route.steps, rows, strict=False):
            for use in draft.uses:
                if (route.domain, step.number) in spans:
                    uses.setdefault((use.name, use.scopes), []).append(
                        _use(route, use, *spans[route.domain, step.number])
                    )
    for (name, _), found in uses.items():
        yield from _shared(name, found)


def _use(route: Route, use: PolicyUse, first: int, last: int) -> _Use:
    return _Use(first, last, route.domain, use.wanted, use.is_at_once or use.is_edited_before)


def _shared(name: str, uses: list[_Use]) -> Iterator[Finding]:
    """Two uses clash that want different versions and share a round, or of which the later one edits nothing."""
    uses.sort(key=lambda u: (u.first, u.domain))
    before: dict[str, list[_Use]] = {}  # by what is wanted: those that end last, of two domains
    clashing: dict[str, dict[str, None]] = {}
    for use in uses:
        for wanted, rows in before.items():
            for other in rows if wanted != use.wanted else ():
                if other.domain != use.domain and (other.last >= use.first or not use.edits):
                    clashing.setdefault(wanted, {})[other.domain] = None
                    clashing.setdefault(use.wanted, {})[use.domain] = None
        rows = [u for u in before.get(use.wanted, ()) if u.domain != use.domain]
        mine = [u for u in before.get(use.wanted, ()) if u.domain == use.domain]
        best = max([use, *mine], key=lambda u: u.last)
        before[use.wanted] = sorted([*rows, best], key=lambda u: -u.last)[:2]
    if clashing:
        asked = "; ".join(f"{wanted} for {some(list(domains))}" for wanted, domains in clashing.items())
        says = f"names one version at a time, and in this timeline is to name {asked}: what it named last applies"
        yield finding("policy-shared", f"policy {name}", says, _SPLIT, level=Level.ERROR)


def _misnamed(fleet: Fleet, planned: set[str]) -> Iterator[Finding]:
    known = set(fleet.domains)
    for row in fleet.inventory.apart:
        if lacking := [d for d in row.domains if d not in known]:
            if planned.isdisjoint(row.domains):
                continue
            says = f"the inventory has no domain {some(lacking)}: from it nobody is kept apart"
            subject = f"apart {some(list(row.domains))}"
            yield finding("not-checked", subject, says, near(lacking[0], fleet.domains), level=Level.WARNING)
