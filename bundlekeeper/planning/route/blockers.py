"""The manifest's rules as a search asks them: which blockers forbid a jump, or two components side by side.

Rules: every answer is a set of blockers, as bits of one integer, so that "allowed" is zero and an explanation can ask
again with fewer of them; the judgement itself is made in `planning.fleet.rules`, here it is only kept by what the
rules can tell apart; a fact that is not known is a blocker too, and so is what the usual order asks for.
"""

from __future__ import annotations

from collections.abc import Hashable
from functools import cache
from typing import TYPE_CHECKING

from bundlekeeper.frozen import dataclass
from bundlekeeper.planning.fleet.domain_state import At
from bundlekeeper.planning.fleet.manifest_index import ImageOffer
from bundlekeeper.planning.fleet.rules import JumpAnswer, RuleAnswer, Rules, SeenVersion

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Compatible, Jump, RuleSubject

PRACTICE = "common practice"


@dataclass(frozen=True, slots=True)
class Blocker:
    """What blocks a route: a rule of the manifest, the usual order, or a fact that is not known.

    `sort` is `jump`, `compatible`, `practice` or `fact`; `source` quotes where the rule comes from.
    """

    sort: str
    source: str
    message: str


@dataclass(frozen=True, slots=True)
class BlockerRow:
    """Which needs of `compatible` rules something meets the condition of, and falls short of: surely, or perhaps."""

    when: int = 0
    short: int = 0
    maybe_when: int = 0
    maybe_short: int = 0

    def __or__(self, other: BlockerRow) -> BlockerRow:
        return BlockerRow(
            self.when | other.when,
            self.short | other.short,
            self.maybe_when | other.maybe_when,
            self.maybe_short | other.maybe_short,
        )

    @property
    def sure(self) -> BlockerRow:
        """Without what is only perhaps so."""
        return BlockerRow(self.when, self.short)


Place = tuple[str, str | None]  # scope and its place; None is not known, and may be any


