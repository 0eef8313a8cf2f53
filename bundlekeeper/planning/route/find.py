"""The route from what runs today to a release: the fewest windows, then server restarts, then minutes, then bytes.

Rules: a step is one infrastructure change or any number of server classes brought to one release's version of their
family; every state between obeys every rule, and so does the mix while a step is under way; what already runs together
today is reported and is no step's fault; no server is ahead of the infrastructure or of the list of models; a patch
goes onto its base; a withdrawn bundle is no stop on the way. Where there is no route the reason is reported. The tool
plans: it reports what it checked, and calls no step harmless.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from functools import cache, cached_property
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.model.vocabulary import INFRASTRUCTURE, SERVER_FAMILIES, SERVERS
from bundlekeeper.planning.fleet.domain_state import DomainState, ServerAt
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import suits
from bundlekeeper.planning.fleet.rules import RuleAnswer
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.fleet.target import ReleaseTarget, aim, later_versions, open_versions, taken_by
from bundlekeeper.planning.gaps.question import servers_name
from bundlekeeper.planning.gaps.servers import absent
from bundlekeeper.planning.route import left_out
from bundlekeeper.planning.route.blockers import PRACTICE, BlockerJudge
from bundlekeeper.planning.route.compatible import CompatibleRules, bits, make
from bundlekeeper.planning.route.search import FoundRoute, RouteProblem, RouteSearch, Taken
from bundlekeeper.planning.route.space import with_removals
from bundlekeeper.planning.route.tables import Moves
from bundlekeeper.planning.route.types import (
    ComponentChange,
    LeftOut,
    NoRoute,
    Quote,
    Route,
    Step,
    StepChange,
    StopPassedOver,
    left_out_findings,
)
from bundlekeeper.planning.route.units import Maker, Move, Option, State, Unit, minutes, size
from bundlekeeper.planning.route.why_none import blocking, no_bundles, unknown_variants

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle, Release

__all__ = ["NoRoute", "Route", "RouteFinder", "route"]


def route(
    fleet: Fleet, domain: str, release: str, holdings: Holdings, now: datetime, left: Sequence[LeftOut] = ()
) -> Route | NoRoute:
    """The cheapest allowed route of one domain to a release, or why there is none. `now` is an aware time.

    `left` are servers that somebody leaves out. Raises InputError, with a suggestion, for a domain that the inventory
    lacks or a release that the manifest lacks.
    """
    with _uncollected():
        finder = RouteFinder(fleet, fleet.state(domain), release, holdings, left=left)
        idle = left_out.at_release(finder.target, finder.state, left) if left else ()
        if idle:
            left = [server for server in left if server not in idle]
            finder = RouteFinder(fleet, fleet.state(domain), release, holdings, left=left)
        found = RouteSearch(finder.problem(release)).run()
        wider = finder.with_stops_not_in_store() if found.steps is None and found.exhausted else None
        further = RouteSearch(wider.problem(release)).run() if wider is not None else found
        if further.steps is None:
            none = finder.no_route(found)
            return replace(none, passed_over=finder.passed_over()) if found.exhausted else none
    steps = with_removals(fleet, domain, (wider or finder).steps(further.steps))
    findings = [*left_out.idle_findings(idle, release), *(wider or finder).findings(steps, further.steps)]
    expires = fleet.manifest_index.manifest.expires
    if expires is not None and expires < now.date():
        findings.append(finding("expired", "manifest", f"is past {expires}: its rules may have changed since"))
    units, target = finder.units, finder.target
    reached, ahead = left_out.at_end(units, target, steps)
    missed = left_out.not_reached(units, target)
    return Route(domain, release, steps, further.cost, tuple(findings), finder.left_out, missed, reached, ahead)


@contextmanager
def _uncollected() -> Iterator[None]:
    """Without garbage collection: a search keeps nearly all that it makes, and looking it over took a third of it."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


