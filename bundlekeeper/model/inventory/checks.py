"""Checks of an inventory's rows with each other.

Rules: no component twice, none without an identity, no two of a kind in one slot, no pair of three, no partition of a
component that is not listed, no more bytes free than there are, nothing staged that is in no bank. What rows leave
open is no problem here: it stays unknown, and the checks that need it report that.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any, Protocol

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.documents import Document, Path
from bundlekeeper.model.vocabulary import KINDS, METHODS

_STAGED_HINT = "write in staged the version that was brought to be activated, or leave it empty"
Place = tuple[Document, Path] | None


@dataclass(frozen=True, slots=True)
class InventoryRow:
    """One row that could be read (`made`: a Component, Partition, Policy or SeparateWindows), and its place."""

    place: tuple[Document, Path]
    made: Any


class InventoryReport(Protocol):
    """Reports one problem; `other` is a second place, which is added at the end of `message`."""

    def __call__(
        self, code: str, place: Place, subject: str, message: str, hint: str = "", other: Place = None
    ) -> None:
        """Report it."""


def together(
    rows: Mapping[str, Sequence[InventoryRow]],
    report: InventoryReport,
    unread: Collection[str] = (),
    *,
    kept: bool = False,
    own_kinds: Collection[str] = (),
) -> None:
    """Report every problem that the rows of all tables have with each other.

    `unread` are the identities that may be those of rows that could not be read, "" where it may be any: it is no
    problem when another row names one of those. An inventory that is `kept` was read without problems when it was
    loaded: it may have two of a kind in one slot. How a kind of `own_kinds` takes its image is not known here.
    """
    keys = _identities(rows["component"], report)
    if not kept:
        _slots(rows["component"], report)
        _banks(rows["component"], own_kinds, report)
    _staged(rows["component"], report)
    _pairs(rows["component"], report)
    _partitions(rows["partition"], keys, unread, report)
    _policies(rows["policy"], report)
    for row in rows["separate_windows"]:
        if len(set(row.made.domains)) < 2:
            _report(report, "inventory-value", row, "domains", "separate_windows names fewer than two domains")


def _report(
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
            where = component.place.path()
            message = f"the {component.kind} at {where} has neither a serial nor a parent, so it has no identity"
            _report(report, "inventory-missing", row, "serial", message, "give its serial, or its server's as parent")
        elif key in first:
            message = f"{key} is the {component.kind} here and the {first[key].made.kind} at"
            hint = "a serial belongs to one component; a server's own serial belongs in parent"
            if not component.serial:
                hint = 'give each its serial, or its position: slot = "3/1", "3/2"'
            _report(report, "inventory-twice", row, "serial" if component.serial else "slot", message, hint, first[key])
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
            both = f"{there.made.key} and {component.key}, both {component.kind}"
            message = f"slot {component.slot} of chassis {component.chassis} has {both};"
            base = component.slot.partition("/")[0]
            hint = f'delete the one that is gone, or give their positions: slot = "{base}/1", "{base}/2"'
            _report(report, "inventory-twice", row, "slot", f"{message} the other one is at", hint, there)


def _staged(rows: Iterable[InventoryRow], report: InventoryReport) -> None:
    """What is staged is pending or spare, or a boot file, where any of those banks is stated."""
    for row in rows:
        component = row.made
        named = {component.pending, component.spare} - {None, ""}
        there = {*named, *(component.boot_files or ())}
        facts = KINDS.get(component.kind)
        if component.staged and named and component.staged not in there:
            is_a_file = facts is not None and METHODS[facts.method].over is None
            if is_a_file and component.boot_files is None:
                continue  # it may be a file
            message = f"staged is {component.staged}, but what is pending or spare is {' and '.join(sorted(named))}"
            _report(report, "inventory-value", row, "staged", message, _STAGED_HINT)
        elif component.staged == "" and component.pending:
            message = f"staged is none, but {component.pending} is pending"
            _report(report, "inventory-value", row, "staged", message, _STAGED_HINT)


def _banks(rows: Iterable[InventoryRow], own_kinds: Collection[str], report: InventoryReport) -> None:
    """No more banks with a version than the kind's method has."""
    for row in rows:
        component = row.made
        facts = KINDS.get(component.kind)
        if facts is None or component.kind in own_kinds:
            continue
        method = METHODS[facts.method]
        named = [bank for bank in ("pending", "spare", "staged") if getattr(component, bank)]
        if not method.banks and named:
            message = f"{named[0]} is {getattr(component, named[0])}, but a {component.kind} has one bank, which runs"
            _report(report, "inventory-value", row, named[0], message, f"leave {' and '.join(named)} empty")
        elif method.over == "spare" and component.pending and component.spare:
            message = f"pending is {component.pending} and spare is {component.spare}, but a {component.kind} has two "
            message += "banks: the bank that does not run is pending or spare, never both"
            _report(report, "inventory-value", row, "spare", message, "name its version in the one that it is")


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
            _report(report, "inventory-twice", row, "pair", message, "give each pair of a domain its own name")


def _partitions(rows: Iterable[InventoryRow], keys: set[str], unread: Collection[str], report: InventoryReport) -> None:
    seen: set[tuple[str, str]] = set()
    for row in rows:
        made = row.made
        may_be_unread = "" in unread or not {made.component, made.component.partition(":")[0]}.isdisjoint(unread)
        if made.component not in keys and not may_be_unread:
            from bundlekeeper.model.inventory.cells import suggest

            message = f"partition {made.name} belongs to {made.component!r}, but no such component is listed"
            _report(report, "inventory-reference", row, "component", message, suggest(made.component, keys))
        if (made.component, made.name) in seen:
            message = f"partition {made.name} of {made.component} is listed twice"
            _report(report, "inventory-twice", row, "name", message)
        seen.add((made.component, made.name))
        if made.free_bytes is not None and made.size_bytes is not None and made.free_bytes > made.size_bytes:
            message = f"partition {made.name} has more free bytes ({made.free_bytes}) than bytes ({made.size_bytes})"
            _report(report, "inventory-value", row, "free_bytes", message)


def _policies(rows: Iterable[InventoryRow], report: InventoryReport) -> None:
    seen: set[tuple[str, str | None]] = set()
    for row in rows:
        # two policies may have one name where each has its own domains; without domains it is the same policy
        names = {(row.made.name, domain) for domain in row.made.scope or (None,)}
        if names & seen:
            _report(report, "inventory-twice", row, "name", f"policy {row.made.name} is listed twice")
        seen |= names
