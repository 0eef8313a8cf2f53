"""A step of servers as real actions in the usual order (common practice, from memory).

Rules: each server's paths and driver level are noted and its workload moved off first, its components are written in
the route's order, and afterwards the host's path count is compared with the one from before and its workload given
back. A component that a policy drives is not written by hand: the policy is edited, and confirmed, or the server
restarted, as it applies. Servers that one policy restarts by itself go together, so that they are one piece; where that
restarts others too, or more of a cluster than may go at a time, the step is refused. A server whose cluster is not
known is worked on alone, and reported; one that is known to be in none is in nobody's way.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.findings import Level, finding
from bundlekeeper.formats.escape import counted, some
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import STAGED_METHODS
from bundlekeeper.planning.fleet.manifest_index import ComponentFacts
from bundlekeeper.planning.windows.infrastructure_actions import (
    LOOK_MINUTES,
    RECORD_MINUTES,
    REMOVE_MINUTES,
    VERIFY_MINUTES,
    WAIT_MINUTES,
    Draft,
    end,
    in_turn,
    preconditions,
    removed,
)
from bundlekeeper.planning.windows.policies import AT_WINDOW, IMMEDIATE, IN_WINDOW, ON_RESET, PolicyUse, use
from bundlekeeper.planning.windows.schedule import WorkPiece
from bundlekeeper.planning.windows.types import NOTHING, Action

if TYPE_CHECKING:
    from bundlekeeper.model.inventory.types import Component
    from bundlekeeper.planning.fleet.domain_state import DomainState, ServerAt
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.types import ComponentChange, ImageRemoval, Step, StepChange

#: Assumed minutes, from memory: none is published.
MOVE_MINUTES, EDIT_MINUTES, CONFIRM_MINUTES, RESTART_MINUTES = 15, 5, 1, 5

SPLIT_HINT = "split the policy first, or let it apply on-start-update-request, so that servers restart a few at a time"
_GET = "they get the image when their update is started or they restart"
_TELL_HINT = "list the policy in the inventory, with versions, applies and scope; write - where there is none"


@dataclass(frozen=True, slots=True)
class Turn:
    """One component of a server that gets an image; `policy` is None where it is not known or none drives it."""

    change: ComponentChange
    component: Component
    key: str
    facts: ComponentFacts
    removals: tuple[ImageRemoval, ...] = ()

    @property
    def by_policy(self) -> bool:
        """True where a policy drives it."""
        return self.facts.applied_by == "policy"


@dataclass(frozen=True, slots=True)
class Host:
    """One server of the step. `cluster` is empty where it is in none, None where that is not known."""

    at: ServerAt
    change: StepChange
    turns: tuple[Turn, ...]
    cluster: str | None

    @property
    def name(self) -> str:
        """The server for people."""
        return f"server {self.at.name}"

    @property
    def policies(self) -> tuple[str, ...]:
        """The names of the policies that drive its moving components."""
        return tuple(
            dict.fromkeys(turn.component.policy for turn in self.turns if turn.by_policy and turn.component.policy)
        )

    def does(self, verb: str, minutes: int, down: str = NOTHING, policy: str = "", note: str = "") -> Action:
        """An action on the server as a whole."""
        return Action(
            verb, self.name, "", "", minutes, True, down, key=self.at.key, cluster=self.cluster or "", policy=policy,
            note=note,
        )  # fmt: skip

    def works(self, turn: Turn, verb: str, minutes: int, *, assumed: bool = True, down: str = NOTHING) -> Action:
        """An action on one component of it."""
        return Action(
            verb, f"{self.name}: {turn.change.kind} {turn.key}", turn.change.kind, turn.change.end, minutes, assumed,
            down, key=turn.key, method=turn.facts.method or "", applied_by=turn.facts.applied_by or "",
            pair=turn.component.pair or "", half=turn.component.half or "", cluster=self.cluster or "",
            policy=turn.component.policy or "",
        )  # fmt: skip


def servers(
    fleet: Fleet, state: DomainState, step: Step, per_cluster: int, draft: Draft, edited: Collection[str] = ()
) -> set[str]:
    """Add the pieces of a step that changes servers; the draft is refused where they may not restart so.

    `edited` are the policies that earlier steps edited; those of this step are returned.
    """
    hosts = tuple(_hosts(fleet, state, step))
    lowered = step.name if step.is_down else ""
    first = draft.add(preconditions(state, hosts=False, down=lowered))
    uses = {u.name: u for u in _uses(fleet, draft.domain, hosts, edited)}
    draft.uses += uses.values()
    before = {name: draft.add(_edited(u, first)) for name, u in uses.items() if u.is_edited_before}
    for group in _groups(hosts, uses):
        _judge(draft, group, uses, per_cluster)
        after = (first, *dict.fromkeys(before[policy] for h in group for policy in h.policies if policy in before))
        lone = any(h.cluster is None for h in group)
        number: dict[str, int] = {}
        for host in group:
            if host.cluster:
                number[host.cluster] = number.get(host.cluster, 0) + 1
        names = some([h.at.name for h in group])
        subject = f"server {names}" if len(group) == 1 else f"servers {names}"
        draft.add(WorkPiece(subject, tuple(_done(group, uses)), after, (), tuple(number.items()), lone))
    _tell(draft, hosts, uses)
    return set(uses)


def _hosts(fleet: Fleet, state: DomainState, step: Step) -> Iterator[Host]:
    known = {s.key: s for s in state.servers}
    for change in step.changes:
        for key in change.servers:
            server = known[key]
            components = {p.key: p.component for p in server.components}
            turns = tuple(
                Turn(
                    component,
                    components[k],
                    k,
                    fleet.manifest_index.facts(component.kind, component.model or None),
                    tuple(removal for removal in step.removals if removal.key == k),
                )
                for component in change.components
                for k in component.keys
                if k in components
            )
            clusters = {p.component.cluster for p in server.components}
            yield Host(server, change, turns, clusters.pop() if len(clusters) == 1 else None)


def _uses(fleet: Fleet, domain: str, hosts: Sequence[Host], edited: Collection[str]) -> Iterator[PolicyUse]:
    wants: dict[str, dict[tuple[int, int], tuple[StepChange, ComponentChange]]] = {}
    for host in hosts:
        for turn in host.turns:
            if turn.by_policy and turn.component.policy:
                rows = wants.setdefault(turn.component.policy, {})
                rows[id(host.change), id(turn.change)] = (host.change, turn.change)
    for name, rows in wants.items():
        yield use(fleet, domain, name, tuple(rows.values()), edited)


def _groups(hosts: Sequence[Host], uses: dict[str, PolicyUse]) -> Iterator[list[Host]]:
    """The hosts that restart together, because a policy that applies by itself touches them all."""
    of: dict[str, list[Host]] = {h.at.key: [h] for h in hosts}
    first: dict[str, Host] = {}
    for host in hosts:
        for name in host.policies:
            other = first.setdefault(name, host)
            if uses[name].restarts_all and of[other.at.key] is not of[host.at.key]:
                of[other.at.key].extend(of[host.at.key])
                for moved in of[host.at.key]:
                    of[moved.at.key] = of[other.at.key]
    yield from {id(group): group for group in of.values()}.values()


def _judge(draft: Draft, group: Sequence[Host], uses: dict[str, PolicyUse], per_cluster: int) -> None:
    """Refuse a group that a policy restarts by itself with others, or too many of one cluster at a time."""
    names = dict.fromkeys(policy for host in group for policy in host.policies if uses[policy].restarts_all)
    own = {(draft.domain, host.at.key) for host in group}
    clusters = [host.cluster for host in group]
    most = max((clusters.count(cluster) for cluster in set(clusters) - {None, ""}), default=0)
    too_many = len(group) > 1 and (most > per_cluster or None in clusters)
    for name in names:
        touched = uses[name]
        applies = _APPLIES.get(touched.applies, "may apply immediately, how it applies is not known")
        code = "policy-immediate" if touched.applies else "not-checked"
        _, others = touched.users.outside(own)
        subject, number = f"policy {name}", counted(len(touched.users), "server")
        if others or too_many:
            draft.refused = True
            reason = f", {others} outside of this piece of work" if others else ", more than may go at a time"
            message = f"{applies}: that restarts {number}{reason}; the step is not planned"
            draft.tell(finding(code, subject, message, SPLIT_HINT, level=Level.ERROR))
        elif len(group) > 1 or not touched.applies:
            message = f"{applies}: that restarts {number} together"
            draft.tell(finding(code, subject, message, SPLIT_HINT, level=Level.WARNING))
        if touched.maybe:
            message = f"{applies}, and may restart servers of {some(touched.maybe)} whose policy is not known"
            draft.tell(finding("not-checked", subject, message, _TELL_HINT, level=Level.ERROR))


def _edited(policy: PolicyUse, first: int) -> WorkPiece:
    """Editing a policy that takes no effect before it is confirmed, or before a server restarts."""
    note = f"to {policy.wanted}; it applies {policy.applies} and touches {counted(len(policy.users), 'server')}"
    action = Action(
        "edit-policy", f"policy {policy.name}", "", "", EDIT_MINUTES, True, key=policy.name, applied_by="policy",
        policy=policy.name, note=note,
    )  # fmt: skip
    return WorkPiece(f"policy {policy.name}", (action,), (first,), (f"policy {policy.name}",))


_APPLIES: dict[str, str] = {
    IMMEDIATE: "applies immediately, when it is edited",
    AT_WINDOW: "applies when the platform's maintenance window starts",
}


def _by_itself(policy: PolicyUse) -> str:
    when = "when the platform's maintenance window starts it " if policy.applies == AT_WINDOW else ""
    return f"to {policy.wanted}; {when}restarts all that it touches, {counted(len(policy.users), 'server')}"


def _done(group: Sequence[Host], uses: dict[str, PolicyUse]) -> Iterator[Action]:
    """All that is done to hosts that go together: side by side, but none is restarted before all are empty."""
    rows: list[Action] = []
    for host in group:
        rows += in_turn([host.does("note-paths", LOOK_MINUTES), host.does("move-workload", MOVE_MINUTES)])
    at = end(rows)
    edited = set()
    for host in group:
        for name in host.policies:
            if uses[name].restarts_all and name not in edited:
                edited.add(name)
                action = host.does("edit-policy", EDIT_MINUTES, policy=name, note=_by_itself(uses[name]))
                rows.append(
                    replace(action, subject=f"policy {name}", key=name, applied_by="policy", start=at, cluster="")
                )
    at = end(rows)
    for name in sorted(name for name in edited if uses[name].applies == AT_WINDOW):
        rows.append(_window(name, at))
    at = end(rows)
    for host in group:
        rows += in_turn(_taken(host, uses), at)
    yield from rows


def _window(policy: str, start: int) -> Action:
    """Starting the platform's own maintenance window, for which a policy waits."""
    return Action(
        "start-window", f"policy {policy}", "", "", EDIT_MINUTES, True, key=policy, applied_by="policy", start=start,
        policy=policy,
    )  # fmt: skip


