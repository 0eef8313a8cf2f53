"""What changed between two readings of the same sites: added, gone, replaced, moved, other versions, other facts.

Rules: a component is followed by its identity, never by its place; a new identity where an old one was has `replaced`
it, and a new server in a slot replaces all that was in the old one; a known one elsewhere is `moved`, and what is in
the same server with it; a component counts as gone only where the newer reading lists everything; a version that is
not known now is no change of version, it is `unread`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from enum import StrEnum
from operator import attrgetter

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.types import COMPONENT_KEYS, PLACES, Compared, Component, is_of_server
from bundlekeeper.model.vocabulary import BANKS


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

    `keys` names the keys that differ. What is gone with its server, which was replaced, has itself as `before`, and as
    `by` the serial of the server that is there now.
    """

    what: InventoryChange
    component: Component
    before: Component | None = None
    keys: tuple[str, ...] = ()
    by: str = ""

    def message(self) -> str:
        """The change in one line of plain words."""
        component = self.component
        name = f"{component.kind} {component.key}"
        if self.before is None:
            return f"{name} is new at {component.place.path()}"
        if self.what is InventoryChange.GONE:
            return f"{name} is gone from {component.place.path()}"
        if self.by:
            return f"{name} is gone from {component.place.path()} with {component.parent}, which {self.by} replaces"
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


def compare(
    before: Iterable[Component],
    after: Sequence[Component],
    whole: Callable[[str, str], bool] = lambda site, domain: False,
) -> list[Changed]:
    """Every change from `before` to `after`, sorted by what and by place. Raises nothing.

    `whole` is true for a site and domain where the newer reading lists everything: only there something is gone. A fact
    that only one side knows is no change, except that a version which is no longer read is reported.
    """
    new = {component.key: component for component in after}
    old = {component.key: component for component in before}
    found = displaced(list(old.values()), after)
    settled = {change.before.key for change in found if change.before}
    came = {change.component.key for change in found if change.what is InventoryChange.REPLACED}
    for key, component in old.items():
        if key not in new and key not in settled and whole(component.site, component.domain):
            found.append(Changed(InventoryChange.GONE, component, component))
    for key, component in new.items():
        if key not in old:
            found += [] if key in came else [Changed(InventoryChange.ADDED, component)]
        elif old[key] != component:
            found.extend(_differences(old[key], component))
    order = list(InventoryChange)
    return sorted(
        found, key=lambda c: (order.index(c.what), c.component.place.path(), c.component.kind, c.component.key)
    )


def displaced(before: Sequence[Component], after: Sequence[Component]) -> list[Changed]:
    """What `after` states of components that it does not list: replaced in their place, or moved with their server.

    A place is occupied by one component of a kind, a server's slot by one server; where several fit, nothing is
    guessed, and a place of which a part is not known is no place.
    """
    listed = {component.key for component in after}
    unlisted = [component for component in before if component.key not in listed]
    found: dict[str, Changed] = {}
    for component, occupant in _swaps(unlisted, after, _spot):
        found[occupant.key] = Changed(InventoryChange.REPLACED, component, occupant)
    parents = {component.parent for component in after if component.parent}
    for component, occupant in _swaps(unlisted, after, _bay, attrgetter("parent")):
        for inside in unlisted:
            same = inside.parent == occupant.parent and _bay(inside) == _bay(occupant)
            if same and inside.parent not in parents and inside.key not in found:
                found[inside.key] = Changed(InventoryChange.REPLACED, inside, inside, by=component.parent or "")
    stays = [component for component in unlisted if component.key not in found]
    return [*found.values(), *_moved_along(stays, before, after)]


def _swaps(
    unlisted: Sequence[Component],
    after: Sequence[Component],
    position: Callable[[Component], tuple[str, ...]],
    of: Callable[[Component], str | None] = attrgetter("key"),
) -> Iterable[tuple[Component, Component]]:
    """What is listed at a position, and what was there and is not listed: where each side is one thing, by `of`."""
    left: dict[tuple[str, ...], dict[str | None, Component]] = {}
    came: dict[tuple[str, ...], dict[str | None, Component]] = {}
    for components, by in ((unlisted, left), (after, came)):
        for component in components:
            if where := position(component):
                by.setdefault(where, {})[of(component)] = component
    for where, occupants in left.items():
        arrived = came.get(where, {})
        if len(occupants) == 1 and len(arrived) == 1 and occupants.keys() != arrived.keys():
            yield next(iter(arrived.values())), next(iter(occupants.values()))


def _moved_along(
    stays: Iterable[Component], before: Iterable[Component], after: Sequence[Component]
) -> Iterable[Changed]:
    """What is in a server of which something else was moved is where the server is now.

    A parent that was, or is, in several slots is no server: it may be a chassis.
    """
    was, now = _bays(before), _bays(after)
    left = {component.key: _bay(component) for component in before}
    came = {c.parent for c in after if (old := left.get(c.key)) and old != _bay(c) and {old} == was.get(c.parent)}
    for component in stays:
        bays = now.get(component.parent, set())
        if _bay(component) and component.parent in came and len(bays) == 1:
            ((site, domain, chassis, slot),) = bays
            _, slash, position = (component.slot or "").partition("/")
            slot += slash + position
            moved = replace(component, site=site, domain=domain, chassis=chassis, slot=slot)
            yield Changed(InventoryChange.MOVED, moved, component)


def _bays(components: Iterable[Component]) -> dict[str | None, set[tuple[str, ...]]]:
    found: dict[str | None, set[tuple[str, ...]]] = {}
    for component in components:
        if bay := _bay(component):
            found.setdefault(component.parent, set()).add(bay)
    return found


def _spot(component: Component) -> tuple[str, ...]:
    """Where there can be one component of its kind: a slot of a chassis, else the half of a pair; () if not known."""
    where = (component.site, component.domain, component.kind)
    if component.slot:
        return () if component.chassis is None else (*where, component.chassis, component.slot)
    return (*where, component.pair, component.half) if component.pair and component.half else ()


def _bay(component: Component) -> tuple[str, ...]:
    """The slot of the server that a component is in; () if it is in none, or that is not known."""
    slot = (component.slot or "").partition("/")[0]
    if not slot or component.chassis is None or not component.parent or not is_of_server(component.kind):
        return ()
    return (component.site, component.domain, component.chassis, slot)


def _differences(old: Component, new: Component) -> Iterable[Changed]:
    if _differing(old, new, PLACES):
        yield Changed(InventoryChange.MOVED, new, old)
    versions = _differing(old, new, _VERSIONS)
    if versions:
        yield Changed(InventoryChange.VERSION, new, old, versions)
    unread = tuple(  # of banks: few inventories have a column for what is staged
        version for version in BANKS if getattr(old, version) is not None and getattr(new, version) is None
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
