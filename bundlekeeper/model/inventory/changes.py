"""What changed between two readings of the same sites: added, gone, replaced, moved, other versions, other facts.

Rules: a component is followed by its identity, never by its place; a new identity where an old one was is `replaced`,
a known one elsewhere is `moved`; a component counts as gone only where the newer reading lists its kind in its domain
at all (or is complete), because a list of BIOS versions says nothing about disks; a version that is not known now is
no change of version, it is `unread`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from bundlekeeper.model.inventory.types import COMPONENT_KEYS, PLACES, Compared, Component


class InventoryChange(StrEnum):
    """What kind of change; in this order they are listed."""

    REPLACED = "replaced"
    GONE = "gone"
    ADDED = "added"
    MOVED = "moved"
    VERSION = "version"
    UNREAD = "unread"
    FACT = "fact"


@dataclass(frozen=True, slots=True)
class Changed:
    """One change to `component` (as it is now; for GONE as it last was). `before` is None for what was added.

    `keys` names the keys that differ.
    """

    what: InventoryChange
    component: Component
    before: Component | None = None
    keys: tuple[str, ...] = ()

    def message(self) -> str:
        """The change in one line of plain words."""
        component = self.component
        name = f"{component.kind} {component.key}"
        if self.before is None:
            return f"{name} is new at {component.place.path()}"
        if self.what is InventoryChange.GONE:
            return f"{name} is gone from {component.place.path()}"
        if self.what is InventoryChange.REPLACED:
            return f"{name} replaces {self.before.key} at {component.place.path()}"
        if self.what is InventoryChange.MOVED:
            return f"{name} moved from {self.before.place.path()} to {component.place.path()}"
        if self.what is InventoryChange.UNREAD:  # what was known of it stays known, with its own date
            words = (f"{key} was not read, last known is {_word(getattr(self.before, key))}" for key in self.keys)
        else:
            words = (
                f"{key} was {_word(getattr(self.before, key))}, is {_word(getattr(component, key))}"
                for key in self.keys
            )
        return f"{name} at {component.place.path()}: {'; '.join(words)}"


def _compared(how: Compared) -> tuple[str, ...]:
    return tuple(name for name, key in COMPONENT_KEYS.items() if key.compared is how)


_VERSIONS, _FACTS = _compared(Compared.VERSION), _compared(Compared.FACT)


def compare(before: Iterable[Component], after: Sequence[Component], *, complete: bool = False) -> list[Changed]:
    """Every change from `before` to `after`, sorted by what and by place. Raises nothing.

    With `complete`, the newer reading lists everything in the domains that it names. A fact that only one side knows
    is no change, except that a version which is no longer read is reported.
    """
    new = {component.key: component for component in after}
    scope = {_scope(component, complete) for component in after}
    old = {component.key: component for component in before}
    gone = [component for key, component in old.items() if key not in new and _scope(component, complete) in scope]
    added = [component for key, component in new.items() if key not in old]
    found = [*_replaced(gone, added)]
    paired = {changed.before.key for changed in found if changed.before} | {changed.component.key for changed in found}
    found.extend(
        Changed(InventoryChange.GONE, component, component) for component in gone if component.key not in paired
    )
    found.extend(Changed(InventoryChange.ADDED, component) for component in added if component.key not in paired)
    for key, component in new.items():
        if key in old and old[key] != component:
            found.extend(_differences(old[key], component))
    order = list(InventoryChange)
    return sorted(
        found, key=lambda c: (order.index(c.what), c.component.place.path(), c.component.kind, c.component.key)
    )


def unlisted(before: Iterable[Component], after: Sequence[Component]) -> dict[tuple[str, str, str], int]:
    """(site, domain, kind) -> how many components stay as they were, because `after` lists none of their kind."""
    kinds = {_scope(component, complete=False) for component in after}
    domains = {_scope(component, complete=True) for component in after}
    counts: dict[tuple[str, str, str], int] = {}
    for component in before:
        if _scope(component, complete=True) in domains and _scope(component, complete=False) not in kinds:
            name = (component.site, component.domain, component.kind)
            counts[name] = counts.get(name, 0) + 1
    return counts


def _scope(component: Component, complete: bool) -> tuple[str, str, str]:
    return (component.site, component.domain, "" if complete else component.kind)


def _replaced(gone: Sequence[Component], added: Sequence[Component]) -> Iterable[Changed]:
    """Pair a component that is gone with one that came to its place; where several fit, nothing is guessed."""
    for position in (_slot, _half):
        left: dict[tuple[str, ...], list[Component]] = {}
        came: dict[tuple[str, ...], list[Component]] = {}
        for components, by in ((gone, left), (added, came)):
            for component in components:
                where = position(component)
                if where:
                    by.setdefault(where, []).append(component)
        for where, components in left.items():
            if len(components) == 1 and len(came.get(where, ())) == 1:
                yield Changed(InventoryChange.REPLACED, came[where][0], components[0])


def _slot(component: Component) -> tuple[str, ...]:
    return (
        (component.site, component.domain, component.kind, component.chassis or "", component.slot)
        if component.slot
        else ()
    )


def _half(component: Component) -> tuple[str, ...]:
    if component.slot or not component.pair or not component.half:
        return ()
    return (component.site, component.domain, component.kind, component.pair, component.half)


def _differences(old: Component, new: Component) -> Iterable[Changed]:
    if _differing(old, new, PLACES):
        yield Changed(InventoryChange.MOVED, new, old)
    versions = _differing(old, new, _VERSIONS)
    if versions:
        yield Changed(InventoryChange.VERSION, new, old, versions)
    unread = tuple(
        version for version in _VERSIONS if getattr(old, version) is not None and getattr(new, version) is None
    )
    if unread:
        yield Changed(InventoryChange.UNREAD, new, old, unread)
    facts = _differing(old, new, _FACTS)
    if facts:
        yield Changed(InventoryChange.FACT, new, old, facts)


def _differing(old: Component, new: Component, keys: Iterable[str]) -> tuple[str, ...]:
    """The keys that both know and that differ; the order of a list, such as that of boot files, does not count."""
    found = []
    for key in keys:
        a, b = getattr(old, key), getattr(new, key)
        if a is not None and b is not None and a != b and not (isinstance(a, tuple) and set(a) == set(b)):
            found.append(key)
    return tuple(found)


def _word(value: object) -> str:
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return ", ".join(value) or "none"
    return str(value) or "none"
