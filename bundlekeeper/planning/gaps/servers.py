"""Gaps of servers: the policies that bring their firmware, the list that must know their models, their drivers.

Rules: a server is asked for the policy of each of its policy-driven components, moving or not, because a policy that
names another version moves it away again; who else a policy touches is asked of the whole fleet; a model is known to a
list where a rule says so, else where a release with a bundle for that model came with that list or an older one; host
drivers are never known here unless the user vouches for them. Practice: a policy that applies immediately restarts all
of its servers when it is edited; a server without one gets nothing, or a platform default; drivers and adapter firmware
are supported as pairs.
"""

from __future__ import annotations

from collections.abc import Iterable

from bundlekeeper.findings import Level
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.model.inventory.types import Policy
from bundlekeeper.model.vocabulary import SERVER_FAMILIES
from bundlekeeper.planning.fleet.domain_state import PlacedComponent, ServerAt
from bundlekeeper.planning.gaps.lowered import HINT, lowered
from bundlekeeper.planning.gaps.question import Case

_MOST_NAMED = 40  # servers of a shared policy named in the sentence; the evidence names them all


def check_servers(case: Case) -> None:
    """Every gap of servers as such."""
    for doubt in case.state.doubts:
        keys = [component.key for component in doubt.components]
        hint = "give the components of a server its serial as parent, and say chassis - for a rack server"
        fact = {"parent": "its server (parent, or chassis and slot)", "family": "its family"}[doubt.fact]
        case.tally.lack("grouping", case.domain, doubt.message, fact, hint=hint, things=keys, times=len(keys))
    _policies(case)
    _lists(case)
    _drivers(case)


def _policies(case: Case) -> None:
    without: dict[str, tuple[ServerAt, list[PlacedComponent]]] = {}
    unknown: dict[str, tuple[ServerAt, list[PlacedComponent]]] = {}
    unsure: list[PlacedComponent] = []
    users: dict[str, list[PlacedComponent]] = {}
    for server in case.state.servers:
        for component in server.components:
            driven = case.fleet.manifest_index.by_policy(component.component)
            if driven is None:
                unsure.append(component)
            elif driven and component.component.policy is None:
                unknown.setdefault(server.key, (server, []))[1].append(component)
            elif driven and not component.component.policy:
                without.setdefault(server.key, (server, []))[1].append(component)
            elif driven and component.component.policy:
                users.setdefault(component.component.policy, []).append(component)
    if unsure:
        kinds = dict.fromkeys(p.component.kind for p in unsure)
        fact, keys = f"who drives {some(list(kinds))} (applied_by)", [p.key for p in unsure]
        message = f"whether {'it takes' if len(kinds) == 1 else 'they take'} a policy"
        hint = f"set it in the manifest: [kind.{next(iter(kinds))}] applied_by = …"
        case.tally.lack("policy", case.domain, message, fact, hint=hint, things=keys, times=len(keys))
    _without(case, without, unknown)
    for name, components in users.items():
        _policy(case, name, components)


def _without(
    case: Case,
    without: dict[str, tuple[ServerAt, list[PlacedComponent]]],
    unknown: dict[str, tuple[ServerAt, list[PlacedComponent]]],
) -> None:
    if without:
        labels, keys = _labels_and_keys(without.values())
        case.tally.made("policy", len(keys))
        message = f"{counted(len(labels), 'server')} without a policy: {some(labels, _MOST_NAMED)}"
        hint = f"assign one; without one {'it gets' if len(labels) == 1 else 'they get'} nothing, or a platform default"
        subject = f"{case.domain}: {some(labels)}"
        case.tally.add("no-policy", subject, message, hint, things=keys, evidence={"servers": labels})
    if unknown:
        labels, keys = _labels_and_keys(unknown.values())
        subject = f"{case.domain}: {some(labels)}"
        message = f"which firmware {counted(len(labels), 'server')} will be given"
        fact = f"the policy of some of {'its' if len(labels) == 1 else 'their'} components"
        hint = "list the policy; write - where there is none"
        evidence = {"servers": labels}
        case.tally.lack("policy", subject, message, fact, hint=hint, things=keys, times=len(keys), evidence=evidence)


def _labels_and_keys(rows: Iterable[tuple[ServerAt, list[PlacedComponent]]]) -> tuple[list[str], list[str]]:
    pairs = list(rows)
    return [server.name for server, _ in pairs], [component.key for _, components in pairs for component in components]


