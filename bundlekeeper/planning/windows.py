"""A route's steps as real actions, put into maintenance windows of a length that the user gives.

Rules: a step is never in a window with another; a window may end between two pieces of a step, never inside one; by
hand one action at a time, and of a redundant pair the following half first, then the lead is swapped, then the other,
so that both halves are never down together; servers at most `per_cluster` of one cluster at a time, a server without a
known cluster alone; a domain's windows name the domains that are never in one with it. Minutes are the manifest's or
the table's; the extra ones of below are assumed (common practice, from memory). The order of actions is trade.md's.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from bundlekeeper.errors import InputError
from bundlekeeper.model.findings import Finding, Level, finding
from bundlekeeper.planning.fleet import Fleet
from bundlekeeper.planning.route_types import Change, PartChange, Route, Step
from bundlekeeper.planning.windows_types import Action, Timeline, Window

__all__ = ["Action", "Piece", "Timeline", "Window", "lower_bound", "schedule", "split"]

#: Assumed minutes, from memory: none is published.
SWAP_MINUTES, WAIT_MINUTES, VERIFY_MINUTES, RECORD_MINUTES, EMPTY_MINUTES = 5, 5, 2, 1, 15

_WAITS = {"half", "path"}


@dataclass(frozen=True, slots=True)
class Piece:
    """Actions that belong into one window, one after the other; `cluster` is None for those that are done alone."""

    subject: str
    actions: tuple[Action, ...]
    cluster: str | None = None

    @property
    def minutes(self) -> int:
        """How long it takes."""
        return sum(a.minutes for a in self.actions)


def schedule(fleet: Fleet, route: Route, length: int | None = None, per_cluster: int = 1) -> Timeline:
    """Put a route into windows of at most `length` minutes (None: as long as each step needs).

    Raises InputError where one piece of work is longer than a window, or `per_cluster` is less than one.
    """
    if per_cluster < 1:
        raise InputError("at least one server of a cluster must be worked on at a time", hint="--per-cluster 1")
    apart = sorted(
        {d for row in fleet.inventory.apart if route.domain in row.domains for d in row.domains} - {route.domain}
    )
    windows: list[Window] = []
    bound, alone = 0, list[str]()
    for step in route.steps:
        pieces = tuple(_pieces(fleet, step))
        for piece in pieces:
            if length is not None and piece.minutes > length:
                says = f"a window of {length} minutes is too short for {piece.subject}: it takes {piece.minutes}"
                raise InputError(says, hint=f"--window {piece.minutes}m or longer")
        alone += [p.subject for p in pieces if p.cluster is None and step.what == "servers"]
        bound += lower_bound(pieces, per_cluster)
        for rows in split(pieces, length, per_cluster):
            number = len(windows) + 1
            actions = tuple(replace(a, window=number) for a in sorted(rows, key=lambda a: a.start))
            end = max(a.end for a in actions)
            windows.append(Window(number, step.number, actions, end, tuple(apart), route.domain, number))
    findings = tuple(_alone(name) for name in dict.fromkeys(alone))
    return Timeline(tuple(windows), sum(w.minutes for w in windows), bound, findings)


def _alone(name: str) -> Finding:
    says = "it is in no cluster that is known, so it is worked on alone: who takes its work over is not known"
    return finding("not-checked", name, says, "give its parts a cluster in the inventory", level=Level.WARNING)


def lower_bound(pieces: Sequence[Piece], per_cluster: int) -> int:
    """Minutes that no schedule can beat: those done alone, and the busiest cluster's (McNaughton 1959, from memory)."""
    clusters: dict[str, list[int]] = {}
    for piece in pieces:
        if piece.cluster is not None:
            clusters.setdefault(piece.cluster, []).append(piece.minutes)
    busiest = max((max(max(m), -(-sum(m) // per_cluster)) for m in clusters.values()), default=0)
    return busiest + sum(p.minutes for p in pieces if p.cluster is None)


def split(pieces: Sequence[Piece], length: int | None, per_cluster: int) -> Iterable[list[Action]]:
    """The actions of each window with their starts: clusters side by side, longest first, then what is done alone."""
    alone = [p for p in pieces if p.cluster is None]
    left = sorted((p for p in pieces if p.cluster is not None), key=lambda p: -p.minutes)
    while alone or left:
        rows: list[Action] = []
        free: dict[str, list[int]] = {}
        rest = []
        for piece in left:
            hands = free.setdefault(piece.cluster or "", [0] * per_cluster)
            if length is not None and hands[0] + piece.minutes > length:
                rest.append(piece)
                continue
            start = heapq.heappop(hands)
            heapq.heappush(hands, start + piece.minutes)
            rows += _placed(piece, start)
        left = rest
        end = max((max(hands) for hands in free.values()), default=0)
        while alone and not left and (length is None or end + alone[0].minutes <= length):
            piece = alone.pop(0)
            rows += _placed(piece, end)
            end += piece.minutes
        yield rows


def _placed(piece: Piece, start: int) -> list[Action]:
    rows = []
    for action in piece.actions:
        rows.append(replace(action, start=start))
        start += action.minutes
    return rows


def _pieces(fleet: Fleet, step: Step) -> Iterable[Piece]:
    for change in step.changes:
        if change.servers:
            yield from _servers(fleet, step, change)
        else:
            for part in change.parts:
                yield from _by_hand(fleet, part)


def _by_hand(fleet: Fleet, part: PartChange) -> Iterable[Piece]:
    """The parts one by one: what stands alone, then of each pair the following half, the lead swapped, the other."""
    facts = fleet.book.facts(part.kind, part.model or None)
    keys = set(part.keys)
    rows = [c for c in fleet.inventory.components if c.key in keys]
    if facts.method == "overwrite":  # on the leading half, which then brings the other level (trade.md)
        rows.sort(key=lambda c: (c.pair or "", c.half != "leading", c.key))
    else:
        rows.sort(key=lambda c: (c.half == "leading", c.pair or "", c.key))
    for row in rows:
        name = f"{part.kind} {row.key}"
        actions = list(_write(name, part, facts.method, facts.down))
        leads = row.half == "leading" or (row.half is None and bool(row.pair))
        if facts.method == "boot-file" and row.pair and leads:
            at = next(n for n, a in enumerate(actions) if a.verb == "activate")
            actions.insert(at, Action("swap-lead", name, part.kind, "", SWAP_MINUTES, assumed=True))
        yield Piece(name, tuple(actions))


def _write(name: str, part: PartChange, method: str | None, down: str) -> Iterable[Action]:
    """The actions by which one part takes its image; staging takes about half of its minutes (assumed)."""
    if method in ("two-bank", "boot-file"):
        stage = part.minutes // 2
        yield Action("stage", name, part.kind, part.end, stage, assumed=True)
        yield Action("activate", name, part.kind, part.end, part.minutes - stage, part.assumed_minutes, down)
    else:
        yield Action("write", name, part.kind, part.end, part.minutes, part.assumed_minutes, down)
    if down in _WAITS:
        yield Action("wait-for-paths", name, part.kind, "", WAIT_MINUTES, assumed=True)
    yield Action("verify", name, part.kind, part.end, VERIFY_MINUTES, assumed=True)
    yield Action("record", name, part.kind, part.end, RECORD_MINUTES, assumed=True)


def _servers(fleet: Fleet, step: Step, change: Change) -> Iterable[Piece]:
    """One piece for each server: emptied first, then its parts in the route's order, its paths counted at the end."""
    standing = {s.key: s for s in fleet.standing(_domain(fleet, change)).servers}
    for key in change.servers:
        server = standing[key]
        own = {p.key for p in server.parts}
        name = f"server {key}"
        actions = [Action("move-workload", name, "", "", EMPTY_MINUTES, assumed=True)] if change.restarts else []
        for part in change.parts:
            for row in [k for k in part.keys if k in own]:
                facts = fleet.book.facts(part.kind, part.model or None)
                actions += list(_write(f"{name}: {part.kind} {row}", part, facts.method, facts.down))
        actions.append(Action("wait-for-paths", name, "", "", WAIT_MINUTES, assumed=True))
        clusters = {p.part.cluster for p in server.parts}
        cluster = clusters.pop() if len(clusters) == 1 else None
        yield Piece(name, tuple(actions), cluster or None)


def _domain(fleet: Fleet, change: Change) -> str:
    keys = {k for p in change.parts for k in p.keys}
    return next(c.domain for c in fleet.inventory.components if c.domain and c.key in keys)
