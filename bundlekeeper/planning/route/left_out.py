"""The servers that a route leaves as they are: because somebody says so, or because a fact about them is not known.

Rules: what is left out keeps what it runs, and the rules still hold for that beside everything else: what is surely
refused refuses the route, what is not known for lack of a fact about the server is reported at the step that depends on
it; what runs together today is no step's fault. A fact that is not known stops the servers that it is about and no
other one, but for the last: where no server can be planned, nor can the domain; a variant that no component of the
whole domain names is the domain's fact.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Iterable, Iterator, Sequence
from dataclasses import replace

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import some
from bundlekeeper.planning.fleet.domain_state import (
    UNLISTED,
    ComponentReading,
    DomainState,
    ServerAt,
    ServerClass,
)
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.manifest_index import near
from bundlekeeper.planning.fleet.rules import RuleAnswer, seen
from bundlekeeper.planning.fleet.target import ReleaseTarget
from bundlekeeper.planning.route.blockers import BlockerJudge
from bundlekeeper.planning.route.types import LeftOut, StaysAhead, Step, alike
from bundlekeeper.planning.route.units import Unit


def labels(server: ServerAt) -> tuple[str, ...]:
    """How a server may be named: by its key, as all answers do, by what people call it, by chassis and slot."""
    short = "/".join(word for word in (server.place.chassis, server.place.slot) if word)
    return tuple(dict.fromkeys(word for word in (server.key, server.name, server.called, short) if word))


def named(states: Iterable[DomainState], wanted: Sequence[tuple[str, str]]) -> dict[str, tuple[LeftOut, ...]]:
    """The servers that are meant, each with its reason, by domain. Raises InputError with every name that is wrong."""
    known: dict[str, dict[tuple[str, str], ServerAt]] = {}
    for state in states:
        for server in state.servers:
            for label in labels(server):
                known.setdefault(label, {})[state.domain, server.key] = server
    found: dict[str, dict[str, LeftOut]] = {}
    problems = []
    for name, reason in wanted:
        meant = known.get(name, {})
        if len(meant) != 1:
            message = f"{len(meant)} servers have that name" if meant else "no server of what is planned has that name"
            hint = f"name one by its serial: {some([key for _, key in meant])}" if meant else near(name, known)
            problems.append(finding("not-checked", name, message, hint, level=Level.ERROR))
            continue
        ((domain, key), server) = next(iter(meant.items()))
        if key in found.get(domain, ()):
            problems.append(
                finding("not-checked", name, "left out more than once", "name each server once", level=Level.ERROR)
            )
        found.setdefault(domain, {})[key] = LeftOut(key, server.name, reason)
    if problems:
        raise InputError("some servers cannot be left out", problems=problems)
    return {domain: tuple(rows.values()) for domain, rows in found.items()}


def at_release(target: ReleaseTarget, state: DomainState, left: Iterable[LeftOut]) -> tuple[LeftOut, ...]:
    """Those of the servers that run all that the target brings them, so that leaving them out changes nothing."""

    def runs(reading: ComponentReading) -> bool:
        offer = target.offer(reading)
        same = target.manifest_index.scale(reading.kind).same
        return offer is not None and bool(reading.active) and same(reading.active or "", offer.image.version)

    keys = {
        server.key
        for server_class, servers in state.classes
        if all(runs(reading) or not target.means(reading) for reading in server_class.components)
        for server in servers
    }
    return tuple(server for server in left if server.server in keys)


def idle_findings(servers: Iterable[LeftOut], release: str) -> Iterator[Finding]:
    """That the servers are at the release already."""
    for server in servers:
        message = f"it is at {release} already: nothing is left out"
        yield finding("no-change", f"server {server.name}", message, "leave out --without for it", Level.NOTE)


def split(state: DomainState, part: Callable[[ServerAt], Hashable]) -> DomainState:
    """The state with each of its classes split into the servers that are of the same part."""

    def parts(servers: tuple[ServerAt, ...]) -> Iterable[tuple[ServerAt, ...]]:
        found: dict[Hashable, list[ServerAt]] = {}
        for server in servers:
            found.setdefault(part(server), []).append(server)
        return (tuple(rows) for rows in found.values())

    return replace(
        state, classes=tuple((server_class, rows) for server_class, all_ in state.classes for rows in parts(all_))
    )


def unknown(
    fleet: Fleet, state: DomainState, target: ReleaseTarget, left: Collection[str], moved: Collection[str] = ()
) -> tuple[tuple[LeftOut, ...], tuple[LeftOut, ...]]:
    """The servers that cannot be planned for lack of a fact: those that are left out, and those that stop their
    domain, because no other server could be planned. Those of `left` are left out already, those of `moved` are planned
    by somebody, as keys."""
    found: list[LeftOut] = []
    skipped = {*left, *moved}
    for server_class, servers in state.classes:
        facts = tuple(dict.fromkeys(_lacks(fleet, state, target, server_class)))
        if facts:
            found += [LeftOut(s.key, s.name, lacks=facts) for s in servers if s.key not in skipped]
    planned = sum(server.key not in left for server in state.servers) > len(found)
    return (tuple(found), ()) if planned else ((), tuple(found))


def _lacks(fleet: Fleet, state: DomainState, target: ReleaseTarget, server_class: ServerClass) -> Iterator[str]:
    family = server_class.family
    if family is None:
        yield "whether it is a blade or a rack server (its chassis: - for none)"
        return
    if server_class.variant is None:
        if fleet.manifest_index.variant(family, state.variant) is not None:
            yield f"which variant it takes, {' or '.join(fleet.manifest_index.variants(family))}"
        return
    readings = tuple(dict.fromkeys(server_class.components))
    own = [fact for reading in readings if (fact := component_lacks(fleet, target, reading))]
    if own or server_class.at.certain:
        yield from own
        return
    unjudged = {reading: _unjudged(fleet, target, server_class, reading) for reading in readings}
    facts = {reading: fact for reading, fact in unjudged.items() if fact}
    yield from [fact for reading, fact in facts.items() if reading.lack] or facts.values()


def component_lacks(fleet: Fleet, target: ReleaseTarget, reading: ComponentReading, key: str = "") -> str:
    """What is not known of a component, so that it cannot be told whether it runs the target's image; empty for
    nothing. `key` names one component."""
    name = " ".join(word for word in (reading.kind, reading.model, key) if word)
    if reading.model is None:
        return f"the model of {name}" if target.means(reading) else ""
    offer = target.offer(reading)
    if offer is None:
        return ""
    if not reading.active:
        return f"the active version of {name}"
    scale = fleet.manifest_index.scale(reading.kind)
    if scale.compare(reading.active, offer.image.version) is None:
        return f"the place of {reading.active} in {scale.name} order, the active version of {name}"
    return ""


def _unjudged(fleet: Fleet, target: ReleaseTarget, server_class: ServerClass, reading: ComponentReading) -> str:
    """The fact for lack of which no bundle can be judged that the component could be brought to; empty where one
    can."""
    offer = target.offer(reading)
    if offer is None or fleet.manifest_index.scale(reading.kind).same(reading.active or "", offer.image.version):
        return ""
    offers = fleet.manifest_index.offers(
        server_class.family or "", server_class.variant, reading.kind, reading.model or ""
    )
    component = seen(reading, server_class.at)
    answers = [fleet.rules.jump(component, offer.image.version, offer.bundle.version) for offer in offers]
    if any(answer.answer in (RuleAnswer.ALLOWED, RuleAnswer.UNSTATED) for answer in answers):
        return ""
    fact = next((answer.fact for answer in answers if answer.answer is RuleAnswer.UNKNOWN), "")
    if fact and reading.lack == UNLISTED:
        return f"the bundle that {reading.kind} {reading.model} {reading.active} is of"
    return fact


def doubts(judge: BlockerJudge, units: Sequence[Unit], trail: Iterable[tuple[int, Sequence[int]]]) -> Iterator[Finding]:
    """The rules of which it is not known whether they hold beside a server that is left out, at the first step that
    depends on it; `trail` has the states of the units after each step."""
    told: dict[tuple[str, int], int] = {}
    for number, states in trail:
        for unit in units:
            for other, state in zip(units, states, strict=True):
                if not unit.doubtful or other is unit or state == 0:
                    continue
                rows = other.states[state].everything
                mask = judge.compatible(rows, unit.doubtful) & ~judge.compatible(rows, unit.states[0].everything)
                told.setdefault((unit.name, mask), number)
    for (name, mask), number in told.items():
        for blocker in judge.named(mask):
            message = f"{blocker.message} is not known ({blocker.source})"
            hint = "find out before that step what it runs"
            yield finding("not-checked", f"step {number}: {name}", message, hint, level=Level.ERROR)


def domain_lacks(fleet: Fleet, state: DomainState, target: ReleaseTarget, stopped: Sequence[LeftOut]) -> Iterator[str]:
    """What is not known of the infrastructure's components, and of the servers that stop their domain."""
    facts = (component_lacks(fleet, target, p.reading, p.key) for p in state.infrastructure)
    yield from (f"infrastructure: {fact}" for fact in facts if fact)
    for lacks, names in alike(stopped).items():
        yield f"{some(names)}: {some(lacks)}"


