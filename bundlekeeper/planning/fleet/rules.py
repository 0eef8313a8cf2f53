"""A manifest's rules, asked of components as they are: what may follow what, and what must run together.

Rules: a rule that names a kind is about image versions in that kind's order, any other about bundle versions, and never
about a kind that may run ahead of everything. All matching jumps must hold; with none, going up is unstated (but for
what may run ahead, which is at no risk) and going down is refused. `compatible` applies in every state to every pair of
components in its scope. A component that is at several bundles runs bytes that belong to each of them, so it meets a
rule when one of them does; a mixed server must meet it at its lowest and at its highest bundle, but for a jump to one
of them, which is a jump from the other: half of the server has made it. An answer that depends on a fact that is not
known is UNKNOWN and names the fact; what is refused without that fact stays so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Generic, TypeVar

from bundlekeeper.frozen import dataclass
from bundlekeeper.planning.fleet.domain_state import At, ComponentReading
from bundlekeeper.planning.fleet.manifest_index import ManifestIndex

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Compatible, Jump, JumpWhat, RuleSubject

Tag = TypeVar("Tag")


class RuleAnswer(StrEnum):
    """What the rules say of a jump, best first."""

    ALLOWED = "allowed"
    UNSTATED = "unstated"  # no rule speaks about it, and it goes up
    UNKNOWN = "unknown"  # a fact is not known
    REFUSED = "refused"


_ORDER = list(RuleAnswer)


@dataclass(frozen=True, slots=True)
class SeenVersion:
    """One component, or many like it, as rules see it. `image` is the version it runs, `at` its server's or its own."""

    family: str | None
    kind: str
    model: str | None
    image: str | None
    at: At


@dataclass(frozen=True, slots=True)
class JumpAnswer:
    """What the rules say of one jump.

    `rules` are those that refuse it, or else those that it met; `fact` is what was not known; `down` says whether the
    image or the bundle version goes down, None where it is not known.
    """

    answer: RuleAnswer
    rules: tuple[Jump, ...] = ()
    fact: str = ""
    down: bool | None = False


def seen(reading: ComponentReading, at: At | None = None) -> SeenVersion:
    """A component as rules see it; `at` is its server's, without it the component is on its own."""
    if at is None:
        at = At((reading.bundles,), certain=True) if reading.bundles else At((), certain=False)
    return SeenVersion(reading.family, reading.kind, reading.model, reading.active or None, at)


class Rules:
    """The jump rules and the compatible rules of one manifest."""

    def __init__(self, manifest_index: ManifestIndex) -> None:
        self.manifest_index = manifest_index
        self.jumps = manifest_index.manifest.jump
        self.compatible_rules = manifest_index.manifest.compatible
        self._answers: dict[tuple[SeenVersion, str, str], JumpAnswer] = {}
        self._about = cache(self._selected)

    def jump(self, component: SeenVersion, to_image: str, to_bundle: str) -> JumpAnswer:
        """Whether the component may go from what it runs to that image of that bundle, in one step."""
        key = (component, to_image, to_bundle)
        if key not in self._answers:
            self._answers[key] = self._judged(component, to_image, to_bundle)
        return self._answers[key]

    def _judged(self, component: SeenVersion, to_image: str, to_bundle: str) -> JumpAnswer:
        if not component.at.readings:
            return self._from(component, None, to_image, to_bundle)
        same = self.manifest_index.scale(None).same
        others = [row for row in component.at.readings if not any(same(version, to_bundle) for version in row)]
        of_readings = [
            min((self._from(component, version, to_image, to_bundle) for version in reading), key=_badness)
            for reading in others or component.at.readings
        ]
        worst = max(of_readings, key=_badness)
        if not component.at.certain and worst.answer in (RuleAnswer.ALLOWED, RuleAnswer.UNSTATED):
            return JumpAnswer(RuleAnswer.UNKNOWN, fact="the bundle that another component of it is at", down=worst.down)
        return worst

    def _from(self, component: SeenVersion, bundle: str | None, to_image: str, to_bundle: str) -> JumpAnswer:
        """The answer for one bundle version that the component is at; None where that is not known."""
        broken: list[Jump] = []
        met: list[Jump] = []
        facts: dict[str, None] = {}
        for rule, meant in self._about(component.family, component.kind, component.model):
            versions = (component.image, to_image) if rule.what.kind else (bundle, to_bundle)
            found = self._rule(rule, component, versions, sure=meant)
            if isinstance(found, str):
                facts[found] = None
            elif found is not None:
                (met if found else broken).append(rule)
        down = self._down(component, bundle, to_image, to_bundle)
        if broken:
            return JumpAnswer(RuleAnswer.REFUSED, tuple(broken), down=down)
        if down is None and not met and not facts:
            facts["its place in the order of versions"] = None
        if facts:
            return JumpAnswer(RuleAnswer.UNKNOWN, fact=", ".join(facts), down=down)
        if met or (down is False and self.manifest_index.facts(component.kind, component.model).ahead):
            return JumpAnswer(RuleAnswer.ALLOWED, tuple(met), down=down)
        return JumpAnswer(RuleAnswer.REFUSED if down else RuleAnswer.UNSTATED, down=down)

    def _selected(self, family: str | None, kind: str, model: str | None) -> list[tuple[Jump, bool]]:
        """The jump rules that may be about such components, each with whether it surely is."""
        component = SeenVersion(family, kind, model, None, At((), certain=False))
        judged = [(rule, self.selects(rule.what, component)) for rule in self.jumps]
        return [(rule, meant is True) for rule, meant in judged if meant is not False]

    def _rule(
        self, rule: Jump, component: SeenVersion, versions: tuple[str | None, str], *, sure: bool
    ) -> bool | str | None:
        """True where the rule is met, False where it refuses, None where it is not about these versions, else the
        missing fact; `sure` says that it is about such a component."""
        scale = self.manifest_index.scale(rule.what.kind)
        start, end = versions
        if scale.holds(rule.to, end) is False:
            return None
        if not sure:
            return "the model" if component.model is None else "the family"
        if start is None:
            return "the running version" if rule.what.kind else "the bundle that it is at"
        way = scale.compare(start, end)
        if way is None:
            return f"the place of {start} in {scale.name} order"
        if way == 0 or rule.direction == ("down" if way < 0 else "up"):
            return None
        met = scale.holds(rule.from_, start)
        return met if met is not None else f"whether {start} is {rule.from_}"

    def _down(self, component: SeenVersion, bundle: str | None, to_image: str, to_bundle: str) -> bool | None:
        image_way = (
            self.manifest_index.scale(component.kind).compare(component.image, to_image) if component.image else None
        )
        bundle_way = self.manifest_index.scale(None).compare(bundle, to_bundle) if bundle else None
        if image_way == 1 or bundle_way == 1:
            return True
        return None if image_way is None or bundle_way is None else False

    def selects(self, what: RuleSubject | JumpWhat, component: SeenVersion) -> bool | None:
        """Whether a rule's selection means the component, whatever its version; None where that is not known."""
        if what.kind is None and self.manifest_index.facts(component.kind, component.model).ahead:
            return False
        return _selects(what, component)

    def within(self, what: RuleSubject, component: SeenVersion, *, wanted: bool) -> bool | None:
        """Whether the component's version is in the range of `what`; None where that is not known.

        `wanted` says how a component at several bundles is read: True asks whether it can be read as inside (a need),
        False whether it can only be read so (the condition of a rule).
        """
        if what.version is None:
            return True
        scale = self.manifest_index.scale(what.kind)
        if what.kind is not None:
            return scale.holds(what.version, component.image) if component.image is not None else None
        inside = [[scale.holds(what.version, v) for v in reading] for reading in component.at.readings]
        if any(None in row for row in inside):
            return None
        if wanted:
            met = all(any(row) for row in inside)
            return met if component.at.certain or not met else None
        met = any(all(row) for row in inside)
        return met if component.at.certain or met else None


