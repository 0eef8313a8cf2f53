"""What a policy does when a step edits it: when it applies, whether it must be edited, and whom it touches.

Rules: a policy applies by itself (when it is edited, or when the platform's maintenance window starts), when its update
is started, or at a server's reset, be it any or one in that window. One that applies by itself restarts every server
that it touches, in any domain. How it applies counts as immediate where that is not known, or listed in two ways; a
server whose policy is not known may be touched by any; what a step edited names what that step brought, whatever the
inventory says.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.types import Policy
from bundlekeeper.model.vocabulary import Applies

if TYPE_CHECKING:
    from bundlekeeper.planning.fleet.domains import Fleet, Touched
    from bundlekeeper.planning.route.types import ComponentChange, StepChange

IMMEDIATE: Applies = "immediate"
AT_WINDOW: Applies = "at-maintenance-window-start"
ON_RESET: tuple[Applies, ...] = ("on-reset", "in-maintenance-window-on-reset")
IN_WINDOW: tuple[Applies, ...] = (AT_WINDOW, "in-maintenance-window-on-reset")


@dataclass(frozen=True, slots=True)
class PolicyUse:
    """One policy as a step uses it.

    `applies` is from the inventory, empty where it is not known; `wanted` is what it must name, for people; `named`
    says that it names that already; `users` are the servers that it touches, by domain and key; `maybe` the domains
    with servers of unknown policy. `scopes` distinguish it from others of its name.
    """

    name: str
    applies: str
    wanted: str
    named: bool
    users: Touched
    maybe: tuple[str, ...]
    scopes: tuple[tuple[str, ...] | None, ...]

    @property
    def restarts_all(self) -> bool:
        """True where it restarts all that it touches by itself, as far as is known."""
        return self.applies in (IMMEDIATE, AT_WINDOW, "")

    @property
    def is_edited_before(self) -> bool:
        """True where it is edited once, without effect, before any server is worked on."""
        return not self.restarts_all and not self.named


def use(
    fleet: Fleet, domain: str, name: str, wants: Collection[tuple[StepChange, ComponentChange]], edited: Collection[str]
) -> PolicyUse:  # fmt: skip
    """The policy of that name as the domain's servers use it.

    `wants` is what it must name in the end; `edited` are the policies that an earlier step edited.
    """
    listed = fleet.policies(name, domain) or (Policy(name),)
    applies = {p.applies for p in listed}
    word = applies.pop() if len(applies) == 1 else None
    named = name not in edited and all(
        _names(fleet, p, change, component) for change, component in wants for p in listed
    )
    maybe = dict.fromkeys(d for policy in listed for d in fleet.users(policy).maybe)
    wanted = ", ".join(dict.fromkeys(f"{change.family} {change.version}" for change, _ in wants))
    return PolicyUse(
        name, word or "", wanted, named, fleet.touched(listed), tuple(maybe), tuple(p.scope for p in listed)
    )


def _names(fleet: Fleet, policy: Policy, change: StepChange, component: ComponentChange) -> bool:
    versions = policy.versions or {}
    if component.kind in versions:
        return fleet.manifest_index.scale(component.kind).same(versions[component.kind], component.end)
    wanted = versions.get(change.family)
    return wanted is not None and fleet.manifest_index.scale(None).same(wanted, change.version)
