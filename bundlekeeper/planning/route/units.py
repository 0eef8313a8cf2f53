"""What moves in a route: the infrastructure as one unit, each class of servers as one, with their states and moves.

Rules: a state is what each group of like components runs; a move is one bundle brought to all of a unit's components
that it has images for, a patch only onto its base; what may run ahead may be brought alone and stays where it is newer
(common practice). A move has every blocker that forbids it: its jumps, the mix while it is under way (infrastructure in
the order of its kinds' turns, the other way round going down; one server after the other, its components in an order
that every rule allows), and the unit's own state after it. What already runs together today is no step's fault.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import field
from functools import cache
from itertools import product
from typing import TYPE_CHECKING

from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domain_state import At, ComponentReading, PlacedComponent, ServerAt, ServerClass
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import ImageOffer, is_part, suits
from bundlekeeper.planning.fleet.rules import JumpAnswer, SeenVersion, seen
from bundlekeeper.planning.route.blockers import PRACTICE, BlockerJudge, BlockerRow, Place

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle

#: Minutes for a part of a kind that neither the manifest nor the built-in table knows: assumed, as the table's longest.
UNKNOWN_KIND_MINUTES = 45

_NOTHING = BlockerRow()


@dataclass(frozen=True, slots=True)
class Option:
    """One thing that a step can bring: an infrastructure bundle, or a release's bundle for each server family.

    `kinds` are the only kinds that are moved, empty for all; `link` counts the bundles of a chain of patches from 0.
    With `behind`, what runs a later image stays as it is while the rest is brought nearer to it; `components` are the
    keys of the only components that are moved, None for all.
    """

    name: str
    bundles: tuple[tuple[str, Bundle], ...]
    kinds: tuple[str, ...] = ()
    link: int = 0
    behind: bool = False
    components: frozenset[str] | None = None

    def bundle(self, family: str | None, variant: str | None) -> Bundle | None:
        """The bundle for what takes that variant of a family; None where one of both is not known."""
        if family is None or variant is None:
            return None
        return next((b for f, b in self.bundles if f == family and suits(b, variant)), None)


@dataclass(frozen=True, slots=True)
class Hop:
    """Like components that take an image."""

    slot: int
    offer: ImageOffer
    answer: JumpAnswer


class Move:
    """One unit's part of a step. `cost` is server restarts, minutes and bytes; `bare` are the blockers of its jumps.

    What forbids the mix while it is under way is found out when it is asked for: most moves are refused before.
    """

    __slots__ = ("_found", "_mixed", "bare", "cost", "end")

    def __init__(
        self, end: int, bare: int, cost: tuple[int, int, int], mixed: Callable[[], tuple[tuple[Hop, ...], int]]
    ) -> None:
        self.end, self.bare, self.cost, self._mixed = end, bare, cost, mixed
        self._found: tuple[tuple[Hop, ...], int] | None = None

    def _both(self) -> tuple[tuple[Hop, ...], int]:
        if self._found is None:
            self._found = self._mixed()
        return self._found

    @property
    def hops(self) -> tuple[Hop, ...]:
        """The hops in the order in which they are done."""
        return self._both()[0]

    @property
    def mask(self) -> int:
        """All its blockers."""
        return self.bare | self._both()[1]

    def is_free(self, enabled: int) -> bool:
        """True where none of those blockers forbids it."""
        return not self.bare & enabled and not self.mask & enabled


@dataclass(frozen=True, slots=True)
class _Judged:
    """A hop with what was found out of it. `way` is as of `Maker._way`; `cost` is minutes and bytes for one
    component."""

    hop: Hop
    way: int | None
    mask: int
    end: ComponentReading
    cost: tuple[int, int]


@dataclass(slots=True)
class State:
    """What a unit's like components run, and what rules see of it: all, and only what is not as it is today."""

    readings: tuple[ComponentReading, ...]
    seens: tuple[SeenVersion, ...]
    everything: dict[Place, BlockerRow]
    changed: dict[Place, BlockerRow]
    inside: int | None = None  # the blockers among its own components, once asked for


