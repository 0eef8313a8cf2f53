"""One manifest and one inventory, indexed once for any number of domains.

Rules: every index is made in one pass over the inventory, so that a fleet costs what its components cost; a domain is
read when it is first asked for; which servers a policy touches is answered over all domains, with the domains that have
servers of unknown policy.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import islice
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.types import EVERYWHERE, Component, Inventory, Partition, Place, Policy, server_key
from bundlekeeper.planning.fleet.domain_state import DomainState, StateReader, read_domain, server_name
from bundlekeeper.planning.fleet.manifest_index import ManifestIndex, near
from bundlekeeper.planning.fleet.rules import Rules

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Manifest

Servers = Mapping[str, Mapping[str, str]]  # domain -> server key -> its place for people


@dataclass(frozen=True, slots=True)
class Users:
    """The servers that a policy touches, by domain, and the domains with servers of which the policy is not known."""

    servers: Servers
    maybe: tuple[str, ...]

    @property
    def number(self) -> int:
        """How many servers it is known to touch."""
        return sum(map(len, self.servers.values()))


@dataclass(frozen=True, slots=True)
class Touched:
    """Servers by domain and key, with `names` in the order in which they are reported: made once for each policy."""

    servers: frozenset[tuple[str, str]]
    names: tuple[tuple[tuple[str, str], str], ...]

    def __len__(self) -> int:
        """How many there are."""
        return len(self.servers)

    def outside(self, own: Collection[tuple[str, str]], most: int = 6) -> tuple[int, str]:
        """How many there are besides `own`, and their names for people: the first ones and how many more."""
        number = len(self.servers) - sum(row in self.servers for row in own)
        shown = ", ".join(islice((name for row, name in self.names if row not in own), most))
        return number, f"{shown} and {number - most} more" if number > most else shown


class Fleet:
    """The index."""

    def __init__(self, manifest: Manifest, inventory: Inventory) -> None:
        """Raises VersionError for an order that cannot be made; a manifest that was read well has none."""
        self.manifest_index = ManifestIndex(manifest)
        self.reader = StateReader(self.manifest_index)
        self.rules = Rules(self.manifest_index)
        self.inventory = inventory
        self._components: dict[str, list[Component]] = {}
        self._states: dict[str, DomainState] = {}
        self._partitions: dict[str, list[Partition]] = {}
        self._policies: dict[str, list[Policy]] = {}
        self._users: dict[str, dict[str, dict[str, str]]] = {}
        self._unknown: dict[str, None] = {}  # domains with a policy-driven part of unknown policy
        self._asked: dict[tuple[str, tuple[str, ...] | None], Users] = {}
        self._touched: dict[tuple[tuple[str, tuple[str, ...] | None], ...], Touched] = {}
        for component in inventory.components:
            if component.domain:
                self._components.setdefault(component.domain, []).append(component)
                self._note_policy(component)
        for partition in inventory.partitions:
            self._partitions.setdefault(partition.component, []).append(partition)
        for policy in inventory.policies:
            self._policies.setdefault(policy.name, []).append(policy)

    def _note_policy(self, component: Component) -> None:
        if component.policy is None:
            if component.domain not in self._unknown and self.manifest_index.by_policy(component) is not False:
                self._unknown[component.domain] = None
        elif component.policy:
            servers = self._users.setdefault(component.policy, {}).setdefault(component.domain, {})
            slot = None if component.slot is None else component.slot.partition("/")[0]
            key, place = server_key(component), Place(component.site, component.domain, component.chassis, slot)
            servers.setdefault(key, server_name(key, place))

    @property
    def domains(self) -> tuple[str, ...]:
        """Every domain, in the order of the inventory."""
        return tuple(self._components)

    def state(self, domain: str) -> DomainState:
        """The state of one domain. Raises InputError, with a suggestion, for a domain that the inventory lacks."""
        if domain not in self._components:
            hint = near(domain, self._components) or "the inventory lists no domain"
            raise InputError(f"the inventory has no domain {domain!r}", hint=hint)
        if domain not in self._states:
            self._states[domain] = read_domain(self.reader, domain, self._components[domain])
        return self._states[domain]

    def components(self, domain: str) -> Sequence[Component]:
        """A domain's components as the inventory has them; none for a domain that it lacks."""
        return self._components.get(domain, ())

    def partitions(self, key: str) -> tuple[Partition, ...]:
        """The partitions of the component with that identity."""
        return tuple(self._partitions.get(key, ()))

    def policies(self, name: str, domain: str) -> tuple[Policy, ...]:
        """What is reported of the policy of that name in a domain; a policy without a known scope is reported
        everywhere."""
        return tuple(policy for policy in self._policies.get(name, ()) if _reaches(policy.scope, domain))

    def users(self, policy: Policy) -> Users:
        """Which servers the policy touches, in any domain; the answer is shared, not made again."""
        key = (policy.name, policy.scope)
        if key not in self._asked:
            everywhere = self._users.get(policy.name, {})
            servers = {domain: rows for domain, rows in everywhere.items() if _reaches(policy.scope, domain)}
            maybe = tuple(domain for domain in self._unknown if _reaches(policy.scope, domain))
            self._asked[key] = Users(servers, maybe)
        return self._asked[key]

    def touched(self, policies: Sequence[Policy]) -> Touched:
        """Which servers any of the policies touches, in any domain; the answer is shared, not made again."""
        asked = tuple((policy.name, policy.scope) for policy in policies)
        if asked not in self._touched:
            found = {
                (domain, key): name
                for policy in policies
                for domain, rows in self.users(policy).servers.items()
                for key, name in rows.items()
            }
            names = sorted(found.items(), key=lambda row: (row[1], row[0]))
            self._touched[asked] = Touched(frozenset(found), tuple(names))
        return self._touched[asked]


def _reaches(scope: tuple[str, ...] | None, domain: str) -> bool:
    return scope is None or EVERYWHERE in scope or domain in scope