class RouteFinder:
    """One domain with everything that may be done to it on the way to a release."""

    def __init__(
        self,
        fleet: Fleet,
        state: DomainState,
        release: str,
        holdings: Holdings,
        *,
        left: Sequence[LeftOut] = (),
        withdrawn: bool = False,
        stops: Holdings | None = None,
    ) -> None:
        """`left` are servers that somebody leaves out. With `withdrawn`, stops at what was withdrawn, too; with
        `stops`, at every version that a release on the way lists, the first that these holdings have before the others.
        Raises InputError for a release that it lacks."""
        self.takes_withdrawn = withdrawn
        self.fleet, self.release, self.holdings, self.left = fleet, release, holdings, left
        self.state = state
        if left:
            keys = {server.server for server in left}
            self.state = left_out.split(state, lambda server: server.key in keys)
        self.judge = BlockerJudge(fleet.rules)
        fleet.manifest_index.release(release)
        self.taken = taken_by(fleet.manifest_index, state, (INFRASTRUCTURE, *SERVER_FAMILIES))
        self.variant = fleet.manifest_index.variant(INFRASTRUCTURE, state.variant)
        self.stops = holdings if stops is None else stops
        self.targets = {r.name: self._aimed(r) for r in fleet.manifest_index.manifest.release}
        self.target = self.targets[release]
        lacking, self.stopped = left_out.unknown(fleet, self.state, self.target, {server.server for server in left})
        self.left_out = (*left, *lacking)
        self.maker = Maker(
            fleet, self.judge, (bundle for choice in self.target.choices.values() for bundle in choice.chain)
        )
        self.options = {INFRASTRUCTURE: list(self._own_options()), "": list(self._server_options())}

    @cached_property
    def units(self) -> list[Unit]:
        """What moves as one, with every state that it can get to: asked for only where the options are not enough."""
        return self._made_units(self.options[INFRASTRUCTURE], lambda _: self.options[""])

    @cached_property
    def _tables(self) -> tuple[Moves, CompatibleRules]:
        return Moves(self.units), make(self.judge, self.units, self.own, self._order)

    def _made_units(self, own: list[Option], of: Callable[[tuple[ServerAt, ...]], list[Option]]) -> list[Unit]:
        """The infrastructure as one unit, where there is any, and each class of servers, with what each may do."""
        state = self.state
        units: list[Unit] = []
        if state.infrastructure:
            name = f"{state.domain}: infrastructure"
            units.append(self.maker.unit(name, INFRASTRUCTURE, state.infrastructure, (), own))
        self.own = len(units)
        left = {server.server for server in self.left_out}
        for server_class, servers in state.classes:
            components = [component for server in servers for component in server.components]
            name = servers_name(self.fleet.manifest_index, state.domain, server_class, servers)
            options = [] if servers[0].key in left else of(servers)
            unit = self.maker.unit(name, server_class.family, components, servers, options)
            if servers[0].key in left:
                unit.stay()
            units.append(unit)
        self._covers = cache(self._covered)
        return units

    def _own_options(self) -> Iterable[Option]:
        choice = self.target.choices[INFRASTRUCTURE, self.variant]
        for bundle in self.fleet.manifest_index.bundles(INFRASTRUCTURE):
            if not suits(bundle, self.variant):
                continue
            if self.takes_withdrawn or bundle.lifecycle != "withdrawn" or bundle in choice.chain:
                yield Option(bundle.version, ((INFRASTRUCTURE, bundle),), bundle.only or ())
        for bundle in self.fleet.manifest_index.bundles(INFRASTRUCTURE):
            if suits(bundle, self.variant) and bundle.lifecycle != "withdrawn":
                name = f"{bundle.version}, older ones only"
                yield Option(name, ((INFRASTRUCTURE, bundle),), bundle.only or (), behind=True)
        for bundle in choice.chain:
            facts = self.fleet.manifest_index.facts
            ahead = tuple(dict.fromkeys(i.kind for i in bundle.images if facts(i.kind, None).ahead))
            if bundle.only is None and ahead:
                yield Option(f"{bundle.version}, {' and '.join(ahead)} only", ((INFRASTRUCTURE, bundle),), ahead)

    def _server_options(self) -> Iterable[Option]:
        for name, target in (*self.targets.items(), *self._further()):
            chains = [(c.family, c.chain) for c in target.choices.values() if c.family in SERVER_FAMILIES and c.chain]
            for link in range(max((len(chain) for _, chain in chains), default=0)):
                rows = [(family, chain[min(link, len(chain) - 1)]) for family, chain in chains]
                kept = tuple((f, b) for f, b in rows if self._may_stop(b, name))
                if kept:
                    yield Option(name, kept, link=link)

    def _aimed(self, release: Release, first: int = 0) -> ReleaseTarget:
        """What a release means: the one that is asked for as it is, one on the way without what was withdrawn."""
        if release.name == self.release:
            return aim(self.fleet.manifest_index, release, self.taken, self.holdings)
        rest = release if self.takes_withdrawn else open_versions(self.fleet.manifest_index, release)
        return aim(self.fleet.manifest_index, later_versions(rest, first), self.taken, self.stops)

    def _further(self) -> Iterator[tuple[str, ReleaseTarget]]:
        """Where every version counts, what the releases on the way mean by their further ones."""
        if self.stops is self.holdings:
            return
        for release in self.fleet.manifest_index.manifest.release:
            most = max(len(release.versions(family)) for family in SERVER_FAMILIES)
            for first in range(1, most) if release.name != self.release else ():
                yield release.name, self._aimed(release, first)

    def _may_stop(self, bundle: Bundle, release: str) -> bool:
        return self.takes_withdrawn or bundle.lifecycle != "withdrawn" or release == self.release

    def with_stops_not_in_store(self) -> RouteFinder | None:
        """The same with every version that a release on the way lists, in the store or not; None where it is this.

        Where the route needs a bundle that is not in the store, that is what is to be reported, and not that there is
        none.
        """
        other = RouteFinder(self.fleet, self.state, self.release, self.holdings, left=self.left, stops=Holdings())
        return other if other.options != self.options else None

    def passed_over(self) -> tuple[StopPassedOver, ...]:
        """The stops of a route over withdrawn bundles, where without them there is none: those that were withdrawn, or
        are not in the store."""
        rules = self.fleet.manifest_index.manifest
        if not any(bundle.lifecycle == "withdrawn" for bundle in rules.bundle):
            return ()
        other = RouteFinder(
            self.fleet, self.state, self.release, self.holdings, left=self.left, withdrawn=True, stops=Holdings()
        )
        found = RouteSearch(other.problem(self.release)).run()
        used = {change.sha256 for step in other.steps(found.steps or ()) for change in step.changes}
        rows = []
        for bundle in (bundle for bundle in rules.bundle if bundle.sha256 in used):
            gone, there = bundle.lifecycle == "withdrawn", self.holdings.stored(bundle.sha256) is not None
            if gone or not there:
                name = f"{bundle.family} {bundle.version}"
                rows.append(StopPassedOver(name, gone, (bundle.reason or "") if gone else "", there))
        return tuple(rows)

    def problem(self, release: str) -> RouteProblem:
        """The search for the route to a release."""
        target = self.targets[release]
        goals = [
            frozenset({0} if unit.still else (n for n, s in enumerate(unit.states) if self._is_there(unit, s, target)))
            for unit in self.units
        ]
        return RouteProblem(self._tables[0], self.own, self._tables[1], goals)

    def _is_there(self, unit: Unit, state: State, target: ReleaseTarget) -> bool:
        choice = target.choice(state.readings[0])
        if choice is None or choice.bundle is None:
            return False
        for reading in state.readings:
            if reading.model is None and target.means(reading):
                return False
            offer = target.offer(reading)
            if offer is not None and not self.maker.runs(reading, offer):
                return False
        return True

    def refused(self, states: tuple[int, ...]) -> int:
        """The blockers of a state, with those that apply to today's components already."""
        mask = 0
        rows = [self.units[i].states[s].everything for i, s in enumerate(states)]
        for n, row in enumerate(rows):
            mask |= self.judge.compatible(row, row, inside=True)
            for other in rows[n + 1 :]:
                mask |= self.judge.compatible(row, other)
        return mask

    def _order(self, j: int) -> Iterator[tuple[int, int, int]]:
        """The usual order: no server ahead of its infrastructure, none of a model that a list does not know."""
        number = len(self.units[0].states)
        for b in range(len(self.units[j].states)):
            wanted = self._wanted(j, b)
            if not wanted:
                continue
            ahead = (1 << number) - 1
            for version in wanted:
                ahead &= ~self._covers(version)
            if ahead and not (b == 0 and ahead & 1):  # a server that is ahead today is nobody's step
                yield b, self._out_of_order(), ahead
        lacking: dict[int, int] = {}
        for a in range(number):
            for n in bits(self._lists_lack(a, j)):
                lacking[n] = lacking.get(n, 0) | 1 << a
        for b in range(1, len(self.units[j].states)):
            for n, which in lacking.items():
                yield b, 1 << n, which

    def _out_of_order(self) -> int:
        message = "infrastructure before servers going up, after them going down"
        return self.judge.blocker("practice", f"{PRACTICE}: order", message)

    def _lists_lack(self, a: int, j: int) -> int:
        """The blockers of models that a list of models does not know yet."""
        unit, mask = self.units[j], 0
        for reading in self.units[0].states[a].readings:
            if unit.family is None or not self.fleet.manifest_index.facts(reading.kind, reading.model).lists_models:
                continue
            for model in dict.fromkeys(slot[0].reading.model for slot in unit.slots):
                first = model and self.fleet.manifest_index.first_list(reading.kind, reading.model, unit.family, model)
                if not first:
                    continue
                way = self.fleet.manifest_index.scale(reading.kind).compare(reading.active or "", first[1])
                if way is None or way < 0:
                    message = f"{model} needs a {reading.kind} not older than {first[1]}"
                    source = f"{PRACTICE}: the {reading.kind} of release {first[0]}"
                    mask |= self.judge.blocker("model", source, message)
        return mask

    def _wanted(self, j: int, b: int) -> tuple[str, ...]:
        """The infrastructure versions of the releases that a server's bundles belong to; none where one needs none."""
        unit = self.units[j]
        at = self.maker.at(unit, unit.states[b].readings)
        rows = [self._infrastructure_of(unit.family or "", version) for version in (at.bundles if at else ())]
        return tuple(dict.fromkeys(v for row in rows for v in row)) if all(rows) else ()

    def _infrastructure_of(self, family: str, version: str) -> tuple[str, ...]:
        """The infrastructure versions of the releases that name a family's version; empty where one names none."""
        rows = [
            release.versions(INFRASTRUCTURE)
            for release in self.fleet.manifest_index.manifest.release
            if version in release.versions(family)
        ]
        return tuple(v for row in rows for v in row) if all(rows) else ()

    def _covered(self, version: str) -> int:
        """The states in which every infrastructure component runs that bundle's image, or a later one, as bits."""
        bundles = self.fleet.manifest_index.at_variant(INFRASTRUCTURE, version, self.variant)
        if not bundles:
            return 0
        whole = self.fleet.manifest_index.whole(bundles[0])
        scale, found = self.fleet.manifest_index.scale, 0
        known: dict[int, bool] = {}  # readings are shared, so that their identity tells them apart
        for a, state in enumerate(self.units[0].states):
            for reading in state.readings:
                if id(reading) not in known:
                    offer = whole.get((reading.kind, reading.model or ""))
                    wanted = "" if offer is None else offer.image.version
                    way = scale(reading.kind).compare(reading.active or "", wanted)
                    known[id(reading)] = offer is None or way in (0, 1)
            found |= all(known[id(reading)] for reading in state.readings) << a
        return found

    def steps(self, taken: Iterable[Taken]) -> tuple[Step, ...]:
        """The steps for people."""
        states = [0] * len(self.units)
        found = []
        for number, (option, takers) in enumerate(taken, 1):
            own = takers[0] < self.own
            meant = self.options[INFRASTRUCTURE if own else ""][option]
            moves = {i: self.units[i].moves[states[i]][option] for i in takers}
            changes = tuple(self._change(self.units[i], states[i], move, meant) for i, move in moves.items())
            quotes = dict.fromkeys(q for i, move in moves.items() for q in self._quotes(self.units[i], move))
            for i, move in moves.items():
                states[i] = move.end
            quotes |= dict.fromkeys(self._besides(states))
            found.append(Step(number, INFRASTRUCTURE if own else SERVERS, meant.name, changes, tuple(quotes)))
        return tuple(found)

    def _change(self, unit: Unit, start: int, move: Move, option: Option) -> StepChange:
        bundle = option.bundle(unit.family, unit.variant)
        if bundle is None:
            raise LookupError(unit.name)  # without one for the family there is no move
        components = []
        for hop in move.hops:
            old = unit.states[start].readings[hop.slot]
            slot = unit.slots[hop.slot]
            each, assumed = minutes(self.fleet, hop.offer, old)
            size_bytes, unknown = size(hop.offer)
            components.append(
                ComponentChange(
                    tuple(component.key for component in slot), old.kind, old.model or "", old.active or "",
                    hop.offer.image.version, each, assumed, size_bytes, unknown, bool(hop.answer.down),
                )
            )  # fmt: skip
        return StepChange(
            unit.name, unit.family or "", tuple(server.key for server in unit.servers), bundle.version, bundle.file,
            bundle.sha256, tuple(components), move.cost[0],
        )  # fmt: skip

    def _quotes(self, unit: Unit, move: Move) -> Iterable[Quote]:
        for hop in move.hops:
            reading = unit.states[0].readings[hop.slot]
            for rule in hop.answer.rules:
                blocker = self.judge.named(self.judge.jump_rule(rule))[0]
                yield Quote(blocker.sort, blocker.source, blocker.message)
            if hop.answer.answer is RuleAnswer.UNSTATED:
                yield Quote("unstated", "", f"no rule is about {reading.kind} going to {hop.offer.image.version}")

    def _besides(self, states: list[int]) -> Iterable[Quote]:
        """The rules whose condition something meets in a state, and which it obeys."""
        for rule in self.fleet.rules.compatible_rules:
            for n, state in enumerate(states):
                rows = self.units[n].states[state].everything.items()
                bits = [row.when for (scope, _), row in rows if scope == rule.scope]
                needs = [b for b in self.judge.needs(rule) if any(bits_ >> b & 1 for bits_ in bits)]
                for need in needs:
                    blocker = self.judge.named(self.judge.beside_rule(rule, self.judge.need(need)))[0]
                    yield Quote(blocker.sort, blocker.source, blocker.message)

    def _trail(self, taken: Iterable[Taken]) -> Iterator[tuple[int, tuple[int, ...]]]:
        """Each step's number with the states of the units after it."""
        states = [0] * len(self.units)
        for number, (option, takers) in enumerate(taken, 1):
            for i in takers:
                states[i] = self.units[i].moves[states[i]][option].end
            yield number, tuple(states)

    def findings(self, steps: tuple[Step, ...], taken: Iterable[Taken]) -> Iterable[Finding]:
        """What to know of a route that was found."""
        bundles = {c.sha256: c for s in steps for c in s.changes}
        for change in bundles.values():
            if self.holdings.stored(change.sha256) is None:
                message = "needed on the way, not in the store"
                hint = "bundlekeeper store add MANIFEST --from DIR"
                yield finding("not-in-store", f"{change.family} {change.version}", message, hint)
        overs = (choice.passed_over_finding(self.release) for choice in self.target.choices.values())
        yield from dict.fromkeys(over for over in overs if over is not None)
        for step in steps:
            for quote in step.quotes:
                if not quote.source:
                    yield finding("jump-unstated", f"step {step.number}", quote.message, "ask the publisher")
            if step.is_down:
                message = "goes down, which a rule allows"
                hint = "remove the settings that the older version lacks first"
                yield finding("downgrade", f"step {step.number}", message, hint, level=Level.WARNING)
        yield from left_out_findings(self.left_out)
        yield from left_out.doubts(self.judge, self.units, self._trail(taken))
        for unit in self.units:
            readings = () if unit.still else (slot[0].reading for slot in unit.slots)
            for reading in (reading for reading in readings if self.target.lacks(reading)):
                message = f"{reading.kind} {reading.model}: the release has no image for it, so it stays as it is"
                yield finding("model-unsupported", unit.name, message)
        yield from self.unlisted()
        today = self.refused((0,) * len(self.units))
        for blocker in self.judge.named(today):
            message = f"today's mixture is refused already: {blocker.message} ({blocker.source})"
            yield finding(
                "mix-refused", self.state.domain, message, "this route starts from this mixture", level=Level.WARNING
            )

    def unlisted(self) -> Iterable[Finding]:
        """What could not be asked, because the inventory lists no such component: that does not show that there is
        none."""
        hint = "load an inventory of the whole domain"
        if not self.state.infrastructure:
            message = "no infrastructure is listed: what it runs, and whether that fits the servers, is not known"
            yield finding("not-checked", self.state.domain, message, hint)
            return
        listed = {component.reading.kind for component in self.state.infrastructure}
        for kind in self.fleet.manifest_index.model_lists if self.state.servers else ():
            if kind not in listed:
                message = f"no {kind} is listed: whether it knows the models of the servers is not known"
                yield finding("not-checked", self.state.domain, message, absent(kind))

    def no_route(self, found: FoundRoute) -> NoRoute:
        """Why there is no route, and the nearest release that can be reached."""
        problem = self.problem(self.release)
        index = self.fleet.manifest_index
        facts = left_out.domain_lacks(self.fleet, self.state, self.target, self.stopped)
        nearest = self._nearest()
        moves, compatible = self._tables
        moves.group()  # every blocker has its place before it is asked which ones matter
        compatible.name_all(self.own)
        blockers, exact = blocking(problem, len(self.judge.blockers)) if found.exhausted else (0, False)
        return NoRoute(
            self.state.domain,
            self.release,
            (
                *(Quote("fact", "", fact) for fact in (*facts, *unknown_variants(index, self.units))),
                *(Quote(b.sort, b.source, b.message) for b in self.judge.named(blockers)),
            ),
            exact,
            tuple(dict.fromkeys(no_bundles(index, self.units, self.target, self.release))),
            nearest,
            found.exhausted,
            left_out=self.left_out,
            refused_out=bool(self.left) and self._has_way_with_all(),
        )

    def _has_way_with_all(self) -> bool:
        whole = RouteFinder(self.fleet, self.state, self.release, self.holdings)
        return RouteSearch(whole.problem(self.release)).has_way() is True

    def _nearest(self) -> str:
        """The release next to the target, by its infrastructure's place, that can be reached; empty for none."""
        rank = self.fleet.reader.rank

        def place(name: str) -> int:
            return rank(INFRASTRUCTURE, self.targets[name].choices[INFRASTRUCTURE, self.variant].version)

        goal = place(self.release)
        others = sorted(
            (target for target in self.targets if target != self.release),
            key=lambda n: (abs(place(n) - goal), -place(n)),
        )
        for name in others[:60]:
            if RouteSearch(self.problem(name)).has_way():
                return name
        return ""