def _taken(host: Host, uses: dict[str, PolicyUse]) -> Iterator[Action]:
    set_off: set[str | None] = set()
    for turn in host.turns:
        yield from (removed(host.works(turn, "remove", REMOVE_MINUTES), removal) for removal in turn.removals)
    for turn in host.turns:
        if not turn.by_policy:
            yield from _by_operator(host, turn)
            continue
        if turn.component.policy not in set_off:
            set_off.add(turn.component.policy)
            yield from _set_off(host, turn.component.policy, uses)
        minutes, assumed = turn.change.minutes, turn.change.assumed_minutes
        yield host.works(turn, "apply", minutes, assumed=assumed, down="server")  # a policy restarts it
    yield host.does("wait-for-paths", WAIT_MINUTES)
    for turn in host.turns:
        yield host.works(turn, "verify", VERIFY_MINUTES)
    yield host.does("compare-paths", LOOK_MINUTES)
    yield host.does("return-workload", MOVE_MINUTES)
    yield host.does("record", RECORD_MINUTES)


def _set_off(host: Host, policy: str | None, uses: dict[str, PolicyUse]) -> Iterator[Action]:
    """What makes a policy apply to one host; nothing more where its edit did."""
    if policy is None:
        yield host.does("edit-policy", EDIT_MINUTES, note="which policy drives it is not known")
    elif not policy:
        yield host.does("assign-policy", EDIT_MINUTES, note="without one it gets nothing, or a platform default")
    elif uses[policy].restarts_all:
        return
    elif uses[policy].applies in ON_RESET:
        if uses[policy].applies in IN_WINDOW:
            yield host.does("check-window", LOOK_MINUTES, policy=policy)
        yield host.does("restart", RESTART_MINUTES, "server", policy)
    else:
        yield host.does("confirm", CONFIRM_MINUTES, policy=policy)