def _policy(case: Case, name: str, components: list[PlacedComponent]) -> None:
    """Every gap of one policy, by all that is reported of it in this domain."""
    tally, subject, keys = case.tally, f"{case.domain}: policy {name}", [component.key for component in components]
    policies = case.fleet.policies(name, case.domain)
    if not policies:
        hint = "list it under [[policy]], with versions, applies and scope"
        tally.lack("policy", subject, "what it gives and when", "the policy itself", hint=hint, things=keys)
    for policy in policies:
        if policy.versions is None:
            message, hint = "whether it names the versions of the release", "list its versions under [[policy]]"
            tally.lack("policy", subject, message, "its versions", hint=hint, things=keys)
        else:
            low = lowered(
                case.fleet, policy, [component for component in components if not _goes_down(case, component)]
            )
            for row in low:
                evidence = {"policy": name, "names": row.named, "runs": row.runs, "components": len(row.keys)}
                tally.add("downgrade", subject, row.message, HINT, level=row.level, things=row.keys, evidence=evidence)
            told = {key for row in low for key in row.keys}
            _versions(case, policy, [component for component in components if component.key not in told], subject)
        if policy.applies is None:
            message, hint = "whether editing it restarts servers immediately", "list its applies under [[policy]]"
            tally.lack("policy", subject, message, "how it applies", hint=hint, things=keys)
        else:
            tally.made("policy")
            if policy.applies in _BY_ITSELF:
                _by_itself(case, policy, subject, keys)
        _shared(case, policy, subject, keys)


def _goes_down(case: Case, component: PlacedComponent) -> bool:
    """True where the release itself takes it down, which is reported as a jump."""
    offer = case.target.offer(component.reading)
    scale = case.manifest_index.scale(component.reading.kind)
    return offer is not None and scale.compare(offer.image.version, component.reading.active or "") == -1


def _versions(case: Case, policy: Policy, components: list[PlacedComponent], subject: str) -> None:
    """Does the policy name, for each of its components, the version that the target brings?"""
    wrong: dict[tuple[str, str | None, str, str], list[str]] = {}
    for component in components:
        reading = component.reading
        choice = case.target.choice(reading)
        offer = case.target.offer(reading)
        if choice is None or offer is None:
            case.tally.uncounted("policy version")  # told as family-missing, model-unsupported or not known
            continue
        case.tally.made("policy version")
        versions = policy.versions or {}
        if reading.kind in versions:
            key, wanted, scale = reading.kind, offer.image.version, case.manifest_index.scale(reading.kind)
        else:
            key, wanted, scale = choice.family, choice.version, case.manifest_index.scale(None)
        named = versions.get(key)
        if named is None or not scale.same(named, wanted):
            says = f"{wanted} is taken" if choice.passed_over else f"the release has {wanted}"
            wrong.setdefault((key if named else reading.kind, named, wanted, says), []).append(component.key)
    for (key, named, wanted, says), keys in wrong.items():
        message = f"names {key} {named}, {says}" if named else f"names no version for {key}"
        hint = f"when it is time, set it to {wanted}; until then it gives its servers something else"
        evidence = {"policy": policy.name, "names": named, "wanted": wanted, "components": len(keys)}
        case.tally.add("policy-differs", subject, message, hint, things=keys, evidence=evidence)


#: The times at which a policy restarts its servers by itself.
_BY_ITSELF = {
    "immediate": "applies immediately: editing it",
    "at-maintenance-window-start": "applies when the platform's maintenance window starts: that, once it was edited,",
}


def _by_itself(case: Case, policy: Policy, subject: str, keys: list[str]) -> None:
    number = case.fleet.users(policy).number
    message = (
        f"{_BY_ITSELF[policy.applies or '']} restarts {counted(number, 'server')} "
        f"in the middle of whatever {'it does' if number == 1 else 'they do'}"
    )
    hint = "set it to on-start-update-request or on-reset before you edit it"
    case.tally.add("policy-immediate", subject, message, hint, things=keys, evidence={"servers": number})


def _shared(case: Case, policy: Policy, subject: str, keys: list[str]) -> None:
    users = case.fleet.users(policy)
    domains = list(users.servers)
    if users.number > 1:
        case.tally.made("policy sharing")
        places = [place for rows in users.servers.values() for place in rows.values()] if users.number <= 40 else []
        by_domain = [f"{domain} ({len(rows)})" for domain, rows in users.servers.items()]
        message = f"touches {users.number} servers in {counted(len(domains), 'domain')}: {some(by_domain, _MOST_NAMED)}"
        message += f": {', '.join(places)}" if places else ""
        message += "; it is not known where it may apply" if policy.scope is None else ""
        evidence = {"servers": users.servers, "maybe_in": users.maybe, "scope": policy.scope}
        hint = "editing it moves all of them: give the servers of one window a policy of their own"
        case.tally.add("policy-shared", subject, message, hint, things=keys, evidence=evidence)
    elif users.maybe:
        fact = f"the policy of servers in {some(list(users.maybe))}"
        case.tally.lack("policy sharing", subject, "whether other servers share it", fact, things=keys)
    else:
        case.tally.made("policy sharing")


