"""Gaps of what runs together: today's mixture, the target's, and components that are off their neighbours.

Rules: `compatible` is asked of today's state and of the target's, in each of its scopes; a component whose scope is not
known (its chassis, its pair) is reported where a rule of that scope could mean it. Infrastructure at two bundles is a
step that was begun, at more it is refused; what may run ahead and files for some kinds only do not count there.
Neighbours are the components of one kind and model in the domain: what most of them run is the norm, and the others
differ.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations

from bundlekeeper.findings import Level
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domain_state import PlacedComponent
from bundlekeeper.planning.fleet.manifest_index import is_part
from bundlekeeper.planning.fleet.rules import Breach, SeenVersion, breaches
from bundlekeeper.planning.gaps.question import Case, Like

_Row = tuple[SeenVersion, tuple[PlacedComponent, ...]]  # components that rules see alike
_Scope = tuple[
    str, str, list[tuple[_Row, SeenVersion]]
]  # the scope, its place for people, its rows today with those after


def check_mix(case: Case) -> None:
    """Every gap of mixtures."""
    for name, place, rows in _scopes(case):
        today = list(breaches(case.fleet.rules, name, [row for row, _ in rows]))
        later = list(breaches(case.fleet.rules, name, [(after, components) for (_, components), after in rows]))
        number = sum(len(rule.need) for rule in case.fleet.rules.compatible_rules if rule.scope == name)
        case.tally.made("compatible", max(0, 2 * number - sum(not b.refused for b in (*today, *later))))
        solved = {(id(b.rule), id(b.need)) for b in later if b.refused or b.unknown}
        for breach in today:
            _tell(case, place, breach, "today", is_solved=(id(breach.rule), id(breach.need)) not in solved)
        for breach in later:
            _tell(case, place, breach, f"in release {case.target.release.name}", is_solved=False)
    _unplaced(case)
    check_today(case)


def check_today(case: Case) -> None:
    """The mixtures that are there already, whatever the target."""
    _infrastructure(case)
    _mixed_servers(case)
    _neighbours(case)


def _scopes(case: Case) -> Iterator[_Scope]:
    """The groups of components that rules of each scope are asked of; only scopes that some rule has."""
    wanted = {rule.scope for rule in case.fleet.rules.compatible_rules}
    if "domain" in wanted:
        yield "domain", case.domain, [((like.now, like.components), like.after) for like in case.likes()]
    if "server" in wanted:
        for group in case.groups:
            if group.server_class is not None:
                yield "server", group.name, [((like.now, like.components), like.after) for like in group.likes]
    for scope in wanted & {"chassis", "pair"}:
        found: dict[str, dict[int, tuple[Like, list[PlacedComponent]]]] = {}
        for like in case.likes():
            for component in like.components:
                if name := _place(component, scope):
                    found.setdefault(name, {}).setdefault(id(like), (like, []))[1].append(component)
        for name, likes in found.items():
            rows = [((like.now, tuple(components)), like.after) for like, components in likes.values()]
            yield scope, f"{case.domain} {name}", rows


def _place(component: PlacedComponent, scope: str) -> str | None:
    """The chassis or the pair that a component is in; None where it is not known, empty where it is in none."""
    if scope == "chassis":
        return component.component.chassis and f"chassis {component.component.chassis}"
    return component.component.pair and f"{component.component.kind} pair {component.component.pair}"


def _unplaced(case: Case) -> None:
    """Components that a rule of chassis or pair scope could mean, and of which it is not known which one they are
    in."""
    for rule in case.fleet.rules.compatible_rules:
        if rule.scope not in ("chassis", "pair"):
            continue
        meant: list[PlacedComponent] = []
        for like in case.likes():
            if any(case.fleet.rules.selects(what, like.now) is not False for what in (rule.when, *rule.need)):
                meant += [component for component in like.components if _place(component, rule.scope) is None]
        if meant:
            message = f"whether the rule of {rule.source} holds in each {rule.scope}"
            fact = f"the {rule.scope} of {some([p.key for p in meant])}"
            case.tally.lack("compatible", case.domain, message, fact, things=[p.key for p in meant], times=len(meant))


def _tell(case: Case, place: str, breach: Breach[tuple[PlacedComponent, ...]], when: str, *, is_solved: bool) -> None:
    """Report one need that is not met; where it may be met and may not, report the facts."""
    need, rule, wants = breach.need, breach.rule, _wants(breach)
    if not breach.refused:
        rows = [*breach.maybe_whens, *breach.maybe_shorts]
        components = [component for row in (*rows, *breach.whens, *breach.shorts) for component in row]
        message = f"whether the rule that requires {wants} ({rule.source}) holds {when}"
        fact = unsure(breach)
        case.tally.lack("compatible", place, message, fact, things=dict.fromkeys(p.key for p in components))
        return
    keys = dict.fromkeys(component.key for row in (*breach.shorts, *breach.whens) for component in row)
    evidence = {"when": when, "need": wants, "short": _runs(breach.shorts), "compatible": _runs(breach.whens)}
    if need.kind and case.manifest_index.facts(need.kind, None).lists_models:
        message = f"{when} the {need.kind} does not know what {_named(breach.whens)} need: {wants} is required"
        level, hint = (Level.WARNING, _FIRST) if is_solved else (None, f"choose a release with a newer {need.kind}")
        case.tally.add(
            "model-unlisted", place, message, hint, level=level, things=keys, evidence=evidence, sources=(rule.source,)
        )
        return
    message = f"{when} {refusal(breach)}"
    hint = "look for an order in which every state between is allowed: bundlekeeper route"
    case.tally.add("mix-refused", place, message, hint, things=keys, evidence=evidence, sources=(rule.source,))


def unsure(breach: Breach[tuple[PlacedComponent, ...]]) -> str:
    """The fact that is not known where nobody can say whether a need is met."""
    rows = [*breach.maybe_whens, *breach.maybe_shorts]
    return f"what {_named(rows)} {'runs' if len(rows) == 1 and len(rows[0]) == 1 else 'run'}"


def refusal(breach: Breach[tuple[PlacedComponent, ...]]) -> str:
    """Which components may not run together, what is required instead, and the rule's source."""
    named = f"{_named(breach.shorts)} may not run together with {_named(breach.whens)}"
    return f"{named}: {_wants(breach)} is required ({breach.rule.source})"


