"""What domains that are planned together may do to each other: policies that they share, and names of `apart` sets.

Rules: a policy names one version at a time, for all servers that it touches: where domains want another of it, the one
that edits it later takes the others' servers along, whenever they are confirmed or restart, so that is told; an `apart`
set that names a domain which the inventory lacks keeps nobody apart from it, which is told. One domain alone has
nothing to be told of. That servers in no known cluster keep domains apart is told once for all, too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import some
from bundlekeeper.planning.fleet.manifest_index import near

if TYPE_CHECKING:
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.types import Route
    from bundlekeeper.planning.windows.infrastructure_actions import Draft

_SPLIT = "split the policy first, or plan these domains one after the other"


def together(fleet: Fleet, drafts: Sequence[tuple[Route, Sequence[Draft]]]) -> Iterator[Finding]:
    """What is to be told of several domains in one timeline; `drafts` are those of the steps that have windows."""
    if len(drafts) < 2:
        return
    yield from _misnamed(fleet, {route.domain for route, _ in drafts})
    lone = [route.domain for route, rows in drafts if any(p.alone for draft in rows for p in draft.pieces)]
    if lone:
        says = "servers in no known cluster: while they are worked on, no other domain's servers are"
        hint = "give their parts a cluster in the inventory: rounds are many without"
        yield finding("not-checked", some(lone), says, hint, level=Level.WARNING)
    wanted: dict[tuple[str, object], dict[str, dict[str, None]]] = {}
    for route, rows in drafts:
        for use in (use for draft in rows for use in draft.uses):
            wanted.setdefault((use.name, use.scopes), {}).setdefault(use.wanted, {})[route.domain] = None
    for (name, _), asked in wanted.items():
        if len(asked) > 1 and len({d for domains in asked.values() for d in domains}) > 1:
            words = "; ".join(f"{version} for {some(list(domains))}" for version, domains in asked.items())
            says = f"names one version at a time, and is to name {words}: what it named last reaches all of them"
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