def _lists(case: Case) -> None:
    """Does each list of models know each model of a server?"""
    models: dict[tuple[str, str], list[str]] = {}
    for group in case.groups:
        for like in group.likes if group.server_class is not None else ():
            family, model = group.family, like.reading.model
            if not family or not model or not case.manifest_index.lists_kind(family, like.reading.kind):
                continue  # told elsewhere, or of a kind that the manifest leaves alone
            if not _told_by_rule(case, family, model):
                models.setdefault((family, model), []).extend(like.keys)
    if not models:
        return
    for kind in case.manifest_index.model_lists:
        lists = [component for component in case.state.infrastructure if component.reading.kind == kind]
        if not lists:
            things = dict.fromkeys(key for rows in models.values() for key in rows)
            message = f"whether the {kind} knows the models of the servers"
            fact, hint = f"the {kind}, none is listed", absent(kind)
            case.tally.lack("model list", case.domain, message, fact, hint=hint, things=things)
        for component in lists:
            for (family, model), keys in models.items():
                _list(case, component, family, model, keys)


def absent(kind: str) -> str:
    """What to do where the inventory lists no component of a kind that the platform may not have."""
    return f"load an inventory with it; for a platform without one set [kind.{kind}] none = true in the manifest"


def _told_by_rule(case: Case, family: str, model: str) -> bool:
    """True where a compatible rule says which list the model needs, so that it is judged with the rules."""
    return any(
        need.kind in case.manifest_index.model_lists
        and rule.when.family in (None, family)
        and model in (rule.when.models or ())
        for rule in case.fleet.rules.compatible_rules
        for need in rule.need
    )


def _list(case: Case, component: PlacedComponent, family: str, model: str, keys: list[str]) -> None:
    kind, active = component.reading.kind, component.reading.active
    tally, subject, scale = case.tally, f"{case.domain}: model {model}", case.manifest_index.scale(kind)
    things = [component.key, *keys]
    least = case.manifest_index.first_list(kind, component.reading.model, family, model)
    message = f"whether the {kind} ({component.key}) knows {model}"
    if least is None or not active:
        fact = f"which {kind} knows it: no rule says it, and no release" if active else f"the {kind}'s version"
        hint = "add a compatible rule that names it, with its source" if active else "read it and load it again"
        tally.lack("model list", subject, message, fact, hint=hint, things=things)
        return
    release, version = least
    way = scale.compare(active, version)
    if way is None:
        tally.lack("model list", subject, message, f"the place of {active} in the order of its versions", things=things)
        return
    tally.made("model list")
    if way < 0:
        brings = case.target.offer(component.reading)
        brought = brings is not None and scale.compare(brings.image.version, version) in (0, 1)
        text = f"the {kind} is at {active}; the first release with a bundle for {model}, {release}, has {version}"
        hint = "bring it up first" if brought else f"choose a release whose {kind} knows the model"
        evidence = {"model": model, "list": active, "first": version, "release": release}
        level = Level.WARNING if brought else None
        tally.add("model-unlisted", subject, text, hint, level=level, things=things, evidence=evidence)


def _drivers(case: Case) -> None:
    servers = [server for server in case.state.servers if server.family in (*SERVER_FAMILIES, None)]
    if not servers:
        return
    subject = f"{case.domain}: hosts"
    if case.answer.drivers:
        case.tally.made("drivers", len(servers))
        message = f"the drivers of {counted(len(servers), 'host')} were compared with the adapters' firmware"
        case.tally.add("not-checked", subject, f"{message}, reported by: {case.answer.drivers}", level=Level.NOTE)
        return
    whose = "its" if len(servers) == 1 else "their"
    message = f"whether the drivers of {counted(len(servers), 'host')} go with the new firmware of {whose} adapters"
    hint = "compare them with the release notes: drivers and adapter firmware are supported as pairs"
    case.tally.lack("drivers", subject, message, "the drivers' level", hint=hint, times=len(servers))