@dataclass(slots=True)
class Unit:
    """The infrastructure, or a class of servers. State 0 is today's. `moves[state]` maps an option's place."""

    name: str
    family: str | None
    slots: tuple[tuple[PlacedComponent, ...], ...]
    places: tuple[frozenset[Place], ...]
    variant: str | None  # the one that its components take of the family, empty for none, None where it is not known
    servers: tuple[ServerAt, ...] = ()
    server_class: ServerClass | None = None
    states: list[State] = field(default_factory=list)
    moves: list[dict[int, Move]] = field(default_factory=list)
    index: dict[tuple[int, ...], int] = field(default_factory=dict)  # by the identities of readings, which are shared
    still: bool = False  # it stays as it is today, and need not reach anything
    doubtful: dict[Place, BlockerRow] = field(default_factory=dict)  # of one that stays: what is seen, perhaps included

    def stay(self) -> None:
        """Let it stay as it is: of what is seen of it only what is sure refuses anything."""
        today = self.states[0]
        self.still, self.doubtful = True, today.everything
        today.everything = {place: row.sure for place, row in today.everything.items()}


class Maker:
    """Makes units with every state that the options can bring them to."""

    def __init__(self, fleet: Fleet, judge: BlockerJudge, goals: Iterable[Bundle] = ()) -> None:
        """`goals` are bundles of the target: moves down to them are kept, if only to say why they are refused."""
        self.fleet = fleet
        self.judge = judge
        self._goals = {bundle.sha256 for bundle in goals}
        self._may_go_down = any(rule.direction != "up" for rule in fleet.rules.jumps)
        self._images: dict[str, dict[tuple[str, str], ImageOffer]] = {}
        # readings, what is seen of them, and offers are shared and live as long as this: so their identity tells
        self._seen: dict[tuple[int, int], SeenVersion] = {}
        self._judged: dict[tuple[int, int], dict[tuple[str, tuple[str, ...]], _Judged | None]] = {}
        self._clashes: dict[tuple[int, int, int, int], int] = {}
        self._lines_of: dict[int, frozenset[str]] = {}
        self._rows: dict[tuple[int, str], BlockerRow] = {}
        self._slots: dict[tuple[int, int], dict[Place, BlockerRow]] = {}
        self._kept: list[frozenset[Place]] = []
        self._lines = cache(self._line)

    def unit(
        self,
        name: str,
        family: str | None,
        components: Iterable[PlacedComponent],
        servers: Sequence[ServerAt],
        options: list[Option],
    ) -> Unit:
        """A unit of these components; of servers of one class where there are `servers`."""
        named = [option.components for option in options if option.components is not None]
        groups: dict[tuple[ComponentReading, tuple[bool, ...]], list[PlacedComponent]] = {}
        for component in components:
            moved = tuple(component.key in keys for keys in named)
            groups.setdefault((component.reading, moved), []).append(component)
        slots = tuple(tuple(rows) for rows in groups.values())
        server_class = servers[0].server_class if servers else None
        places = tuple(frozenset(self._places(slot, bool(servers))) for slot in slots)
        readings = tuple(reading for reading, _ in groups)
        variant = readings[0].variant
        made = Unit(name, family, slots, places, variant, tuple(servers), server_class)
        self._state(made, readings)
        at = 0
        while at < len(made.states):
            moves = {}
            for number, option in enumerate(options):
                move = self._move(made, at, option)
                if move is not None and move.end != at:
                    moves[number] = move
            made.moves.append(moves)
            at += 1
        return made

    def _places(self, components: Iterable[PlacedComponent], of_server: bool) -> Iterator[Place]:
        scopes = self.judge.scopes
        for component in components:
            if "domain" in scopes:
                yield ("domain", "")
            if "server" in scopes and of_server:
                yield ("server", "")
            if "chassis" in scopes and component.component.chassis != "":
                yield ("chassis", component.component.chassis)
            if "pair" in scopes and component.component.pair != "":
                yield ("pair", component.component.pair and f"{component.component.kind} {component.component.pair}")

    def at(self, unit: Unit, readings: Sequence[ComponentReading]) -> At | None:
        """The bundles that a server of such readings is at; None for the infrastructure, whose components are each
        on their own."""
        if unit.server_class is None:
            return None
        number = len(unit.servers)
        rows = [r for r, slot in zip(readings, unit.slots, strict=True) for _ in range(max(1, len(slot) // number))]
        return self.fleet.reader.server_class(unit.family, unit.variant, rows).at

    def rows(self, unit: Unit, seens: Sequence[SeenVersion], slots: Iterable[int]) -> dict[Place, BlockerRow]:
        """What rules see of some slots, by place; a place of which no rule sees anything is left out."""
        rows = [each for slot in slots if (each := self._slot(unit.places[slot], seens[slot]))]
        if len(rows) < 2:
            return rows[0] if rows else {}
        found: dict[Place, BlockerRow] = dict(rows[0])
        for each in rows[1:]:
            for place, row in each.items():
                old = found.get(place)
                found[place] = row if old is None or old is row else old | row
        return found

    def _slot(self, places: frozenset[Place], component: SeenVersion) -> dict[Place, BlockerRow]:
        key = (id(places), id(component))
        found = self._slots.get(key)
        if found is None:
            pairs = ((place, self._row(component, place[0])) for place in places)
            found = self._slots[key] = {place: row for place, row in pairs if row != _NOTHING}
            self._kept.append(places)
        return found

    def _row(self, component: SeenVersion, scope: str) -> BlockerRow:
        key = (id(component), scope)
        if key not in self._rows:
            self._rows[key] = self.judge.row(component, scope)
        return self._rows[key]

    def _seen_as(self, reading: ComponentReading, at: At | None) -> SeenVersion:
        """The same object for the same reading and place."""
        key = (id(reading), id(at))
        if key not in self._seen:
            self._seen[key] = seen(reading, at)
        return self._seen[key]

    def _state(self, unit: Unit, readings: tuple[ComponentReading, ...]) -> int:
        key = tuple(map(id, readings))
        if key not in unit.index:
            at = self.at(unit, readings)
            seens = tuple(self._seen_as(reading, at) for reading in readings)
            today = unit.states[0].seens if unit.states else seens
            changed = [n for n, s in enumerate(seens) if s is not today[n] and s != today[n]]
            unit.index[key] = len(unit.states)
            unit.states.append(
                State(readings, seens, self.rows(unit, seens, range(len(seens))), self.rows(unit, seens, changed))
            )
        return unit.index[key]

    def _move(self, unit: Unit, start: int, option: Option) -> Move | None:
        bundle = option.bundle(unit.family, unit.variant)
        if bundle is None:
            return None
        old = unit.states[start]
        judged = self._hops(old, bundle, option.kinds, down=option.behind or option.components is not None)
        if option.components is not None:
            judged = [one for one in judged if unit.slots[one.hop.slot][0].key in option.components]
        if option.behind:
            behind = [one for one in judged if one.way != 1]
            judged = behind if len(behind) < len(judged) else []
        if not judged:
            return None
        mask = self._base(unit, old, bundle)
        readings = list(old.readings)
        cost = [0, 0, 0]
        for one in judged:
            slot = one.hop.slot
            mask |= one.mask
            readings[slot] = one.end
            cost[1] += len(unit.slots[slot]) * one.cost[0]
            cost[2] += len(unit.slots[slot]) * one.cost[1]
        end = self._state(unit, tuple(readings))
        new = unit.states[end]
        hops = tuple(one.hop for one in judged)
        facts = self.fleet.manifest_index.facts
        if unit.server_class is not None and any(
            facts(old.readings[hop.slot].kind, None).down == "server" for hop in hops
        ):
            cost[0] = len(unit.servers)

        def mixed() -> tuple[tuple[Hop, ...], int]:
            ordered, more = self._ordered(unit, old, new, hops)
            if new.inside is None:
                new.inside = self.judge.compatible(new.everything, new.changed, inside=True)
            return ordered, more | new.inside

        return Move(end, mask, (cost[0], cost[1], cost[2]), mixed)

    def _hops(self, state: State, bundle: Bundle, kinds: tuple[str, ...], *, down: bool) -> list[_Judged]:
        images = self._images.get(bundle.sha256)
        if images is None:
            images = {(i.kind, model): ImageOffer(bundle, i) for i in bundle.images for model in i.models}
            self._images[bundle.sha256] = images
        found = []
        judged, key = self._judged, (bundle.sha256, kinds)
        for n, component in enumerate(state.seens):
            known = judged.get((n, id(component)))
            if known is None:
                known = judged[n, id(component)] = {}
            if key not in known:
                reading = state.readings[n]
                offer = images.get((reading.kind, reading.model)) if reading.model is not None else None
                skipped = offer is None or (kinds and reading.kind not in kinds)
                known[key] = None if skipped or offer is None else self._judge(n, reading, component, offer)
            one = known[key]
            if one is None:
                continue
            if one.way == 1 and not down and not self._may_go_down and bundle.sha256 not in self._goals:
                return []  # going down is refused where no rule lets it pass, so that this leads nowhere
            found.append(one)
        return found

    def _judge(self, slot: int, reading: ComponentReading, component: SeenVersion, offer: ImageOffer) -> _Judged | None:
        """What is found of a slot that takes an offer; None where nothing moves."""
        way = self._way(reading, offer)
        if way == 0 or (way == 1 and self._may_be_ahead(reading)):
            return None
        answer = self.judge.jump(component, offer)
        mask = self.judge.jump_mask(component, offer, answer)
        end = self.fleet.reader.then(reading, offer.image.version)
        cost = (minutes(self.fleet, offer, reading)[0], size(offer)[0])
        return _Judged(Hop(slot, offer, answer), way, mask, end, cost)

    def _way(self, reading: ComponentReading, offer: ImageOffer) -> int | None:
        """1 where the component runs a later image than the offer's, 0 the same, -1 an older one; None is not known."""
        if not reading.active:
            return None
        return self.fleet.manifest_index.scale(reading.kind).compare(reading.active, offer.image.version)

    def runs(self, reading: ComponentReading, offer: ImageOffer) -> bool:
        """True where the component runs the offer's image already, or may be ahead of it and is."""
        way = self._way(reading, offer)
        return way == 0 or (way == 1 and self._may_be_ahead(reading))

    def _may_be_ahead(self, reading: ComponentReading) -> bool:
        return self.fleet.manifest_index.facts(reading.kind, reading.model).ahead

    def _turn(self, kind: str) -> int:
        return self.fleet.manifest_index.facts(kind, None).turn

    def _base(self, unit: Unit, state: State, bundle: Bundle) -> int:
        """A patch goes onto its base, where every component that the base serves runs it or the patch itself."""
        if bundle.base is None or bundle.base == bundle.version:
            return 0
        message = f"{bundle.family} {bundle.version} goes onto {bundle.base}, which must run first"
        base = self.fleet.manifest_index.base(bundle)
        if base is not None:
            whole, patched = self.fleet.manifest_index.whole(base), self.fleet.manifest_index.whole(bundle)
            keys = [(reading, (reading.kind, reading.model or "")) for reading in state.readings]
            if all(self.runs(r, whole[k]) or self.runs(r, patched[k]) for r, k in keys if k in whole):
                return 0
        return self.judge.blocker("practice", f"manifest: base of {bundle.file}", message)

    def _ordered(self, unit: Unit, old: State, new: State, hops: tuple[Hop, ...]) -> tuple[tuple[Hop, ...], int]:
        """The hops in the order in which they are done, and the blockers of the mix while that is under way."""
        if unit.server_class is None:
            return self._outer(unit, old, new, hops)
        mask = 0
        if len(unit.servers) > 1:  # one is moved, another one not yet
            mask = self.judge.compatible(old.everything, new.changed)
        usual = sorted(hops, key=lambda h: (self._turn(old.readings[h.slot].kind), old.readings[h.slot].kind, h.slot))
        if not self.judge.compatible(old.everything, new.everything, inside=True):
            return tuple(usual), mask  # a server between is at old and at new: nothing forbids that
        return self._inner(unit, old, usual, mask)

    def _inner(self, unit: Unit, old: State, usual: list[Hop], mask: int) -> tuple[tuple[Hop, ...], int]:
        """An order of one server's components in which every state between is allowed, the usual one where that
        does."""
        blockers = 0
        seen_sets: set[frozenset[int]] = set()

        def onward(done: tuple[Hop, ...], readings: tuple[ComponentReading, ...]) -> tuple[Hop, ...] | None:
            nonlocal blockers
            if len(done) == len(usual):
                return done
            for hop in usual:
                slots = frozenset(h.slot for h in (*done, hop))
                if hop in done or slots in seen_sets:
                    continue
                seen_sets.add(slots)
                next_ = tuple(
                    self.fleet.reader.then(r, hop.offer.image.version) if n == hop.slot else r
                    for n, r in enumerate(readings)
                )
                if len(slots) < len(usual) and (found := self._between(unit, next_)):
                    blockers |= found
                    continue
                if (order := onward((*done, hop), next_)) is not None:
                    return order
            return None

        order = onward((), old.readings)
        return (tuple(usual), mask | blockers) if order is None else (order, mask)

    def _between(self, unit: Unit, readings: tuple[ComponentReading, ...]) -> int:
        """The blockers among the components of one server in the middle of its move."""
        if not self.judge.scopes:
            return 0
        at = self.at(unit, readings)
        seens = [self._seen_as(reading, at) for reading in readings]
        today = unit.states[0].seens
        changed = [n for n, s in enumerate(seens) if s != today[n]]
        everything = self.rows(unit, seens, range(len(seens)))
        return self.judge.compatible(everything, self.rows(unit, seens, changed), inside=True)

    def _outer(self, unit: Unit, old: State, new: State, hops: tuple[Hop, ...]) -> tuple[tuple[Hop, ...], int]:
        down = any(hop.answer.down for hop in hops)
        sign = -1 if down else 1

        def phase(hop: Hop) -> int:
            return sign * self._turn(old.readings[hop.slot].kind)

        ordered = sorted(hops, key=lambda h: (phase(h), old.readings[h.slot].kind, h.slot))
        mask = self._third(old, hops)
        if self.judge.scopes and self.judge.compatible(old.everything, new.everything):
            for late, early in product(ordered, ordered):
                alike = late.slot == early.slot
                if phase(early) <= phase(late) and (not alike or len(unit.slots[late.slot]) > 1):
                    mask |= self._clash(
                        unit.places[late.slot], old.seens[late.slot], unit.places[early.slot], new.seens[early.slot]
                    )
            moving = {hop.slot for hop in hops}
            if len(moving) < len(old.seens):
                staying = self.rows(unit, old.seens, [n for n in range(len(old.seens)) if n not in moving])
                mask |= self.judge.compatible(staying, self.rows(unit, new.seens, moving))
        return tuple(ordered), mask

    def _clash(
        self, places: frozenset[Place], component: SeenVersion, others: frozenset[Place], other: SeenVersion
    ) -> int:
        key = (id(places), id(component), id(others), id(other))
        if key not in self._clashes:
            one, two = self._slot(places, component), self._slot(others, other)
            self._clashes[key] = self.judge.compatible(one, two) if one and two else 0
        return self._clashes[key]

    def _third(self, old: State, hops: tuple[Hop, ...]) -> int:
        """A step replaces one bundle by one other: components at two others would be a third."""
        rest: list[frozenset[str]] = []
        for hop in hops:
            reading = old.readings[hop.slot]
            if self._may_be_ahead(reading) or is_part(hop.offer.bundle) or not reading.bundles:
                continue
            lines = self._lines_of.get(id(reading))
            if lines is None:
                lines = self._lines_of[id(reading)] = frozenset(map(self._lines, reading.bundles))
            if self._lines(hop.offer.bundle.version) not in lines:
                rest.append(lines)
        if not rest or frozenset.intersection(*rest):
            return 0
        names = sorted(frozenset.union(*rest))
        message = f"the infrastructure is at {', '.join(names)}: a step replaces one bundle by one other"
        return self.judge.blocker("practice", f"{PRACTICE}: one change at a time", message)

    def _line(self, version: str) -> str:
        bundles = self.fleet.manifest_index.at(INFRASTRUCTURE, version)
        return self.fleet.manifest_index.chain(bundles[0])[0].version if bundles else version


def minutes(fleet: Fleet, offer: ImageOffer, reading: ComponentReading) -> tuple[int, bool]:
    """Minutes for one component, and whether they are assumed: the image's own, else the kind's, else the table's."""
    if offer.image.minutes is not None:
        return offer.image.minutes, False
    facts = fleet.manifest_index.facts(reading.kind, reading.model)
    if facts.minutes is None:
        return UNKNOWN_KIND_MINUTES, True
    return facts.minutes, facts.assumed_minutes


def size(offer: ImageOffer) -> tuple[int, bool]:
    """Bytes of one image, and whether they are assumed: no more than its whole bundle where it is not known."""
    return (offer.image.size, False) if offer.image.size is not None else (offer.bundle.size, True)
