"""Policies that name an older version than their components run: what they apply the next time goes down.

Rules: what a policy names is compared as an image: by its kind's own version, else by what the named bundle brings for
the kind and model, else as bundles; where none of that can be compared nothing is reported here (`policy-differs` is).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.types import Policy
from bundlekeeper.model.vocabulary import Applies
from bundlekeeper.planning.fleet.domain_state import PlacedComponent
from bundlekeeper.planning.fleet.manifest_index import suits

if TYPE_CHECKING:
    from bundlekeeper.planning.fleet.domains import Fleet

#: The times at which a policy restarts its servers by itself.
BY_ITSELF: tuple[Applies, ...] = ("immediate", "at-maintenance-window-start")


@dataclass(frozen=True, slots=True)
class Lowered:
    """Like components that a policy would take down: what it names them by, that version, and what they run."""

    policy: Policy
    named_by: str
    named: str
    runs: str
    keys: tuple[str, ...]

    @property
    def level(self) -> Level:
        """An error where the policy applies by itself, or may: nobody is asked again."""
        return Level.ERROR if self.policy.applies in (*BY_ITSELF, None) else Level.WARNING

    @property
    def message(self) -> str:
        """What is to be reported of it."""
        number = counted(len(self.keys), "component")
        goes = "goes" if len(self.keys) == 1 else "go"
        return f"names {self.named_by} {self.named}, and {self.runs} runs: {number} {goes} down when the policy applies"


HINT = "set it to what runs, or to the version of the release, before a server restarts"


def lowered(fleet: Fleet, policy: Policy, components: Iterable[PlacedComponent]) -> tuple[Lowered, ...]:
    """What a policy takes down of the components that it drives."""
    found: dict[tuple[str, str, str], list[str]] = {}
    for component in components:
        kind, family = component.reading.kind, component.reading.family or ""
        key = kind if kind in (policy.versions or {}) else family
        named = (policy.versions or {}).get(key)
        if named is not None and (runs := _above(fleet, component, named, of_kind=key == kind)):
            found.setdefault((key, named, runs), []).append(component.key)
    return tuple(Lowered(policy, *row, tuple(keys)) for row, keys in found.items())


def _above(fleet: Fleet, component: PlacedComponent, named: str, *, of_kind: bool) -> str:
    """What it runs, where that is newer than what the policy names; empty else, and where that is not known."""
    index, reading = fleet.manifest_index, component.reading
    if not reading.active:
        return ""
    if of_kind:
        return reading.active if index.scale(reading.kind).compare(named, reading.active) == -1 else ""
    bundles = (bundle for bundle in index.at(reading.family or "", named) if suits(bundle, reading.variant))
    for bundle in bundles if reading.family else ():
        offer = index.whole(bundle).get((reading.kind, reading.model or ""))
        if offer is not None:
            is_newer = index.scale(reading.kind).compare(offer.image.version, reading.active) == -1
            return reading.active if is_newer else ""
    compare = index.scale(None).compare
    at = reading.bundles
    return at[0] if at and all(compare(named, version) == -1 for version in at) else ""


def policy_findings(fleet: Fleet, domain: str, besides: Collection[str] = ()) -> Iterator[Finding]:
    """Every policy of the domain that would take components down, as findings; `besides` are the keys of those that
    are to go down anyway.

    Raises InputError for a domain that the inventory lacks.
    """
    driven: dict[str, list[PlacedComponent]] = {}
    for server in fleet.state(domain).servers:
        for component in server.components:
            if (
                component.key not in besides
                and component.component.policy
                and fleet.manifest_index.by_policy(component.component)
            ):
                driven.setdefault(component.component.policy, []).append(component)
    for name, components in driven.items():
        for policy in fleet.policies(name, domain):
            for row in lowered(fleet, policy, components):
                yield finding("downgrade", f"policy {name}", row.message, HINT, row.level)
