"""What changed between two readings of the same sites: added, gone, replaced, moved, other versions, other facts.

Rules: a component is followed by its identity, never by its place; a new identity where an old one was is `replaced`,
a known one elsewhere is `moved`; a part counts as gone only where the newer reading speaks of its kind in its domain at
all (or is said to be complete), because a list of BIOS versions says nothing about disks; not known now is not a change
of version, it is `unread`.
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
    """One change to `part` (as it is now; for GONE as it last was). `before` is None for what was added.

    `keys` names the keys that differ.
    """

    what: InventoryChange
    part: Component
    before: Component | None = None
    keys: tuple[str, ...] = ()

    def message(self) -> str:
        """The change in one line of plain words."""
        part = self.part
        name = f"{part.kind} {part.key}"
        if self.before is None:
            return f"{name} is new at {part.place.path()}"
        if self.what is InventoryChange.GONE:
            return f"{name} is gone from {part.place.path()}"
        if self.what is InventoryChange.REPLACED:
            return f"{name} replaces {self.before.key} at {part.place.path()}"
        if self.what is InventoryChange.MOVED:
            return f"{name} moved from {self.before.place.path()} to {part.place.path()}"
        if self.what is InventoryChange.UNREAD:  # what was known of it stays known, as of when it was
            told = (f"{key} was not read, {_word(getattr(self.before, key))} is what is known" for key in self.keys)
            return f"{name} at {part.place.path()}: {'; '.join(told)}"
        told = (f"{key} was {_word(getattr(self.before, key))}, is {_word(getattr(part, key))}" for key in self.keys)
        return f"{name} at {part.place.path()}: {'; '.join(told)}"


def _compared(how: Compared) -> tuple[str, ...]:
    return tuple(name for name, key in COMPONENT_KEYS.items() if key.compared is how)


_VERSIONS, _FACTS = _compared(Compared.VERSION), _compared(Compared.FACT)


def compare(before: Iterable[Component], after: Sequence[Component], *, complete: bool = False) -> list[Changed]:
    """Every change from `before` to `after`, sorted by what and by place. Raises nothing.

    With `complete` the newer reading is said to list everything in the domains that it names. Facts that only one side
    knows are no change, except that a version which is no longer read is told.
    """
    new = {part.key: part for part in after}
    scope = {_scope(part, complete) for part in after}
    old = {part.key: part for part in before}
    gone = [part for key, part in old.items() if key not in new and _scope(part, complete) in scope]
    added = [part for key, part in new.items() if key not in old]
    found = [*_replaced(gone, added)]
    paired = {changed.before.key for changed in found if changed.before} | {changed.part.key for changed in found}
    found.extend(Changed(InventoryChange.GONE, part, part) for part in gone if part.key not in paired)
    found.extend(Changed(InventoryChange.ADDED, part) for part in added if part.key not in paired)
    for key, part in new.items():
        if key in old and old[key] != part:
            found.extend(_differences(old[key], part))
    order = list(InventoryChange)
    return sorted(found, key=lambda c: (order.index(c.what), c.part.place.path(), c.part.kind, c.part.key))


def unlisted(before: Iterable[Component], after: Sequence[Component]) -> dict[tuple[str, str, str], int]:
    """(site, domain, kind) -> how many parts stay as they were, as `after` says nothing of their kind."""
    kinds = {_scope(part, complete=False) for part in after}
    domains = {_scope(part, complete=True) for part in after}
    counts: dict[tuple[str, str, str], int] = {}
    for part in before:
        if _scope(part, complete=True) in domains and _scope(part, complete=False) not in kinds:
            name = (part.site, part.domain, part.kind)
            counts[name] = counts.get(name, 0) + 1
    return counts


def _scope(part: Component, complete: bool) -> tuple[str, str, str]:
    return (part.site, part.domain, "" if complete else part.kind)


def _replaced(gone: Sequence[Component], added: Sequence[Component]) -> Iterable[Changed]:
    """Pair what went with what came to the same place; where several could be meant, nothing is guessed."""
    for position in (_slot, _half):
        left: dict[tuple[str, ...], list[Component]] = {}
        came: dict[tuple[str, ...], list[Component]] = {}
        for parts, by in ((gone, left), (added, came)):
            for part in parts:
                where = position(part)
                if where:
                    by.setdefault(where, []).append(part)
        for where, parts in left.items():
            if len(parts) == 1 and len(came.get(where, ())) == 1:
                yield Changed(InventoryChange.REPLACED, came[where][0], parts[0])


def _slot(part: Component) -> tuple[str, ...]:
    return (part.site, part.domain, part.kind, part.chassis or "", part.slot) if part.slot else ()


def _half(part: Component) -> tuple[str, ...]:
    if part.slot or not part.pair or not part.half:
        return ()
    return (part.site, part.domain, part.kind, part.pair, part.half)


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
    """The keys that both know and that differ; the order of a list, such as that of held images, says nothing."""
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
