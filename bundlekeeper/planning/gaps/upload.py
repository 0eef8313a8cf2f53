"""Everything that is against bringing one bundle to one component over its management service, now.

Rules: the checks are those of gaps, asked of this one change: the bundle, the component's jump, its space, its way
back, its pair, what may run beside it once it is activated, the policies of its server; what was not known is reported
as in gaps, so that it refuses; a finding that is about other components only is left out. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.model.vocabulary import INFRASTRUCTURE
from bundlekeeper.planning.fleet.domain_state import DomainState, PlacedComponent, ServerAt
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.rules import breaches, seen
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.planning.fleet.target import ReleaseTarget, TargetChoice
from bundlekeeper.planning.gaps.components import check_components
from bundlekeeper.planning.gaps.mix import check_today, refusal, unsure
from bundlekeeper.planning.gaps.pairs import check_pairs
from bundlekeeper.planning.gaps.question import Case, GapAnswer, GapGroup, Like, component_name, groups_of
from bundlekeeper.planning.gaps.recorded import scopes_with
from bundlekeeper.planning.gaps.report import Gap, Tally
from bundlekeeper.planning.gaps.space import check_room
from bundlekeeper.planning.gaps.supply import check_supply

if TYPE_CHECKING:
    from bundlekeeper.model.inventory.types import Policy
    from bundlekeeper.model.manifest.types import Bundle


@dataclass(frozen=True, slots=True)
class UploadChange:
    """One bundle that is to be brought to one component; `activates` where it is to be started as well."""

    component: str
    bundle: Bundle
    activates: bool = False


@dataclass(frozen=True, slots=True)
class JudgedUpload:
    """`version` is the image's, "" where the bundle has none for it; `effect` is what is down once that starts."""

    version: str
    effect: str
    method: str
    findings: tuple[Finding, ...]


def judge_upload(fleet: Fleet, domain: str, change: UploadChange, holdings: Holdings, now: datetime) -> JudgedUpload:
    """What is against one change, worst first as it was found. `now` is aware. Raises InputError for no such domain."""
    state = fleet.state(domain)
    component = next(component for component in state.components if component.key == change.component)
    server = next((server for server in state.servers if component in server.components), None)
    index, reading = fleet.manifest_index, component.reading
    facts = index.facts(reading.kind, reading.model)
    name = component_name(component)
    found = list(_taken(name, component, change, fleet))
    if found:  # it is not for this command, whatever else is the case
        return JudgedUpload("", facts.effect, facts.method or "", tuple(found))
    case = _case(fleet, state, component, server, change.bundle, holdings, now)
    for check in (check_supply, check_components, check_room):
        check(case)
    gaps = [gap for gap in case.tally.report(domain, "").gaps if not _is_expiry(gap)]
    whole = replace(case, tally=Tally(), groups=groups_of(fleet, state, case.target))
    check_pairs(whole)
    check_today(whole)
    gaps += [gap for gap in whole.tally.report(domain, "").gaps if component.key in gap.things]
    found += [gap.finding for gap in gaps]
    offer = case.target.offer(reading)
    version = offer.image.version if offer is not None and offer.bundle.version == change.bundle.version else ""
    if offer is None or not version:
        message = (
            f"{change.bundle.family} {change.bundle.version} has no image of {reading.kind} for {reading.model or '?'}"
        )
        found.append(finding("model-unsupported", name, message, "choose a bundle that has one"))
    else:
        if not case.groups[0].likes[0].moves:
            found.append(finding("no-change", name, f"it runs {reading.active} already", "nothing is to be brought"))
        found += _mixes(fleet, state, component, version)
    found += _policies(fleet, domain, component, server, change.bundle, version)
    return JudgedUpload(version, facts.effect, facts.method or "", tuple(dict.fromkeys(found)))


def _is_expiry(gap: Gap) -> bool:
    """That a manifest has no expiry date is about the manifest, not about this change."""
    return gap.evidence.get("check") == "expiry"


def _taken(name: str, component: PlacedComponent, change: UploadChange, fleet: Fleet) -> Iterator[Finding]:
    """Why the component's service is not sent a bundle's file at all."""
    kind = component.reading.kind
    facts = fleet.manifest_index.facts(kind, component.reading.model)
    if not facts.upload:
        message = f"the table of kinds does not say that the service of {kind} takes a bundle's file as it is"
        hint = f"only where the release notes say so: [kind.{kind}] upload = true in the manifest"
        yield finding("not-for-upload", name, message, hint)
    if facts.applied_by != "operator":
        whose = "goes by policy" if facts.applied_by == "policy" else "is applied by nobody knows whom"
        hint = (
            "the server's policy brings it: nothing else may"
            if facts.applied_by == "policy"
            else f"[kind.{kind}] applied_by"
        )
        yield finding("not-for-upload", name, f"the kind {kind} {whose}", hint)
    if facts.method is None or (facts.method and not change.activates and not _has_a_bank(facts.method)):
        message = f"the kind {kind} is overwritten in place: it has no bank to stage into"
        message = message if facts.method else f"how {kind} is written is not known"
        yield finding("not-for-upload", name, message, "bring it by hand in its window, and record its activation")