def _wants(breach: Breach[tuple[PlacedComponent, ...]]) -> str:
    need = breach.need
    return " ".join(w for w in (need.kind, " or ".join(need.models or ()), need.family, need.version) if w)


_FIRST = "bring it up first: it may be ahead of everything else"


def _named(rows: Iterable[tuple[PlacedComponent, ...]]) -> str:
    """Components for people: `bios Tern-2 at 5.4.2 (SER-1)`, several of them counted."""
    names = []
    for row in rows:
        one = row[0].reading
        which = row[0].key if len(row) == 1 else f"{len(row)} of them"
        names.append(f"{one.kind} {one.model or '?'} at {one.active or '?'} ({which})")
    return some(names, 3)


def _runs(rows: Iterable[tuple[PlacedComponent, ...]]) -> list[dict[str, object]]:
    return [
        {
            "kind": row[0].reading.kind,
            "model": row[0].reading.model,
            "active": row[0].reading.active,
            "components": len(row),
        }
        for row in rows
    ]


def _infrastructure(case: Case) -> None:
    """While one step replaces infrastructure A by B, that mix of A and B is allowed …; any other mix is refused."""
    sets: dict[frozenset[str], list[PlacedComponent]] = {}
    unknown: list[PlacedComponent] = []
    for component in case.state.infrastructure:
        if case.manifest_index.facts(component.reading.kind, component.reading.model).ahead or _for_some_kinds(
            case, component
        ):
            continue
        if not component.reading.bundles:
            unknown.append(component)
            continue
        case.tally.made("infrastructure mix")
        sets.setdefault(_lines(case, component.reading.bundles), []).append(component)
    choice = case.target.choices.get((INFRASTRUCTURE, case.manifest_index.variant(INFRASTRUCTURE, case.state.variant)))
    target = choice.chain[0].version if choice and choice.chain else ""
    names = _fewest(list(sets), target)
    keys = [component.key for components in (*sets.values(), unknown) for component in components]
    subject = f"{case.domain}: infrastructure"
    if unknown and len(names) <= 2:
        fact = f"the bundle of {some([component.key for component in unknown])}"
        message, times = "whether the infrastructure is at one bundle, or between two", len(unknown)
        case.tally.lack("infrastructure mix", subject, message, fact, things=keys, times=times)
    if len(names) < 2 or (len(names) == 2 and target in names):
        return
    evidence = {"bundles": list(names), "target": target}
    if len(names) == 2:
        message = f"is between {names[0]} and {names[1]}, and neither is the target {target or '(none)'}"
        hint = "finish the step that was begun before the next one"
        case.tally.add("mix-refused", subject, message, hint, level=Level.WARNING, things=keys, evidence=evidence)
    else:
        message = f"is at {', '.join(names)} at once; a step replaces one bundle by one other"
        hint = "bring the infrastructure to one bundle first"
        case.tally.add("mix-refused", subject, message, hint, things=keys, evidence=evidence)