def _by_operator(host: Host, turn: Turn) -> Iterator[Action]:
    change, down = turn.change, turn.facts.down
    if turn.facts.method in STAGED_METHODS:
        stage = change.minutes // 2
        yield host.works(turn, "stage", stage)
        yield host.works(turn, "activate", change.minutes - stage, down=down)
    else:
        yield host.works(turn, "write", change.minutes, assumed=change.assumed_minutes, down=down)


def _tell(draft: Draft, hosts: Sequence[Host], uses: dict[str, PolicyUse]) -> None:
    """What to know of the servers of a step: clusters, policies, and who drives their components."""
    if lone := [host.at.name for host in hosts if host.cluster is None]:
        message = "its cluster is not known, so it is worked on alone: nor is what takes over its work"
        if len(lone) > 1:
            message = "their clusters are not known, so each is worked on alone: nor is what takes over their work"
        hint = "list the cluster of each component in the inventory; write - where there is none"
        draft.tell(finding("not-checked", _named(lone), message, hint, level=Level.WARNING))
    unknown = [
        host.at.name for host in hosts if any(turn.by_policy and turn.component.policy is None for turn in host.turns)
    ]
    if unknown:
        them, theirs = ("it", "its own") if len(unknown) == 1 else ("them", "their own")
        message = (
            f"which policy drives {them} is not known, nor what else that restarts: planned as if it were {theirs}"
        )
        draft.tell(finding("not-checked", _named(unknown), message, _TELL_HINT, level=Level.ERROR))
    without = [
        host.at.name for host in hosts if any(turn.by_policy and turn.component.policy == "" for turn in host.turns)
    ]
    if without:
        whose = "its turn" if len(without) == 1 else "their turn"
        draft.tell(finding("no-policy", _named(without), f"without a policy: one is assigned when it is {whose}"))
    unsure = dict.fromkeys(turn.change.kind for host in hosts for turn in host.turns if turn.facts.applied_by is None)
    for kind in unsure:
        message = "whether a policy drives it is not known: planned as if an operator did it"
        draft.tell(
            finding(
                "not-checked", kind, message, f"set it in the manifest: [kind.{kind}] applied_by = …", level=Level.ERROR
            )
        )
    own = {(draft.domain, host.at.key) for host in hosts}
    for policy in uses.values():
        number, others = policy.users.outside(own)
        if policy.is_edited_before and others:
            message = f"editing it reaches {counted(number, 'server')} that this step does not: {others}"
            gets = "it gets the image when its update is started or it restarts" if number == 1 else _GET
            hint = f"{gets}: split the policy, or plan {'it' if number == 1 else 'them'} too"
            draft.tell(finding("policy-shared", f"policy {policy.name}", message, hint))
        if policy.is_edited_before and policy.maybe:
            message = f"editing it may reach servers of {some(policy.maybe)} whose policy is not known"
            draft.tell(finding("not-checked", f"policy {policy.name}", message, _TELL_HINT, level=Level.WARNING))


def _named(keys: Sequence[str]) -> str:
    return f"{'server' if len(keys) == 1 else 'servers'} {some(keys)}"


def clusters_of(pieces: Iterable[WorkPiece]) -> frozenset[str]:
    """The clusters that pieces work on."""
    return frozenset(name for piece in pieces for name, _ in piece.clusters)