class BlockerJudge:
    """Keeps what the rules of one manifest say."""

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self.blockers: list[Blocker] = []
        self._places: dict[Hashable, int] = {}
        self._jumps: dict[Hashable, JumpAnswer] = {}
        self._rows: dict[tuple[SeenVersion, str], BlockerRow] = {}
        self._pairs = [(rule, need) for rule in rules.compatible_rules for need in rule.need]
        self._of_scope: dict[str, list[int]] = {
            scope: [n for n, (rule, _) in enumerate(self._pairs) if rule.scope == scope]
            for scope in {rule.scope for rule in rules.compatible_rules}
        }
        self.scopes = frozenset(self._of_scope)
        self._jump_ranges = sorted({text for rule in rules.jumps for text in (rule.to, rule.from_)})
        self._signature = cache(self._signed)
        self._asked = cache(self._asked_of)
        self._image_jump = cache(self._image_way)
        self._bundle_jump = cache(self._bundle_way)
        self._meant = cache(self._meant_by)
        self._in = cache(self._is_in)

    def blocker(self, sort: str, source: str, message: str) -> int:
        """The bit of a blocker; the same for the same words."""
        key = (sort, source, message)
        if key not in self._places:
            self._places[key] = len(self.blockers)
            self.blockers.append(Blocker(sort, source, message))
        return 1 << self._places[key]

    def named(self, mask: int) -> tuple[Blocker, ...]:
        """The blockers of a set, in the order in which they were met."""
        return tuple(b for n, b in enumerate(self.blockers) if mask >> n & 1)

    def _signed(self, kind: str | None, version: str) -> tuple[bool | None, ...]:
        scale = self.rules.manifest_index.scale(kind)
        return tuple(scale.holds(text, version) for text in self._jump_ranges)

    def _asked_of(self, family: str | None, kind: str, model: str | None) -> Hashable:
        """What jump rules see of such components."""
        component = SeenVersion(family, kind, model, None, At((), certain=False))
        return kind, model is None, tuple(self.rules.selects(rule.what, component) for rule in self.rules.jumps)

    def _image_way(self, kind: str, start: str | None, end: str) -> Hashable:
        """What jump rules see of two image versions."""
        way = start and self.rules.manifest_index.scale(kind).compare(start, end)
        return start and self._signature(kind, start), way, self._signature(kind, end)

    def _bundle_way(self, at: At, end: str) -> Hashable:
        """What jump rules see of the bundles that something is at, and of another one."""
        compare = self.rules.manifest_index.scale(None).compare
        rows = tuple(tuple((self._signature(None, v), compare(v, end)) for v in reading) for reading in at.readings)
        return self._signature(None, end), rows, at.certain

    def jump(self, component: SeenVersion, offer: ImageOffer) -> JumpAnswer:
        """`Rules.jump`, asked once for versions that no jump rule distinguishes and that are ordered alike."""
        image, bundle = offer.image.version, offer.bundle.version
        key = (
            self._asked(component.family, component.kind, component.model),
            self._image_jump(component.kind, component.image, image),
            self._bundle_jump(component.at, bundle),
        )
        found = self._jumps.get(key)
        if found is None:
            found = self.rules.jump(component, image, bundle)
            if found.answer is not RuleAnswer.UNKNOWN:  # its words name versions
                self._jumps[key] = found
        return found

    def jump_mask(self, component: SeenVersion, offer: ImageOffer, answer: JumpAnswer) -> int:
        """The blockers of a jump that was judged so; none where it is allowed, or goes up and no rule is about it."""
        name = f"{component.kind} {component.model or '?'}"
        if answer.answer is RuleAnswer.UNKNOWN:
            return self.blocker("fact", "", f"whether {name} may jump: {answer.fact}")
        if answer.answer is not RuleAnswer.REFUSED:
            return 0
        mask = 0
        for rule in answer.rules:
            mask |= self.jump_rule(rule)
        if answer.down:
            message = f"{name} would go down, and no rule allows it"
            mask |= self.blocker("practice", f"{PRACTICE}: down only where a rule allows it", message)
        return mask or self.blocker("fact", "", f"whether {name} may go to {offer.bundle.version}")

    def jump_rule(self, rule: Jump) -> int:
        """The bit of a jump rule."""
        what = " ".join(w for w in (rule.what.kind, " or ".join(rule.what.models or ()), rule.what.family) if w)
        direction = "up or down" if rule.direction == "both" else rule.direction
        return self.blocker(
            "jump",
            rule.source,
            f"{what or 'everything'} goes {direction} to {rule.to} only from {rule.from_}",
        )

    def beside_rule(self, rule: Compatible, need: RuleSubject) -> int:
        """The bit of one need of a `compatible` rule."""
        return self.blocker(
            "compatible", rule.source, f"{_named(rule.when)} requires {_named(need)} in the same {rule.scope}"
        )

    def needs(self, rule: Compatible) -> list[int]:
        """The places of a rule's needs among the bits of a row."""
        return [n for n, (one, _) in enumerate(self._pairs) if one is rule]

    def need(self, place: int) -> RuleSubject:
        """The need at a place."""
        return self._pairs[place][1]

    @property
    def number(self) -> int:
        """How many needs there are: the width of a row, in bits."""
        return len(self._pairs)

    def need_blocker(self, place: int, *, sure: bool) -> int:
        """The bit of a need at a place, or of the fact that it depends on."""
        rule, need = self._pairs[place]
        if sure:
            return self.beside_rule(rule, need)
        return self.blocker("fact", rule.source, f"whether {_named(rule.when)} runs together with {_named(need)}")

    def _meant_by(
        self, scope: str, family: str | None, kind: str, model: str | None
    ) -> list[tuple[int, bool | None, bool | None]]:
        """The needs that are about such components: its place, whether the condition does, and whether the need
        does."""
        component = SeenVersion(family, kind, model, None, At((), certain=False))
        rows = ((n, *self._pairs[n]) for n in self._of_scope.get(scope, ()))
        marks = [
            (n, self.rules.selects(rule.when, component), self.rules.selects(need, component)) for n, rule, need in rows
        ]
        return [mark for mark in marks if mark[1:] != (False, False)]

    def _is_in(self, n: int, wanted: bool, image: str | None, at: At) -> bool | None:
        """`Rules.within` of a need, or of its rule's condition, for a version."""
        rule, need = self._pairs[n]
        return self.rules.within(need if wanted else rule.when, SeenVersion(None, "", None, image, at), wanted=wanted)

    def row(self, component: SeenVersion, scope: str) -> BlockerRow:
        """Which needs of the rules of that scope the component meets the condition of, and falls short of."""
        key = (component, scope)
        if key not in self._rows:
            when = short = maybe_when = maybe_short = 0
            for n, is_meant, is_needed in self._meant(scope, component.family, component.kind, component.model):
                bit = 1 << n
                if is_meant is not False:
                    found = _both(is_meant, self._in(n, False, component.image, component.at))
                    when |= bit * (found is True)
                    maybe_when |= bit * (found is None)
                if is_needed is not False:
                    met = self._in(n, True, component.image, component.at)
                    found = _both(is_needed, None if met is None else not met)
                    short |= bit * (found is True)
                    maybe_short |= bit * (found is None)
            row = BlockerRow(when, short, maybe_when, maybe_short)
            self._rows[key] = row
        return self._rows[key]

    def clash(self, a: BlockerRow, b: BlockerRow) -> int:
        """The blockers of two things in one place: needs that one sets and the other falls short of, or perhaps."""
        sure = (a.when & b.short) | (b.when & a.short)
        perhaps = (a.maybe_when & (b.short | b.maybe_short)) | (b.maybe_when & (a.short | a.maybe_short))
        perhaps |= (a.when & b.maybe_short) | (b.when & a.maybe_short)
        mask = 0
        for n in range(len(self._pairs)) if sure or perhaps else ():
            if sure >> n & 1:
                mask |= self.need_blocker(n, sure=True)
            elif perhaps >> n & 1:
                mask |= self.need_blocker(n, sure=False)
        return mask

    def compatible(self, a: dict[Place, BlockerRow], b: dict[Place, BlockerRow], *, inside: bool = False) -> int:
        """The blockers of two things that stand at those places; `inside` one server also by the rules of its scope."""
        mask = 0
        for place, row in a.items():
            if place[0] == "server" and not inside:
                continue
            if place[1] is None:
                for other, theirs in b.items():
                    if other[0] == place[0]:
                        mask |= self.clash(row, theirs)
                continue
            for other in (place, (place[0], None)):
                if other in b:
                    mask |= self.clash(row, b[other])
        return mask


def _named(what: RuleSubject) -> str:
    words = (what.kind, " or ".join(what.models or ()), what.family, what.version)
    return " ".join(word for word in words if word) or "anything"


def _both(a: bool | None, b: bool | None) -> bool | None:
    if a is False or b is False:
        return False
    return None if a is None or b is None else True
