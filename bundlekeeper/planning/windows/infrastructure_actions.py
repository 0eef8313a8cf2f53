"""A step of the infrastructure as real actions in the usual order (common practice, from memory).

Rules: preconditions first; going up what may run ahead, then by the turns of the kinds: what takes the manager down
(where it is written over, on the leading half, which brings the following level), all staging, which has no effect yet,
then side by side: the following half of every pair with its switch, every path back and verified, the lead swapped, the
leading half likewise; going down the settings first, then the other way round. A side is one piece, so that no half of
a pair restarts before the other half's side is back. A component whose pair or half is not known may be the other half
of any, so that it is activated when nothing else is, and reported. Once the lead is swapped the half that the inventory
calls following leads, in later steps too, until the next swap.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import human_bytes, some
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import ACTIVE, HALF, HALVES, STAGED_METHODS, Down
from bundlekeeper.planning.fleet.domain_state import stands_alone
from bundlekeeper.planning.fleet.manifest_index import ComponentFacts, ManifestIndex
from bundlekeeper.planning.windows.schedule import WorkPiece
from bundlekeeper.planning.windows.types import NOTHING, Action

if TYPE_CHECKING:
    from bundlekeeper.model.inventory.types import Component
    from bundlekeeper.planning.fleet.domain_state import DomainState
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.route.types import ComponentChange, ImageRemoval, Step
    from bundlekeeper.planning.windows.policies import PolicyUse

#: Assumed minutes, from memory: none is published.
BACKUP_MINUTES, LOOK_MINUTES, SETTINGS_MINUTES = 10, 2, 15
SWAP_MINUTES, WAIT_MINUTES, VERIFY_MINUTES, RECORD_MINUTES, REMOVE_MINUTES = 5, 5, 2, 1, 2

LEADING, FOLLOWING = HALVES
MANAGER: Down = "manager"  # what is down while the manager restarts


class Draft:
    """The pieces of one step while they are made, and what is to be reported of them."""

    def __init__(self, manifest_index: ManifestIndex, domain: str) -> None:
        self.manifest_index = manifest_index
        self.domain = domain
        self.pieces: list[WorkPiece] = []
        self.findings: list[Finding] = []
        self.uses: list[PolicyUse] = []
        self.refused = False  # True where the step cannot be planned; the findings say why

    def add(self, piece: WorkPiece) -> int:
        """Add a piece; its place is what others name in `after`."""
        self.pieces.append(piece)
        return len(self.pieces) - 1

    def tell(self, found: Finding) -> None:
        """Note a finding once."""
        if found not in self.findings:
            self.findings.append(found)


@dataclass(frozen=True, slots=True)
class One:
    """One component that takes an image."""

    change: ComponentChange
    component: Component
    key: str
    facts: ComponentFacts
    removals: tuple[ImageRemoval, ...] = ()

    @property
    def name(self) -> str:
        """The component for people."""
        return f"{self.change.kind} {self.key}"

    def does(self, verb: str, minutes: int, *, assumed: bool = True, down: str = NOTHING, note: str = "") -> Action:
        """An action on this component."""
        return Action(
            verb, self.name, self.change.kind, self.change.end, minutes, assumed, down, key=self.key,
            method=self.facts.method or "", applied_by=self.facts.applied_by or "", pair=self.component.pair or "",
            half=self.component.half or "", cluster=self.component.cluster or "",
            policy=self.component.policy or "", note=note,
        )  # fmt: skip

    @property
    def is_staged(self) -> bool:
        """True where the image is brought there before it takes effect."""
        return self.facts.method in STAGED_METHODS

    def stage(self) -> list[Action]:
        """Making space, and bringing the image there, where that is done beforehand: half of its minutes, assumed."""
        plain = self.does("remove", REMOVE_MINUTES)
        staged = [self.does("stage", self.change.minutes // 2)] if self.is_staged else []
        return [*(removed(plain, removal) for removal in self.removals), *staged]

    def take(self) -> Action:
        """What takes the component down: activation of what is staged, else the writing itself."""
        if self.is_staged:
            return self.does("activate", self.change.minutes - self.change.minutes // 2, down=self.facts.down)
        assumed = self.change.assumed_minutes
        return self.does("write", self.change.minutes, assumed=assumed, down=self.facts.down)


def removed(action: Action, removal: ImageRemoval) -> Action:
    """The action as the removal of one image file."""
    note = f"from {removal.partition}, gives back {human_bytes(removal.size_bytes)}"
    return replace(action, version=removal.version, note=note)


def in_turn(actions: Iterable[Action], start: int = 0) -> Iterator[Action]:
    """The actions one after the other from that minute."""
    for action in actions:
        yield replace(action, start=start)
        start += action.minutes


def at_once(actions: Iterable[Action], start: int) -> Iterator[Action]:
    """The actions side by side from that minute."""
    return (replace(action, start=start) for action in actions)


def end(actions: Iterable[Action]) -> int:
    """The minute at which the last of them ends."""
    return max((action.end for action in actions), default=0)


def preconditions(state: DomainState, *, hosts: bool, down: str) -> WorkPiece:
    """What common practice asks for before anything; `down` is the version of a step that goes down, else empty."""
    domain = state.domain
    rows = [("check-backup", BACKUP_MINUTES)]
    rows += [("check-pairs", LOOK_MINUTES)] if state.pairs else []
    rows += [(verb, LOOK_MINUTES) for verb in ("check-faults", "check-paths")]
    rows += [("note-paths", LOOK_MINUTES)] if hosts else []
    actions = [Action(verb, f"domain {domain}", "", "", minutes, assumed=True, key=domain) for verb, minutes in rows]
    if down:
        message = f"domain {domain}"
        actions.append(Action("remove-settings", message, "", down, SETTINGS_MINUTES, assumed=True, key=domain))
    return WorkPiece(f"preconditions of {domain}", tuple(in_turn(actions)))


@dataclass(frozen=True, slots=True)
class Lead:
    """Which halves lead: as the inventory says where `since` is 0, the others since that step swapped the lead."""

    since: int = 0

    @property
    def leading(self) -> str:
        """What the inventory calls the half that leads now."""
        return FOLLOWING if self.since else LEADING

    @property
    def following(self) -> str:
        """What the inventory calls the half that follows now."""
        return LEADING if self.since else FOLLOWING

    def swapped(self, step: int) -> Lead:
        """After a swap in that step."""
        return Lead(0 if self.since else step)

    def note(self, half: str | None) -> str:
        """For people, where a half is not what the inventory calls it; empty else."""
        if not self.since or half is None:
            return ""
        return f"{'leads' if half == self.leading else 'follows'} since step {self.since} swapped the lead"


def infrastructure(fleet: Fleet, state: DomainState, step: Step, draft: Draft, lead: Lead) -> Lead:
    """Add the pieces of a step that changes the infrastructure; the answer is which halves lead after it."""
    ones = tuple(_ones(fleet, state, step))
    for one in ones:
        if one.facts.method is None:
            message = "how it takes its image is not known: planned as if it were written straight over"
            draft.tell(
                finding(
                    "not-checked", one.name, message, f"set it in the manifest: [kind.{one.change.kind}] method = …"
                )
            )
    _healthy(state, ones, draft)
    lowered = step.changes[0].version if step.is_down else ""
    ready = [draft.add(preconditions(state, hosts=True, down=lowered))]
    if ahead := [component for component in ones if component.facts.ahead]:
        ready = [draft.add(_written(one, ready)) for one in ahead]
    for turn in sorted({component.facts.turn for component in ones if not component.facts.ahead}, reverse=step.is_down):
        mine = [component for component in ones if component.facts.turn == turn and not component.facts.ahead]
        managers = [component for component in mine if component.facts.down == MANAGER]
        rest = [component for component in mine if component not in managers]
        if not step.is_down:
            ready = _managers(state, managers, draft, ready, lead)
        ready, lead = _sides(state, rest, draft, ready, lead, step.number)
        if step.is_down:
            ready = _managers(state, managers, draft, ready, lead)
    return lead


def _healthy(state: DomainState, ones: Sequence[One], draft: Draft) -> None:
    """Report pairs that are not healthy: restarting the half that is would take both down."""
    moving = {
        (component.component.kind, component.component.pair) for component in ones if component.facts.down != NOTHING
    }
    for pair in state.pairs:
        if (pair.kind, pair.name) not in moving:
            continue
        name = f"{draft.domain}: {pair.kind} pair {pair.name}"
        ill = [component.key for component in pair.halves if component.component.healthy is False]
        unknown = [component.key for component in pair.halves if component.component.healthy is None]
        if len(pair.halves) < 2:
            message = "its other half is not listed: nothing is planned for it, and nothing is known of it"
            hint = "load an inventory with both halves, or write pair - where it has no second half"
            draft.tell(finding("not-checked", name, message, hint, level=Level.WARNING))
        if ill:
            message = f"{some(ill)} is not healthy: with the other half restarting, nothing is left of the pair"
            draft.tell(finding("pair-unhealthy", name, message, "fix it before the window"))
        elif unknown:
            message = f"whether {some(unknown)} is healthy is not known"
            hint = "look before the window, and load an inventory that says it"
            draft.tell(finding("not-checked", name, message, hint, level=Level.WARNING))


def _ones(fleet: Fleet, state: DomainState, step: Step) -> Iterator[One]:
    components = {p.key: p.component for p in state.infrastructure}
    for change in step.changes:
        for component in change.components:
            facts = fleet.manifest_index.facts(component.kind, component.model or None)
            for key in component.keys:
                removals = tuple(removal for removal in step.removals if removal.key == key)
                yield One(component, components[key], key, facts, removals)


def _checked(ones: Sequence[One]) -> list[Action]:
    return [one.does("verify", VERIFY_MINUTES) for one in ones] + [one.does("record", RECORD_MINUTES) for one in ones]


def _written(one: One, after: Sequence[int]) -> WorkPiece:
    return WorkPiece(one.name, tuple(in_turn([*one.stage(), one.take(), *_checked([one])])), tuple(after))


def _managers(
    state: DomainState, managers: Sequence[One], draft: Draft, after: list[int], lead: Lead
) -> list[int]:  # fmt: skip
    """The managers, pair by pair; what comes after them waits for the places that are returned."""
    groups: dict[str, list[One]] = {}
    for one in managers:
        groups.setdefault(one.component.pair or one.key, []).append(one)
    unsure = [component for component in managers if side(draft.manifest_index, state, component.component) is None]
    if unsure:
        message = "which half leads is not known: write on the leading half, which brings the following half level"
        draft.tell(_unsure(unsure, message))
    for name, ones in groups.items():
        ones.sort(key=lambda o: (o.component.half != lead.leading, o.key))
        if all(component.facts.over == ACTIVE for component in ones):
            piece = _manager(ones, lead, known=not any(component in unsure for component in ones))
            after = [draft.add(replace(piece, after=tuple(after), locks=("manager",)))]
            continue
        for one in reversed(ones):  # the following half first
            swap = _swap([one], lead) if one.component.pair and one.component.half != lead.following else []
            steps = [*one.stage(), *swap, one.take(), _answering(name, one), *_checked([one])]
            after = [draft.add(WorkPiece(one.name, tuple(in_turn(steps)), tuple(after), ("manager",)))]
    return after


def _answering(name: str, one: One) -> Action:
    return replace(one.does("wait-for-manager", WAIT_MINUTES), subject=f"{one.change.kind} {name}", version="", half="")


def _manager(ones: Sequence[One], lead: Lead, *, known: bool) -> WorkPiece:
    """One manager: written on the leading half, which then brings the following half level."""
    actions = [action for one in ones for action in one.stage()]
    for n, one in enumerate(ones):
        takes = one.take()
        level = n > 0 or (known and one.component.half == lead.following)
        note = lead.note(one.component.half) if known else "on the half that leads; which one leads is not known"
        actions.append(replace(takes, verb="level" if level else "write", note=note))
    name = ones[0].component.pair or ones[0].key
    return WorkPiece(
        f"{ones[0].change.kind} {name}", tuple(in_turn([*actions, _answering(name, ones[0]), *_checked(ones)]))
    )


def side(manifest_index: ManifestIndex, state: DomainState, component: Component) -> str | None:
    """The half that a component is known to be, empty for one that is known to have no second half, None where it is
    not known.

    A pair whose halves contradict each other, or of which a half is not known to be one, is not known; nor is one whose
    halves are in two chassis, since neither takes over for what is in the other's.
    """
    if stands_alone(manifest_index, state, component):
        return ""
    if component.pair is None or component.half is None:
        return None
    pair = next(p for p in state.pairs if (p.kind, p.name) == (component.kind, component.pair))
    halves = [h.component.half for h in pair.halves]
    agree = len(halves) <= 2 and halves.count(component.half) == 1 and None not in halves
    return component.half if agree and len(pair.chassis) < 2 else None


def _sides(
    state: DomainState, ones: Sequence[One], draft: Draft, ready: list[int], lead: Lead, step: int
) -> tuple[list[int], Lead]:  # fmt: skip
    """Stage everything, then the following side, the leading side, and each component of which the side is not
    known."""
    staged = {
        component.key: draft.add(WorkPiece(component.name, tuple(in_turn(component.stage())), tuple(ready)))
        for component in ones
        if component.is_staged
    }
    of = {one.key: side(draft.manifest_index, state, one.component) for one in ones}
    last, now = ready, lead
    for half in (lead.following, lead.leading):
        if rows := [component for component in ones if of[component.key] == half]:
            swap = (
                _swap([component for component in rows if component.facts.down == HALF], lead)
                if half == lead.leading
                else []
            )
            now = lead.swapped(step) if swap else lead
            name = f"the {half} side of {draft.domain}"
            last = [draft.add(_restarted(name, rows, swap, last, staged, lead.note(half)))]
    for one in sorted((component for component in ones if not of[component.key]), key=lambda o: (o.change.kind, o.key)):
        swap = _swap([one], lead) if one.facts.down == HALF and of[one.key] is None else []
        last = [draft.add(_restarted(one.name, [one], swap, last, staged))]
    unsure = [component for component in ones if of[component.key] is None and component.facts.down != NOTHING]
    if unsure:
        message = "its pair or half is not known, so it is activated alone: any like component may be its other half"
        draft.tell(_unsure(unsure, message))
    return last, now


def _unsure(ones: Sequence[One], message: str) -> Finding:
    hint = "give it pair and half in the inventory, or pair - where it has no second half"
    return finding("not-checked", some([component.name for component in ones]), message, hint, level=Level.WARNING)


def _swap(switches: Sequence[One], lead: Lead) -> list[Action]:
    """Swapping the lead of each pair before the half that leads restarts."""
    rows = []
    for one in switches:
        note = (
            lead.note(one.component.half)
            if one.component.half == lead.leading
            else "if it leads: whether it does is not known"
        )
        rows.append(replace(one.does("swap-lead", SWAP_MINUTES, note=note), version=""))
    return rows


def _restarted(
    subject: str,
    ones: Sequence[One],
    swap: Sequence[Action],
    after: Sequence[int],
    staged: dict[str, int],
    note: str = "",
) -> WorkPiece:
    """Components of one side that restart together, until every path is back and all is verified."""
    actions = list(at_once(swap, 0))
    actions += at_once([replace(component.take(), note=note) for component in ones], end(actions))
    halves = {component.component.half for component in ones}
    half = (halves.pop() or "") if len(halves) == 1 else ""
    waiting = Action("wait-for-paths", subject, "", "", WAIT_MINUTES, assumed=True, half=half)
    actions += at_once([waiting], end(actions))
    actions += at_once([component.does("verify", VERIFY_MINUTES) for component in ones], end(actions))
    actions += at_once([component.does("record", RECORD_MINUTES) for component in ones], end(actions))
    before = dict.fromkeys((*after, *(staged[component.key] for component in ones if component.key in staged)))
    return WorkPiece(subject, tuple(actions), tuple(before), ("paths",))
