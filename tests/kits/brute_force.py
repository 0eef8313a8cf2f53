"""What several tests share with those of planning/route/test_brute_force.py."""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from typing import Any

from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.rules import RuleAnswer, SeenVersion, breaches, seen
from tests.kits.planning_kit import bundle, image, manifest
from tests.kits.route_stock import VERSIONS, stock

#: Switches, managers, table, each class, further switches that came later, if any; places in VERSIONS.
State = tuple[int, int, int, tuple[int, ...], tuple[int, ...]]


def chance_rules(rnd: random.Random) -> dict[str, Any]:
    def what() -> dict[str, Any]:
        kinds: list[dict[str, Any]] = [
            {"family": "infrastructure"}, {"family": "blade"}, {"kind": "bios", "models": ("Tern-4",)},
            {"kind": "fabric-switch"}, {"kind": "domain-manager"},
        ]  # fmt: skip
        return rnd.choice(kinds)

    def span() -> str:
        return rnd.choice([">=2.0", ">=3.0", "<3.0", "<2.0", ">=1.0"])

    def jump() -> dict[str, Any]:
        way = rnd.choice(["up", "up", "both", "down"])
        return {"what": what(), "to": span(), "from": span(), "direction": way, "source": f"j{rnd.random()}"}

    def need() -> dict[str, Any]:
        if rnd.random() < 0.15:
            return {"kind": "model-list", "version": rnd.choice([">=t2", ">=t3"])}
        return {**what(), "version": span()}

    def beside() -> dict[str, Any]:
        return {
            "scope": "domain", "when": {**what(), "version": span()}, "need": (need(),), "source": f"b{rnd.random()}",
        }  # fmt: skip

    both = [
        {"what": {"family": f}, "to": ">=1.0", "from": ">=1.0", "direction": "both", "source": f} for f in
        ("infrastructure", "blade")
    ]  # fmt: skip
    return {
        "jump": (*(jump() for _ in range(rnd.randint(0, 2))), *(both if rnd.random() < 0.5 else ())),
        "compatible": tuple(beside() for _ in range(rnd.randint(0, 3))),
    }