def _has_a_bank(method: str) -> bool:
    from bundlekeeper.model.record_rules import can_be_staged

    return can_be_staged(method)


def _case(
    fleet: Fleet,
    state: DomainState,
    component: PlacedComponent,
    server: ServerAt | None,
    bundle: Bundle,
    holdings: Holdings,
    now: datetime,
) -> Case:
    """The question of gaps about this one component, with this bundle as the only target."""
    from bundlekeeper.model.manifest.types import Release

    index, reading = fleet.manifest_index, component.reading
    choice = TargetChoice(
        bundle.family, reading.variant, bundle.version, bundle, index.chain(bundle), (bundle.version,)
    )
    name = f"{bundle.family} {bundle.version}"
    target = ReleaseTarget(index, Release(name=name), {(bundle.family, reading.variant): choice})
    offer = target.offer(reading)
    at = server.server_class.at if server is not None else None
    moves = offer is not None and not fleet.reader.is_at(reading, offer)
    after = fleet.reader.then(reading, offer.image.version) if offer is not None else reading
    like = Like(reading, seen(reading, at), (component,), offer, moves, seen(after))
    group = GapGroup(
        component_name(component),
        server.family if server is not None else INFRASTRUCTURE,
        (like,),
        server.server_class if server is not None else None,
        (server,) if server is not None else (),
    )
    return Case(fleet, state, target, holdings, now, GapAnswer(), Tally(), (group,))


def _mixes(fleet: Fleet, state: DomainState, component: PlacedComponent, version: str) -> Iterator[Finding]:
    """What the component may not run beside, once it is activated with everything else that is staged."""
    staged = {other.key: other.component.staged for other in state.components if other.component.staged}
    hint = "look for an order in which every state between is allowed: bundlekeeper route"
    for runs in ({component.key: version}, staged | {component.key: version}):
        for (scope, place), rows in scopes_with(fleet, state, runs).items():
            for breach in breaches(fleet.rules, scope, [(one, tuple(parts)) for one, parts in rows.items()]):
                sides = (breach.whens, breach.shorts, breach.maybe_whens, breach.maybe_shorts)
                if not any(part.key == component.key for side in sides for row in side for part in row):
                    continue
                if breach.refused:
                    yield finding("mix-refused", place, f"once activated, {refusal(breach)}", hint)
                else:
                    message = f"whether the rule of {breach.rule.source} holds once it is activated"
                    fact = f"{message} (not known: {unsure(breach)})"
                    yield finding("not-checked", place, fact, "read it and load it again")


def _policies(
    fleet: Fleet, domain: str, component: PlacedComponent, server: ServerAt | None, bundle: Bundle, version: str
) -> Iterator[Finding]:
    """Policies of the component's server that would bring it another version again."""
    components = server.components if server is not None else (component,)
    names = dict.fromkeys(one.component.policy for one in components if one.component.policy)
    for name in names:
        subject = f"{domain}: policy {name}"
        policies = fleet.policies(name, domain)
        if not policies or any(policy.versions is None for policy in policies):
            message = "whether it names another version (not known: its versions)"
            yield finding("not-checked", subject, message, "list its versions under [[policy]]")
        for policy in policies:
            named = _named(fleet, policy, component.reading.kind, bundle, version)
            if named:
                message = f"names {named} for {component.key}, and would bring that again"
                yield finding("policy-differs", subject, message, "change the policy, or leave the component to it")


def _named(fleet: Fleet, policy: Policy, kind: str, bundle: Bundle, version: str) -> str:
    """The other version that a policy names for a kind; "" where it names none, or this one."""
    versions: Mapping[str, str] = policy.versions or {}
    if kind in versions:
        return "" if fleet.manifest_index.scale(kind).same(versions[kind], version) else versions[kind]
    other = versions.get(bundle.family, "")
    return "" if not other or fleet.manifest_index.scale(None).same(other, bundle.version) else other


def levelled(found: Finding, judged: Finding, counting: frozenset[str]) -> Finding:
    """A finding as it counts here: one that was accepted only where its code is among `counting`. Raises nothing."""
    return judged if judged.level is not Level.NOTE or found.code in counting else found
