"""What the rows of an inventory must not say together.

Rules: no component twice, none without an identity, no two of a kind in one slot, no pair of three, no partition of a
component that is not listed, no more bytes free than there are. What rows merely leave open is no problem here: it
stays unknown, and the checks that need it say so.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from bundlekeeper.model.inventory.tables import Document, Path

Place = tuple[Document, Path] | None


@dataclass(frozen=True, slots=True)
class InventoryRow:
    """One row that could be read (`made`: a Component, Partition, Policy or Apart), and where it stands."""

    place: tuple[Document, Path]
    made: Any


class InventoryReport(Protocol):
    """Takes one problem; `other` is a second place that `message` ends with."""

    def __call__(
        self, code: str, place: Place, subject: str, message: str, hint: str = "", other: Place = None
    ) -> None:
        """Note it."""


def together(
    rows: Mapping[str, Sequence[InventoryRow]],
    report: InventoryReport,
    unread: Collection[str] = (),
    *,
    kept: bool = False,
) -> None:
    """Report everything that the rows of all tables must not say together.

    `unread` are the identities that rows of components which could not be read may have, "" where it may be any: no
    other row is blamed for speaking of one of those. An inventory that is `kept` may have two of a kind in one slot,
    which was accepted once.
    """
    keys = _identities(rows["component"], report)
    if not kept:
        _slots(rows["component"], report)
    _pairs(rows["component"], report)
    _partitions(rows["partition"], keys, unread, report)
    _policies(rows["policy"], report)
    for row in rows["separate_windows"]:
        if len(set(row.made.domains)) < 2:
            _say(report, "inventory-value", row, "domains", "apart names fewer than two domains")


def _say(
    report: InventoryReport,
    code: str,
    row: InventoryRow,
    key: str,
    message: str,
    hint: str = "",
    other: InventoryRow | None = None,
) -> None:
    document, path = row.place
    subject = str(getattr(row.made, key) or key)
    report(code, (document, (*path, key)), subject, message, hint, other.place if other else None)


def _identities(rows: Iterable[InventoryRow], report: InventoryReport) -> set[str]:
    first: dict[str, InventoryRow] = {}
    for row in rows:
        component = row.made
        key = component.key
        if not component.serial and not component.parent:
            message = f"the {component.kind} at {component.place.path()} has neither a serial nor a parent, so nothing tells it apart"
            _say(report, "inventory-missing", row, "serial", message, "give its serial, or its server's as parent")
        elif key in first:
            message = f"{key} stands here as {component.kind}, and as {first[key].made.kind} at"
            hint = "a serial is one component's; a server's own serial belongs in parent"
            if not component.serial:
                hint = 'tell them apart by serial, or by position: slot = "3/1", "3/2"'
            _say(report, "inventory-twice", row, "serial" if component.serial else "slot", message, hint, first[key])
        else:
            first[key] = row
    return set(first)


def _slots(rows: Iterable[InventoryRow], report: InventoryReport) -> None:
    first: dict[tuple[str, ...], InventoryRow] = {}
    for row in rows:
        component = row.made
        if not component.chassis or not component.slot:
            continue
        place = (component.site, component.domain, component.chassis, component.slot, component.kind)
        there = first.setdefault(place, row)
        if there is not row and there.made.key != component.key:  # one component twice is reported elsewhere
            message = f"slot {component.slot} of chassis {component.chassis} holds {there.made.key} and {component.key}, both {component.kind};"
            base = component.slot.partition("/")[0]
            hint = f'one of them is elsewhere or gone; or tell their positions: slot = "{base}/1", "{base}/2"'
            _say(report, "inventory-twice", row, "slot", f"{message} the other stands at", hint, there)


def _pairs(rows: Iterable[InventoryRow], report: InventoryReport) -> None:
    halves: dict[tuple[str, str, str, str], int] = {}
    for row in rows:
        component = row.made
        if not component.pair:
            continue
        name = (component.site, component.domain, component.kind, component.pair)
        halves[name] = halves.get(name, 0) + 1
        if halves[name] == 3:
            message = f"pair {component.pair} of {component.domain} has more than two of the kind {component.kind}"
            _say(report, "inventory-twice", row, "pair", message, "each pair has a name of its own in its domain")


def _partitions(rows: Iterable[InventoryRow], keys: set[str], unread: Collection[str], report: InventoryReport) -> None:
    seen: set[tuple[str, str]] = set()
    for row in rows:
        made = row.made
        may_be_unread = "" in unread or not {made.component, made.component.partition(":")[0]}.isdisjoint(unread)
        if made.component not in keys and not may_be_unread:
            from bundlekeeper.model.inventory.cells import suggest

            message = f"partition {made.name} is of {made.component!r}, and no such component is listed"
            _say(report, "inventory-reference", row, "component", message, suggest(made.component, keys))
        if (made.component, made.name) in seen:
            message = f"partition {made.name} of {made.component} stands twice"
            _say(report, "inventory-twice", row, "name", message)
        seen.add((made.component, made.name))
        if made.free_bytes is not None and made.size_bytes is not None and made.free_bytes > made.size_bytes:
            message = f"partition {made.name} has more bytes free ({made.free_bytes}) than it has ({made.size_bytes})"
            _say(report, "inventory-value", row, "free_bytes", message)


def _policies(rows: Iterable[InventoryRow], report: InventoryReport) -> None:
    seen: set[tuple[str, str | None]] = set()
    for row in rows:
        # one name may be two policies where each has its own domains; without domains it is one and the same
        names = {(row.made.name, domain) for domain in row.made.scope or (None,)}
        if names & seen:
            _say(report, "inventory-twice", row, "name", f"policy {row.made.name} stands twice")
        seen |= names