def _for_some_kinds(case: Case, component: PlacedComponent) -> bool:
    """True for a component that runs a file published for some kinds only."""
    return any(
        is_part(bundle)
        for version in component.reading.bundles
        for bundle in case.manifest_index.at(INFRASTRUCTURE, version)
        if component.reading.kind in (bundle.only or ())
    )


def _lines(case: Case, versions: Iterable[str]) -> frozenset[str]:
    """The bundles with patches named by the base that they go onto: a patched component is at its base's bundle
    too."""
    found = set()
    for version in versions:
        bundles = case.manifest_index.at(INFRASTRUCTURE, version)
        found.add(case.manifest_index.chain(bundles[0])[0].version if bundles else version)
    return frozenset(found)


def _fewest(sets: list[frozenset[str]], target: str) -> tuple[str, ...]:
    """The fewest bundles that each of the sets has one of, the target among them where it can be; all above three."""
    versions = sorted({v for s in sets for v in s}, key=lambda v: (v != target, v))
    for number in range(4):
        for names in combinations(versions, number):
            if all(not s.isdisjoint(names) for s in sets):
                return names
    return tuple(versions)


def _mixed_servers(case: Case) -> None:
    for group in case.groups:
        if group.server_class is None:
            continue
        at = group.server_class.at
        if not at.certain:
            case.tally.uncounted("mixed server", len(group.servers))
            continue
        case.tally.made("mixed server", len(group.servers))
        if at.mixed:
            low, high = at.readings[0][0], at.readings[-1][0]
            message = f"components are at different bundles, from {low} to {high}"
            components = {
                f"{reading.kind} {reading.model}": [reading.active, *reading.bundles]
                for reading in group.server_class.components
            }
            evidence = {"lowest": low, "highest": high, "components": components}
            hint = "rules must hold for both; bring the server to one bundle"
            case.tally.add("mixed-server", group.name, message, hint, things=group.keys, evidence=evidence)


def _halves_differ(case: Case, groups: Sequence[Sequence[PlacedComponent]]) -> bool:
    """True where these are the two halves of one pair, and each runs something else, which is reported so."""
    halves = {component.key: component for rows in groups for component in rows}
    pair = next((pair for pair in case.state.pairs if {half.key for half in pair.halves} == set(halves)), None)
    if pair is None or len(halves) != 2:
        return False
    runs = {key: str(component.reading.active) for key, component in halves.items()}
    message = f"its two halves run different versions: {some([f'{key} {version}' for key, version in runs.items()])}"
    subject = f"{case.domain}: {pair.kind} pair {pair.name}"
    hint = "bring them level before either is restarted"
    evidence = {"runs": dict.fromkeys(runs.values(), 1)}
    case.tally.add("component-differs", subject, message, hint, things=list(runs), evidence=evidence)
    return True


def _neighbours(case: Case) -> None:
    alike: dict[tuple[str, str], list[Like]] = {}
    for like in case.likes():
        if like.reading.model is not None and like.reading.active:
            alike.setdefault((like.reading.kind, like.reading.model), []).append(like)
    for (kind, model), likes in alike.items():
        scale = case.manifest_index.scale(kind)
        by_version: dict[object, list[PlacedComponent]] = {}
        for like in likes:
            key = scale.key(like.reading.active or "")
            by_version.setdefault(key if key is not None else like.reading.active, []).extend(like.components)
        number = sum(map(len, by_version.values()))
        case.tally.made("neighbours", number)
        if len(by_version) < 2:
            continue
        groups = sorted(by_version.values(), key=len, reverse=True)
        if _halves_differ(case, groups):
            continue
        evidence = {"runs": {str(components[0].reading.active): len(components) for components in groups}}
        name = f"{kind} {model}"
        if 2 * len(groups[0]) <= number:
            runs = some([f"{len(components)} at {components[0].reading.active}" for components in groups])
            message = f"no version is that of most {name}: {runs}"
            keys = [component.key for components in groups for component in components]
            hint = "bring them level, or find out which were replaced"
            case.tally.add("component-differs", f"{case.domain}: {name}", message, hint, things=keys, evidence=evidence)
            continue
        norm = groups[0][0].reading.active
        for components in groups[1:]:
            message = f"{counted(len(components), 'component')} at {components[0].reading.active}"
            message += f", {len(groups[0])} of {number} at {norm}"
            subject = f"{case.domain}: {name} {some([component.key for component in components])}"
            keys = [component.key for component in components]
            hint = "was it replaced? bring it level with its neighbours"
            case.tally.add("component-differs", subject, message, hint, things=keys, evidence=evidence)
