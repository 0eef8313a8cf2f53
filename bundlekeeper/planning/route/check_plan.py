"""A plan that somebody made, checked step by step against the rules that a route obeys: every state between is judged.

Rules: every problem is reported, with its step, the rule and the rule's source, and the plan is then followed on as if
the step had been done, so that one fault hides no other; what runs together today is reported once and is no step's
fault; a step that changes nothing is reported; what is not known refuses, as in a route. The judgement is the route's
own (`find.RouteFinder`), asked about given steps; nothing is searched for.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.model.route.hand_plan import Plan, PlanStep
from bundlekeeper.model.vocabulary import INFRASTRUCTURE, SERVER_FAMILIES, SERVERS
from bundlekeeper.planning.fleet.domain_state import DomainState, ServerAt
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import near
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.fleet.target import aim, taken_by
from bundlekeeper.planning.route.blockers import PRACTICE, Blocker, BlockerJudge
from bundlekeeper.planning.route.find import RouteFinder
from bundlekeeper.planning.route.left_out import at_end, doubts, labels, not_reached, split, unknown
from bundlekeeper.planning.route.space import with_removals
from bundlekeeper.planning.route.types import LeftOut, Route, Step, left_out_findings
from bundlekeeper.planning.route.units import Maker, Move, Option

if TYPE_CHECKING:
    from bundlekeeper.model.inventory.types import Component
    from bundlekeeper.model.manifest.types import Bundle


@dataclass(frozen=True, slots=True)
class PlanVerdict:
    """What the rules say of a plan: its steps as a route has them, and what was found.

    `states` counts the states that were judged, `rules` the rules that each was checked against. `about_left_out` are
    those of the findings that are about servers that are left out.
    """

    route: Route
    findings: tuple[Finding, ...]
    states: int
    rules: int
    about_left_out: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class _Meant:
    """One step with what its names mean: the bundle of each family, and which servers (None: all)."""

    step: PlanStep
    option: Option
    servers: frozenset[str] | None

    @property
    def own(self) -> bool:
        """True for a step of the infrastructure."""
        return self.step.what == INFRASTRUCTURE


def hold(fleet: Fleet, plan: Plan, holdings: Holdings) -> PlanVerdict:
    """Check a plan against the rules.

    Raises InputError with every name that manifest or inventory do not have, each with its place in the plan.
    """
    state = fleet.state(plan.domain)
    fleet.manifest_index.release(plan.release)
    names = _Names(fleet, state, plan, holdings)
    meant = names.steps()
    return _CheckedRoute(fleet, state, plan.release, holdings, meant, names.left).stored()


class _Names:
    """Finds out what the names of a plan mean."""

    def __init__(self, fleet: Fleet, state: DomainState, plan: Plan, holdings: Holdings) -> None:
        self.fleet, self.state, self.plan = fleet, state, plan
        self.holdings = holdings
        self.problems: list[Finding] = []
        self.left: tuple[LeftOut, ...] = ()
        self._servers = {server.key: server for server in state.servers}
        self._labels = {name: server.key for server in state.servers for name in labels(server)}
        self._kinds = dict.fromkeys(i.kind for bundle in fleet.manifest_index.manifest.bundle for i in bundle.images)

    def _problem(self, path: tuple[str | int, ...], message: str, hint: str) -> None:
        where, shown = self.plan.where(path)
        self.problems.append(Finding("bad-value", Level.ERROR, self.plan.name, message, hint, where, shown))

    def steps(self) -> tuple[_Meant, ...]:
        """Every step; then `left` are the servers that are left out. Raises InputError."""
        self.left = tuple(self._left())
        found = tuple(self._step(number, step) for number, step in enumerate(self.plan.steps))
        if self.problems:
            message = self.problems[0].message if len(self.problems) == 1 else f"{len(self.problems)} problems"
            raise InputError(f"the plan cannot be checked against the rules: {message}", problems=self.problems)
        return found

    def _left(self) -> Iterator[LeftOut]:
        known = set[str]()
        for number, (name, reason) in enumerate(self.plan.without):
            key = name if name in self._servers else self._labels.get(name)
            path = ("without", number, "server")
            if key is None:
                hint = near(name, dict.fromkeys([*self._labels, *self._servers]))
                self._problem(path, f"{self.state.domain} has no server {name!r}", hint)
            elif key in known:
                self._problem(path, f"{name!r} is left out twice", "delete one of them")
            else:
                known.add(key)
                yield LeftOut(key, self._servers[key].name, reason)

    def _step(self, number: int, step: PlanStep) -> _Meant:
        path = ("step", number)
        for at, kind in enumerate(step.only):
            if kind not in self._kinds:
                self._problem((*path, "only", at), f"no bundle brings the kind {kind!r}", near(kind, self._kinds))
        name = step.release or step.version
        if step.only and not step.digests:  # a route's own step has its name already
            name = f"{name}, {' and '.join(step.only)} only"
        option = Option(name, tuple(self._bundles(path, step)), step.only, components=self._components(path, step))
        return _Meant(step, option, self._who(path, step))

    def _components(self, path: tuple[str | int, ...], step: PlanStep) -> frozenset[str] | None:
        """The keys of the components that a step names, one by one or by their server or chassis; None for all."""
        if not step.components:
            return None
        own = step.what == INFRASTRUCTURE
        known: dict[str, set[str]] = {}
        for component in self.state.infrastructure:
            for label in _component_labels(component.component) if own else ():
                known.setdefault(label, set()).add(component.key)
        for server in () if own else self.state.servers:
            for label in labels(server):
                known.setdefault(label, set()).update(component.key for component in server.components)
            for component in server.components:
                for label in _component_labels(component.component):
                    known.setdefault(label, set()).add(component.key)
        for at, name in enumerate(step.components):
            if name not in known:
                what = "the infrastructure has" if own else "the servers have"
                self._problem((*path, "components", at), f"{what} no component {name!r}", near(name, known))
        return frozenset(key for name in step.components for key in known.get(name, ()))

    def _bundles(self, path: tuple[str | int, ...], step: PlanStep) -> Iterator[tuple[str, Bundle]]:
        families = SERVER_FAMILIES if step.what == SERVERS else (step.what,)
        if step.digests:
            by_digest = {bundle.sha256: bundle for bundle in self.fleet.manifest_index.manifest.bundle}
            named: set[tuple[str, str | None]] = set()
            for family, digest in step.digests:
                bundle = by_digest.get(digest)
                if bundle is None or bundle.family != family:
                    self._problem(
                        path,
                        f"the manifest has no {family} bundle {digest[:16]}…",
                        "make the plan again: bundlekeeper route",
                    )
                elif (family, bundle.variant) in named:
                    self._problem(
                        path, f"one step with two {family} bundles", "make the plan again: bundlekeeper route"
                    )
                else:
                    named.add((family, bundle.variant))
                    yield family, bundle
        elif step.version:
            found = self.fleet.manifest_index.at(step.what, step.version)
            if found:
                firsts = {bundle.variant: bundle for bundle in reversed(found)}  # one of each variant
                yield from ((step.what, bundle) for bundle in firsts.values())
                return
            known = [bundle.version for bundle in self.fleet.manifest_index.bundles(step.what)]
            message = f"the manifest has no {step.what} bundle {step.version!r}"
            self._problem((*path, "version"), message, near(step.version, known))
        else:
            try:
                taken = taken_by(self.fleet.manifest_index, self.state, families)
                target = aim(
                    self.fleet.manifest_index, self.fleet.manifest_index.release(step.release), taken, self.holdings
                )
            except InputError as error:
                self._problem((*path, "release"), error.message, error.hint)
                return
            yield from ((c.family, c.bundle) for c in target.choices.values() if c.bundle is not None)

    def _who(self, path: tuple[str | int, ...], step: PlanStep) -> frozenset[str] | None:
        if not step.servers:
            return None
        keys = []
        for at, name in enumerate(step.servers):
            key = name if name in self._servers else self._labels.get(name)
            family = self._servers[key].family if key is not None else None
            if key is None:
                message = f"{self.state.domain} has no server {name!r}"
                self._problem(
                    (*path, "servers", at), message, near(name, dict.fromkeys([*self._labels, *self._servers]))
                )
            elif step.what in SERVER_FAMILIES and family != step.what:
                message = f"{name!r} is {f'a {family} server' if family else 'of a family that is not known'}"
                self._problem((*path, "servers", at), message, f"the step is about {step.what} servers")
            elif any(key == server.server for server in self.left):
                self._problem((*path, "servers", at), f"{name!r} is left out", "delete it here, or under [[without]]")
            else:
                keys.append(key)
        return frozenset(keys)


def _component_labels(component: Component) -> Iterator[str]:
    """How a plan may name a component: by its key, by its place, and by its chassis with all that is in it."""
    yield component.key
    if component.chassis:
        yield component.chassis
        yield "/".join((component.site, component.domain, component.chassis))
    if component.slot:
        yield component.place.path()
        yield "/".join(word for word in (component.chassis, component.slot) if word)


def _part(meant: Sequence[_Meant], left: Collection[str]) -> Callable[[ServerAt], Hashable]:
    """What tells servers of one class apart: whether they are left out, and what of them each step moves."""

    def named(server: ServerAt, keys: frozenset[str] | None) -> Hashable:
        rows = (p.reading for p in server.components if keys is not None and p.key in keys)
        return keys is None or tuple(sorted((r.kind, r.model or "", r.active or "") for r in rows))

    def part(server: ServerAt) -> Hashable:
        steps = ((m.servers is None or server.key in m.servers, named(server, m.option.components)) for m in meant)
        return server.key in left, tuple(steps)

    return part


class _CheckedRoute(RouteFinder):
    """A route finder whose options are the plan's steps, option n being step n."""

    def __init__(
        self,
        fleet: Fleet,
        state: DomainState,
        release: str,
        holdings: Holdings,
        meant: Sequence[_Meant],
        left: Sequence[LeftOut],
    ) -> None:
        self.fleet, self.release, self.holdings = fleet, release, holdings
        self.state = split(state, _part(meant, {server.server for server in left}))
        self.judge = BlockerJudge(fleet.rules)
        self.taken = taken_by(fleet.manifest_index, state, (INFRASTRUCTURE, *SERVER_FAMILIES))
        self.variant = fleet.manifest_index.variant(INFRASTRUCTURE, state.variant)
        self.targets = {release: aim(fleet.manifest_index, fleet.manifest_index.release(release), self.taken, holdings)}
        self.target = self.targets[release]
        moved = set[str]().union(*(m.servers or () for m in meant))
        lacking, _ = unknown(fleet, self.state, self.target, {server.server for server in left}, moved)
        self.left_out = (*left, *lacking)
        self.meant = meant
        self.maker = Maker(fleet, self.judge, (b for m in meant for _, b in m.option.bundles))
        options = [m.option for m in meant]
        self.options = {INFRASTRUCTURE: options, "": options}
        none = Option("", ())

        def of(servers: tuple[ServerAt, ...]) -> list[Option]:
            return [
                m.option if not m.own and (m.servers is None or servers[0].key in m.servers) else none for m in meant
            ]

        self.units = self._made_units([m.option if m.own else none for m in meant], of)
        self._ahead = cache(self._is_ahead_of)

    def stored(self) -> PlanVerdict:
        """Follow the plan from today and judge every state."""
        states = [0] * len(self.units)
        found: list[Finding] = []
        taken: list[tuple[int, tuple[int, ...]]] = []
        cost = (0, 0, 0)
        judged = 1
        for number, meant in enumerate(self.meant):
            moves = {i: m for i, unit in enumerate(self.units) if (m := unit.moves[states[i]].get(number)) is not None}
            place = f"step {number + 1}"
            found += self._bundles_of(place, meant)
            if not moves:
                found.append(self._nothing(place, meant))
                continue
            judged += 1 + sum(len(m.hops) for m in moves.values())
            found += self._against(place, self._mask(states, moves))
            found += self._unstated(place, states, moves)
            for i, move in moves.items():
                states[i] = move.end
                cost = (cost[0] + move.cost[0], cost[1] + move.cost[1], cost[2] + move.cost[2])
            taken.append((number, tuple(moves)))
        end = self.refused(tuple(states))
        found += self._against("the end", end)
        found += self._not_there(states)
        found += self._today(end)
        about_left_out = [*left_out_findings(self.left_out)]
        numbers = [number + 1 for number, _ in taken]
        trail = ((number, states) for number, (_, states) in zip(numbers, self._trail(taken), strict=True))
        about_left_out += doubts(self.judge, self.units, trail)
        found += about_left_out
        found += self.unlisted()
        steps = with_removals(self.fleet, self.state.domain, self._numbered(taken))
        route = Route(
            self.state.domain,
            self.release,
            steps,
            (len(steps), *cost),
            tuple(found),
            self.left_out,
            not_reached(self.units, self.target),
            *at_end(self.units, self.target, steps),
        )
        rules = len(self.fleet.rules.jumps) + len(self.fleet.rules.compatible_rules)
        return PlanVerdict(route, tuple(found), judged, rules, tuple(about_left_out))

    def _numbered(self, taken: Sequence[tuple[int, tuple[int, ...]]]) -> tuple[Step, ...]:
        rows = zip(self.steps(taken), taken, strict=True)
        return tuple(replace(step, number=number + 1) for step, (number, _) in rows)

    def _mask(self, states: Sequence[int], moves: dict[int, Move]) -> int:
        """The blockers of a step: its jumps, its own mix, and each unit that moves beside every other, moved or not."""
        mask = 0
        for i, move in moves.items():
            mask |= move.mask
            for j, state in enumerate(states):
                if i != j:
                    mask |= self._pair(i, move.end, j, state)
                    if j in moves:
                        mask |= self._pair(i, move.end, j, moves[j].end)
        return mask

    def _pair(self, i: int, a: int, j: int, b: int) -> int:
        """The blockers of unit i in state a beside unit j in state b; none for two that are so today."""
        if a == 0 and b == 0:
            return 0
        if j < i:
            i, a, j, b = j, b, i, a
        one, other = self.units[i].states[a], self.units[j].states[b]
        mask = self.judge.compatible(one.everything, other.changed) | self.judge.compatible(
            one.changed, other.everything
        )
        if i < self.own:
            if self._ahead(a, j, b) and not (b == 0 and self._ahead(0, j, b)):
                mask |= self._out_of_order()
            mask |= self._lists_lack(a, j) if b else 0
        return mask

    def _is_ahead_of(self, a: int, j: int, b: int) -> bool:
        """True where the server's bundle belongs to releases only whose infrastructure is not reached."""
        wanted = self._wanted(j, b)
        return bool(wanted) and not any(self._covers(version) >> a & 1 for version in wanted)

    def _against(self, place: str, mask: int) -> Iterable[Finding]:
        for blocker in self.judge.named(mask):
            quoted = f"{blocker.message} ({blocker.source or 'not known'})"
            yield finding(_code(blocker), place, quoted, _HINTS.get(_code(blocker), ""))

    def _unstated(self, place: str, states: Sequence[int], moves: dict[int, Move]) -> Iterable[Finding]:
        down = []
        for i, move in moves.items():
            for hop in move.hops:
                kind = self.units[i].states[states[i]].readings[hop.slot].kind
                if hop.answer.answer.value == "unstated":
                    message = f"no rule is about {kind} going to {hop.offer.image.version}"
                    yield finding("jump-unstated", place, message, "ask the publisher")
                if hop.answer.down:
                    down.append(kind)
        if down:
            message = f"{', '.join(dict.fromkeys(down))} goes down"
            hint = "remove the settings that the older version lacks first"
            yield finding("downgrade", place, message, hint, Level.WARNING)

    def _bundles_of(self, place: str, meant: _Meant) -> Iterable[Finding]:
        for family, bundle in meant.option.bundles:
            if meant.servers is None and family not in self.state.families:
                continue
            if bundle.lifecycle.value == "withdrawn":
                reason = f": {bundle.reason}" if bundle.reason else ""
                message = f"{family} {bundle.version} is withdrawn by its publisher{reason}"
                yield finding("withdrawn", place, message, "choose another bundle", Level.ERROR)
            if self.holdings.stored(bundle.sha256) is None:
                message = f"{family} {bundle.version} is needed, not in the store"
                yield finding("not-in-store", place, message, "bundlekeeper store add MANIFEST --from DIR")

    def _nothing(self, place: str, meant: _Meant) -> Finding:
        who = "the infrastructure" if meant.own else "the servers that it is about"
        message = f"it changes nothing: the bundle has no image for {who} that is not running already"
        return finding("no-change", place, message, "leave it out, or name what was meant")

    def _not_there(self, states: Sequence[int]) -> Iterable[Finding]:
        for unit, state in zip(self.units, states, strict=True):
            if not unit.still and not self._is_there(unit, unit.states[state], self.target):
                verb = "are" if len(unit.servers) > 1 else "is"
                message = f"{unit.name} {verb} not at release {self.release} after the last step"
                yield finding("falls-short", "the end", message, "add the step that brings it there")

    def _today(self, end: int) -> Iterable[Finding]:
        today = self.refused((0,) * len(self.units)) & ~end
        for blocker in self.judge.named(today):
            message = f"today's mixture is refused already: {blocker.message} ({blocker.source})"
            yield finding("mix-refused", self.state.domain, message, "the plan starts from this mixture", Level.WARNING)


_HINTS = {
    "jump-refused": "stop at a version between, or ask the publisher",
    "mix-refused": "first move what the rule is about",
    "downgrade": "go down only where a rule allows it",
    "model-unlisted": "bring it up first",
    "not-checked": "find the fact out: what is not known is not allowed",
}


def _code(blocker: Blocker) -> str:
    """The finding's code for what forbids a step."""
    if blocker.sort == "practice":
        return "downgrade" if blocker.source.startswith(f"{PRACTICE}: down only") else "mix-refused"
    codes = {"compatible": "mix-refused", "fact": "not-checked", "model": "model-unlisted"}
    return codes.get(blocker.sort, "jump-refused")