class Brute:
    """One case written out."""

    def __init__(self, rnd: random.Random, *, late: bool = False, leaves: bool = False) -> None:
        """With `late`, a further pair of switches that runs what it came with; with `leaves`, a server that is left
        out."""
        self.images = {
            (kind, n): (rnd.randint(1, 9), rnd.randint(1, 50))
            for kind in ("fabric-switch", "domain-manager", "model-list", "bios")
            for n in range(3)
        }
        self.extra = chance_rules(rnd)
        level = rnd.randrange(3)
        kinds = [(m, v) for m in ("Tern-2", "Tern-4") for v in range(3)]
        # never ahead of the infrastructure: that order is a rule of its own, and today's state is not judged here
        chosen = rnd.sample([k for k in kinds if k[1] <= level], rnd.randint(1, 2))
        self.classes = [(m, v, rnd.randint(1, 2)) for m, v in chosen]
        servers = [(m, VERSIONS[v]) for m, v, number in self.classes for _ in range(number)]
        self.parts = stock(VERSIONS[level], *servers)
        self.goal = rnd.randrange(3)
        self.left: frozenset[int] = frozenset()  # places of classes
        self.left_servers: tuple[str, ...] = ()
        if leaves:
            self.leave_out(rnd.randrange(len(self.classes)))
        came: tuple[int, ...] = (rnd.randrange(3),) if late else ()
        halves = [p for p in self.parts.components if p.kind == "fabric-switch"] if late else []
        more = [replace(p, serial=f"late {p.serial}", pair="q", active=VERSIONS[came[0]]) for p in halves]
        self.parts = replace(self.parts, components=(*self.parts.components, *more))
        self.start: State = (level, level, level, tuple(v for _, v, _ in self.classes), came)
        self.ruled_by(self.extra)

    def leave_out(self, place: int) -> None:
        """Leave the last server of a class out: as a class of its own, where it is not the only one."""
        model, version, number = self.classes[place]
        self.left_servers = (f"SRV-holm-a-1-{sum(n for _, _, n in self.classes[: place + 1])}",)
        if number > 1:
            self.classes[place] = (model, version, number - 1)
            self.classes.append((model, version, 1))
        self.left = frozenset({len(self.classes) - 1 if number > 1 else place})

    def ruled_by(self, extra: dict[str, Any]) -> None:
        """Let these rules be the only ones."""
        rows = []
        for n, v in enumerate(VERSIONS):
            own = [self.image(k, "Reed-40", n) for k in ("fabric-switch", "domain-manager", "model-list")]
            rows += [bundle("infrastructure", v, *own), bundle("blade", v, self.image("bios", ("Tern-2", "Tern-4"), n))]
        self.manifest = manifest(
            *rows,
            release=tuple({"name": v, "infrastructure": v, "blade": v} for v in VERSIONS),
            kind={"model-list": {"order": "listed", "list": ("t1", "t2", "t3")}},
            **extra,
        )
        self.fleet = Fleet(self.manifest, self.parts)

    def image(self, kind: str, models: Any, n: int) -> dict[str, Any]:
        minutes, size = self.images[kind, n]
        version = f"t{n + 1}" if kind == "model-list" else VERSIONS[n]
        return image(kind, models, version, minutes=minutes, size=size)

    def seen(self, family: str, kind: str, model: str, n: int) -> SeenVersion:
        version = f"t{n + 1}" if kind == "model-list" else VERSIONS[n]
        reading = self.fleet.reader.reading(family, "", kind, model, version)
        if family == "blade":
            return seen(reading, self.fleet.reader.server_class(family, "", [reading]).at)
        return seen(reading)

    def obeys(
        self, switches: tuple[int, ...], managers: tuple[int, ...], table: int, servers: list[tuple[str, int]]
    ) -> bool:
        """Whether one mixture, part by part, obeys every rule and the usual order."""
        rows = [self.seen("infrastructure", "fabric-switch", "Reed-40", n) for n in switches]
        rows += [self.seen("infrastructure", "domain-manager", "Reed-40", n) for n in managers]
        rows.append(self.seen("infrastructure", "model-list", "Reed-40", table))
        rows += [self.seen("blade", "bios", m, n) for m, n in servers]
        return not list(breaches(self.fleet.rules, "domain", [(s, 0) for s in rows]))

    def ordered(self, state: State) -> bool:
        """No server moved ahead of an infrastructure that doesn't know it yet; one that is ahead today may stay so."""
        own, begun = min(*state[:3], *state[4]), self.start
        today = min(*begun[:3], *begun[4])
        return all(n <= own or (n == first > today) for n, first in zip(state[3], begun[3], strict=True))

    def servers(self, versions: tuple[int, ...]) -> list[tuple[str, int]]:
        return [(m, n) for (m, _, number), n in zip(self.classes, versions, strict=True) for _ in range(number)]

    def jumps(self, family: str, kind: str, model: str, a: int, b: int) -> bool:
        image_version = f"t{b + 1}" if kind == "model-list" else VERSIONS[b]
        answer = self.fleet.rules.jump(self.seen(family, kind, model, a), image_version, VERSIONS[b]).answer
        return answer in (RuleAnswer.ALLOWED, RuleAnswer.UNSTATED)

    def onward(self, state: State) -> Iterator[tuple[State, tuple[int, int, int, int]]]:
        yield from self.own_steps(state)
        for to in range(3):
            movers = [i for i, n in enumerate(state[3]) if n != to and i not in self.left]
            for bits in range(1, 1 << len(movers)):
                taking = {i for place, i in enumerate(movers) if bits >> place & 1}
                if (found := self.server_step(state, taking, to)) is not None:
                    yield found

    def own_steps(self, state: State) -> Iterator[tuple[State, tuple[int, int, int, int]]]:
        now = (*state[:2], *state[4])
        for to, which in [*((n, which) for n in range(3) for which in ("all", "behind")), (self.goal, "table")]:
            if which == "behind" and not min(now) < to < max(now):
                continue
            then = {"all": (to,) * len(now), "behind": tuple(max(n, to) for n in now), "table": now}[which]
            if (found := self.own_step(state, then, max(to, state[2]))) is not None:
                yield found

    def own_step(
        self, state: State, then: tuple[int, ...], table: int
    ) -> tuple[State, tuple[int, int, int, int]] | None:
        """The infrastructure's step to those versions of switches, managers and late switches, and of the table."""
        kinds = ("fabric-switch", "domain-manager", *["fabric-switch"] * len(state[4]), "model-list")
        after: State = (then[0], then[1], table, state[3], then[2:])
        pairs = zip(kinds, (*state[:2], *state[4], state[2]), (*then, table), strict=True)
        moves = [(k, a, b) for k, a, b in pairs if a != b]
        if not moves or not self.ordered(after) or len({a for k, a, _ in moves if k != "model-list"}) > 1:
            return None  # of two bundles to a third one is more than one change at a time
        if not all(self.jumps("infrastructure", k, "Reed-40", a, b) for k, a, b in moves):
            return None
        servers = self.servers(state[3])
        down = any(b < a for _, a, b in moves)
        if not all(self.obeys(*mixture, servers) for mixture in self.mixtures(state, after, down)):
            return None
        minutes = sum(self.images[k, b][0] * (1 if k == "model-list" else 2) for k, _, b in moves)
        size = sum(self.images[k, b][1] * (1 if k == "model-list" else 2) for k, _, b in moves)
        return after, (1, 0, minutes, size)

    def mixtures(self, old: State, new: State, down: bool) -> Iterator[tuple[tuple[int, ...], tuple[int, ...], int]]:
        """Table, manager, switches going up; switches, manager going down; halves one by one."""
        switches = [(a, b) for a, b in zip((old[0], *old[4]), (new[0], *new[4]), strict=True) for _ in range(2)]
        managers = [(old[1], new[1])] * 2
        first, second = (switches, managers) if down else (managers, switches)
        for some in {tuple(one) for one in product(*({a, b} for a, b in first))}:
            yield self._both(down, some, tuple(a for a, _ in second), new[2])
        for some in {tuple(one) for one in product(*({a, b} for a, b in second))}:
            yield self._both(down, tuple(b for _, b in first), some, new[2])

    def _both(
        self, down: bool, first: tuple[int, ...], second: tuple[int, ...], table: int
    ) -> tuple[tuple[int, ...], tuple[int, ...], int]:
        return (first, second, table) if down else (second, first, table)

    def server_step(self, state: State, taking: set[int], to: int) -> tuple[State, tuple[int, int, int, int]] | None:
        after: State = (*state[:3], tuple(to if i in taking else n for i, n in enumerate(state[3])), state[4])
        if not self.ordered(after):
            return None
        if not all(self.jumps("blade", "bios", self.classes[i][0], state[3][i], to) for i in taking):
            return None
        each = [(i, m, state[3][i]) for i, (m, _, number) in enumerate(self.classes) for _ in range(number)]
        moving = [place for place, (i, _, _) in enumerate(each) if i in taking]
        for moved in product((False, True), repeat=len(moving)):
            if any(moved):
                done = {place for place, m in zip(moving, moved, strict=True) if m}
                servers = [(m, to if place in done else n) for place, (_, m, n) in enumerate(each)]
                if not self.obeys((state[0], *state[4]) * 2, (state[1],) * 2, state[2], servers):
                    return None
        number = len(moving)
        minutes, size = self.images["bios", to]
        return after, (1, number, number * minutes, number * size)

    def is_end(self, state: State, goal: int) -> bool:
        """True where everything runs a release; the model list may be ahead of it."""
        servers = (n for i, n in enumerate(state[3]) if i not in self.left)
        return {*state[:2], *state[4]} == {goal} and state[2] >= goal and all(n == goal for n in servers)

    def solve(self, goal: int | None = None) -> tuple[int, int, int, int] | None:
        """The cost to the goal, or to another release with what may be done on the way to this one."""
        end = self.goal if goal is None else goal
        best: dict[State, tuple[int, int, int, int]] = {}
        heap: list[tuple[tuple[int, int, int, int], State]] = [((0, 0, 0, 0), self.start)]
        while heap:
            cost, state = heapq.heappop(heap)
            if state in best:
                continue
            best[state] = cost
            if self.is_end(state, end):
                return cost
            for after, more in self.onward(state):
                if after not in best:
                    a, b, c, d = (x + y for x, y in zip(cost, more, strict=True))
                    heapq.heappush(heap, ((a, b, c, d), after))
        return None

    def begins_well(self) -> bool:
        own, _, table, versions, late = self.start
        return self.obeys((own, *late), (own, own), table, self.servers(versions))