def not_reached(units: Iterable[Unit], target: ReleaseTarget) -> tuple[tuple[str, str], ...]:
    """What is not at the release in the end, each once with what it is: servers by key, those that are left out among
    them, and components of the infrastructure with their kind."""
    found: dict[tuple[str, str], None] = {}
    for unit in units:
        servers = [("server", server.key) for server in unit.servers]
        if unit.still:
            found |= dict.fromkeys(servers)
        for slot in (slot for slot in unit.slots if target.lacks(slot[0].reading)):
            found |= dict.fromkeys(servers or [(component.reading.kind, component.key) for component in slot])
    return tuple(found)


def at_end(units: Iterable[Unit], target: ReleaseTarget, steps: Iterable[Step]) -> tuple[int, tuple[StaysAhead, ...]]:
    """How many components run the release's image after the steps, those that are left out not counted, and the ones
    that stay ahead of it."""
    rows = (part for step in steps for change in step.changes for part in change.components)
    ends = {key: part.end for part in rows for key in part.keys}
    number, ahead = 0, []
    slots = (slot for unit in units if not unit.still for slot in unit.slots)
    for reading, slot in ((slot[0].reading, slot) for slot in slots):
        if (offer := target.offer(reading)) is None:
            continue
        compare, wanted = target.manifest_index.scale(reading.kind).compare, offer.image.version
        for component in slot:
            runs = ends.get(component.key, reading.active or "")
            place = compare(runs, wanted)
            number += place == 0
            if place == 1 and target.manifest_index.facts(reading.kind, reading.model).ahead:
                ahead.append(StaysAhead(reading.kind, component.key, runs))
    return number, tuple(ahead)
