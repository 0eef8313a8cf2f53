"""The work that a route document asks for: each component's part of each step, with the window that it is in.

Rules: what a document says is read, never judged; a document whose work cannot be read is refused whole; a component's
part is in the window that verifies it, or, where none does, in the first one that does anything with it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.model.route.dated_windows import DatedWindow, windows_at
from bundlekeeper.model.route.document import RouteDocument
from bundlekeeper.model.vocabulary import INFRASTRUCTURE


@dataclass(frozen=True, slots=True)
class WorkItem:
    """One component's part of one step: from `start` to `end` by a bundle's file, in window number `window`.

    `server` is the key of the component's server, empty for the infrastructure; `window` is 0 where the step has none.
    `place` is the component's place when the plan was made.
    """

    step: int
    window: int
    key: str
    kind: str
    model: str
    place: str
    server: str
    start: str
    end: str
    minutes: int
    family: str
    bundle: str
    file: str
    sha256: str


@dataclass(frozen=True, slots=True)
class PlannedWindow:
    """One window as the plan has it; `dated` is the real window that it is in, None where the plan has no dates."""

    number: int
    step: int
    minutes: int
    dated: DatedWindow | None = None


@dataclass(frozen=True)
class PlannedWork:
    """Everything that a document asks for, in the order of its steps.

    `removals` are the image files (component, version) that it removes; `assigned` the servers that it gives a policy.
    """

    items: tuple[WorkItem, ...]
    windows: tuple[PlannedWindow, ...]
    steps: Mapping[int, str]  # number -> what it does, for people
    removals: frozenset[tuple[str, str]]
    assigned: frozenset[str]

    @cached_property
    def of(self) -> Mapping[str, tuple[WorkItem, ...]]:
        """The parts of each component, in the order of the steps."""
        found: dict[str, list[WorkItem]] = {}
        for item in self.items:
            found.setdefault(item.key, []).append(item)
        return {key: tuple(items) for key, items in found.items()}

    def window(self, number: int) -> PlannedWindow:
        """The window of that number. Raises InputError."""
        for window in self.windows:
            if window.number == number:
                return window
        least, most = (self.windows[0].number, self.windows[-1].number) if self.windows else (0, 0)
        hint = f"its windows are {least} to {most}" if self.windows else "its steps have no windows"
        raise InputError(f"the plan has no window {number}", hint=hint)


def planned_work(document: RouteDocument) -> PlannedWork:
    """The work of a document. Raises InputError where it cannot be read."""
    try:
        return _read(document)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        message = "its work cannot be read: it is not as this program wrote it"
        raise InputError(message, where=document.plan.name, hint="make the plan again: bundlekeeper route") from error


def _read(document: RouteDocument) -> PlannedWork:
    raw = document.raw
    facts = raw["inputs"]["inventory"]["components"]
    rows = (raw["timeline"] or {"windows": []})["windows"]
    sites = {str(fact.get("site") or "") for fact in facts.values()} - {""}
    real = windows_at(document.windows, sites)
    windows = tuple(_window(row, real) for row in rows)
    places: dict[tuple[int, str], int] = {}
    assigned = set[str]()
    for by_verify in (True, False):
        for window, row in zip(windows, rows, strict=True):
            for action in row["actions"]:
                if action["verb"] == "assign-policy":
                    assigned.add(action["key"])
                if (action["verb"] == "verify") is by_verify and action["key"]:
                    places.setdefault((window.step, action["key"]), window.number)
    steps = raw["route"]["steps"]
    items = [item for step in steps for item in _items(step, facts, places)]
    names = {step["number"]: f"{_count(step)} to {step['name']}" for step in steps}
    removals = {(row["key"], row["version"]) for step in steps for row in step["removals"]}
    return PlannedWork(tuple(items), windows, names, frozenset(removals), frozenset(assigned))


def _window(row: Mapping[str, Any], real: Sequence[DatedWindow]) -> PlannedWindow:
    said = row.get("dated") or {}
    dated = next((w for w in real if (w.site, w.begins) == (said["site"], said["begins"])), None) if said else None
    if said and dated is None:
        raise ValueError(f"window {row['number']} is in none of its real windows")
    return PlannedWindow(int(row["number"]), int(row["step"]), int(row["minutes"]), dated)


def _count(step: Mapping[str, Any]) -> str:
    if step["what"] == INFRASTRUCTURE:
        return INFRASTRUCTURE
    number = sum(len(change["servers"]) for change in step["changes"])
    return f"{number} server{'s' * (number != 1)}"


def _items(
    step: Mapping[str, Any], facts: Mapping[str, Any], places: Mapping[tuple[int, str], int]
) -> Iterator[WorkItem]:
    number = int(step["number"])
    for change in step["changes"]:
        for component in change["components"]:
            for key in component["keys"]:
                fact = facts.get(key, {})
                server = _server(fact, key, change["servers"])
                window = places.get((number, key)) or places.get((number, server)) or 0
                place = "/".join(_level(fact.get(level)) for level in ("site", "domain", "chassis", "slot"))
                yield WorkItem(
                    number, window, str(key), component["kind"], component["model"], place, server, component["start"],
                    component["end"], int(component["minutes"]), change["family"], change["version"], change["file"],
                    change["sha256"],
                )  # fmt: skip


def _level(value: object) -> str:
    """A level of a place: `?` where it is not known, `-` where there is none."""
    return "?" if value is None else str(value) or "-"


def _server(fact: Mapping[str, Any], key: str, servers: list[str]) -> str:
    parent = fact.get("parent")
    if parent in servers:
        return str(parent)
    return next((server for server in servers if len(servers) == 1 or key.startswith(f"{server}:")), "")