def _badness(answer: JumpAnswer) -> tuple[int, bool]:
    return (_ORDER.index(answer.answer), answer.down is not False)


def _selects(what: RuleSubject | JumpWhat, component: SeenVersion) -> bool | None:
    if what.kind is not None and what.kind != component.kind:
        return False
    sure = True
    for asked, found in ((what.family and (what.family,), component.family), (what.models, component.model)):
        if not asked:
            continue
        if found is None:
            sure = False
        elif found not in asked:
            return False
    return True if sure else None


@dataclass(frozen=True, slots=True)
class Breach(Generic[Tag]):
    """One need of one rule that is not met among the components of one scope, or not known to be met.

    Refused when there are both `whens` (the rule is about them) and `shorts` (they fall short of the need). The
    `maybe_` ones could, for a fact that is not known; they matter when the other side has some of either.
    """

    rule: Compatible
    need: RuleSubject
    whens: tuple[Tag, ...]
    shorts: tuple[Tag, ...]
    maybe_whens: tuple[Tag, ...]
    maybe_shorts: tuple[Tag, ...]

    @property
    def refused(self) -> bool:
        """True where two of the components may not run together, whatever is not known."""
        return bool(self.whens and self.shorts)

    @property
    def unknown(self) -> bool:
        """True where it is not known whether some two components may run together."""
        return bool(self.maybe_whens and (self.shorts or self.maybe_shorts)) or bool(self.whens and self.maybe_shorts)


def breaches(rules: Rules, scope: str, components: Iterable[tuple[SeenVersion, Tag]]) -> Iterator[Breach[Tag]]:
    """Every need of the rules of that scope that some components of one group do not meet, or may not meet.

    `components` are those of one server, pair, chassis or domain; like ones may be given once, with a tag for all of
    them.
    """
    rows: Sequence[tuple[SeenVersion, Tag]] = tuple(components)
    for rule in rules.compatible_rules:
        if rule.scope != scope:
            continue
        whens = [(tag, _both(rules.selects(rule.when, s), rules.within(rule.when, s, wanted=False))) for s, tag in rows]
        if all(found is False for _, found in whens):
            continue
        for need in rule.need:
            shorts = [
                (tag, _both(rules.selects(need, s), _negated(rules.within(need, s, wanted=True)))) for s, tag in rows
            ]
            breach = Breach(rule, need, *_sure(whens, shorts, True), *_sure(whens, shorts, None))
            if breach.refused or breach.unknown:
                yield breach


def _both(a: bool | None, b: bool | None) -> bool | None:
    if a is False or b is False:
        return False
    return None if a is None or b is None else True


def _negated(a: bool | None) -> bool | None:
    return None if a is None else not a


def _sure(
    whens: list[tuple[Tag, bool | None]], shorts: list[tuple[Tag, bool | None]], value: bool | None
) -> tuple[tuple[Tag, ...], tuple[Tag, ...]]:
    return tuple(t for t, found in whens if found is value), tuple(t for t, found in shorts if found is value)
