"""What a manifest's rules say of work that was done: images that are staged or activated, as they are recorded.

Rules: a jump is asked from what the component ran before; where several bundles bring the image, it is refused only if
every one of them is; what may run together is asked of the state after the work, of staged images as if everything
that is staged there ran; only what is surely refused is reported, and once for all components that it is about.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.planning.fleet.domain_state import At, ComponentReading, DomainState, PlacedComponent
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.rules import JumpAnswer, RuleAnswer, SeenVersion, breaches, seen
from bundlekeeper.planning.gaps.components import quoted
from bundlekeeper.planning.gaps.mix import refusal
from bundlekeeper.planning.gaps.question import component_name

Scopes = dict[tuple[str, str], dict[SeenVersion, list[PlacedComponent]]]  # by the scope and its place for people


@dataclass(frozen=True, slots=True)
class RecordedWork:
    """One image that was put on a component: its version, and the version and variant of the bundle that it is from,
    empty where that was not said."""

    component: str
    version: str
    bundle: str = ""
    variant: str = ""


def against_rules(fleet: Fleet, work: Sequence[RecordedWork], *, staged: bool) -> list[Finding]:
    """What the rules refuse of this work, as warnings; `fleet` is as it was before, `staged` that nothing runs yet."""
    wanted = {one.component: one for one in work}
    found: list[Finding] = []
    for domain in fleet.domains:
        if all(component.key not in wanted for component in fleet.components(domain)):
            continue
        state = fleet.state(domain)
        placed: list[tuple[PlacedComponent, At | None]] = [(component, None) for component in state.infrastructure]
        placed += [(component, server.server_class.at) for server in state.servers for component in server.components]
        touched = [(component, at, wanted[component.key]) for component, at in placed if component.key in wanted]
        found += _variants(touched)
        found += _jumps(fleet, touched)
        found += _mixes(fleet, state, {component.key: one.version for component, _, one in touched}, staged=staged)
    return found


_Touched = Sequence[tuple[PlacedComponent, At | None, RecordedWork]]


def _warning(code: str, components: Sequence[PlacedComponent], message: str, hint: str) -> Finding:
    subject = component_name(components[0])
    if len(components) > 1:
        listed = components[0].component
        subject = f"{listed.domain}: {counted(len(components), 'component')} ({some([c.key for c in components], 3)})"
    return finding(code, subject, message, hint, Level.WARNING)


def _variants(touched: _Touched) -> Iterator[Finding]:
    """Components that take another variant than the bundle that was put on them."""
    alike: dict[tuple[str, str, str, str], list[PlacedComponent]] = {}
    for component, _, one in touched:
        takes = component.reading.variant
        if one.variant and takes and one.variant != takes:
            key = (component.reading.family or "", one.bundle, one.variant, takes)
            alike.setdefault(key, []).append(component)
    for (family, bundle, variant, takes), components in alike.items():
        message = f"{family} {bundle} is of the variant {variant}, and this takes {takes}"
        hint = "look which file was used; what is right in the inventory is `variant`"
        yield _warning("wrong-variant", components, message, hint)


def _jumps(fleet: Fleet, touched: _Touched) -> Iterator[Finding]:
    alike: dict[tuple[str, str], list[PlacedComponent]] = {}
    for component, at, one in touched:
        refused = _refused(fleet, component.reading, at, one)
        if refused is None:
            continue
        start, to = component.reading.active or "an unknown version", one.version
        if refused.rules:
            message = f"may not go from {start} to {to} in one step: {quoted(refused.rules)}"
            hint = "recorded as it was done; bundlekeeper route shows the stops between"
        else:
            message = f"may not go down from {start} to {to}: no rule allows it"
            hint = "recorded as it was done; add the jump, with its source, if the release notes allow it"
        alike.setdefault((message, hint), []).append(component)
    for (message, hint), components in alike.items():
        yield _warning("jump-refused", components, message, hint)


def _refused(fleet: Fleet, reading: ComponentReading, at: At | None, one: RecordedWork) -> JumpAnswer | None:
    """The answer where every bundle that the image may be of is refused; None where one is not, or none is known."""
    bundles = (one.bundle,) if one.bundle else fleet.reader.then(reading, one.version).bundles
    answers = [fleet.rules.jump(seen(reading, at), one.version, bundle) for bundle in bundles]
    if not answers or any(answer.answer is not RuleAnswer.REFUSED for answer in answers):
        return None
    return answers[0]


def _mixes(fleet: Fleet, state: DomainState, versions: Mapping[str, str], *, staged: bool) -> Iterator[Finding]:
    runs = dict(versions)
    if staged:
        known = ((component.key, component.component.staged) for component in state.components)
        runs = {key: version for key, version in known if version} | runs
    for (scope, place), rows in scopes_with(fleet, state, runs).items():
        for breach in breaches(fleet.rules, scope, [(one, tuple(components)) for one, components in rows.items()]):
            concerned = [c for row in (*breach.whens, *breach.shorts) for c in row if c.key in versions]
            if breach.refused and concerned:
                message = f"{'once activated, ' if staged else ''}{refusal(breach)}"
                hint = "look for an order in which every state between is allowed: bundlekeeper route"
                yield finding("mix-refused", place, message, hint, Level.WARNING)


def scopes_with(fleet: Fleet, state: DomainState, runs: Mapping[str, str]) -> Scopes:
    """The components of each scope that some rule has, as they are with these versions by key."""
    wanted = {rule.scope for rule in fleet.rules.compatible_rules}
    found: Scopes = {}

    def then(component: PlacedComponent) -> ComponentReading:
        version = runs.get(component.key)
        return component.reading if version is None else fleet.reader.then(component.reading, version)

    def add(reading: ComponentReading, at: At | None, component: PlacedComponent, server: str) -> None:
        listed = component.component
        places = {
            "domain": state.domain, "server": server,
            "chassis": listed.chassis and f"{state.domain}: chassis {listed.chassis}",
            "pair": listed.pair and f"{state.domain}: pair {listed.pair} of {listed.kind}",
        }  # fmt: skip
        for scope, place in places.items():
            if scope in wanted and place:
                rows = found.setdefault((scope, place), {}).setdefault(seen(reading, at), [])
                rows.append(replace(component, reading=reading))

    for component in state.infrastructure:
        add(then(component), None, component, "")
    for server in state.servers:
        readings = [then(component) for component in server.components]
        at = fleet.reader.server_class(server.family, server.server_class.variant, readings).at
        for component, reading in zip(server.components, readings, strict=True):
            add(reading, at, component, server.name)
    return found
