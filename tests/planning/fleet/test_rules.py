"""Jumps and mixes, by examples and against naive readings of the handbook's sentences."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.planning.fleet.domain_state import At
from bundlekeeper.planning.fleet.manifest_index import ManifestIndex
from bundlekeeper.planning.fleet.rules import RuleAnswer, Rules, SeenVersion, breaches
from tests.kits.planning_kit import bundle, image, manifest

_TOP = 5
_FAMILIES = ("infrastructure", "blade")
_MODELS = {"infrastructure": "Reed-40", "blade": "Tern-2"}
_KIND = {"infrastructure": "io-module", "blade": "bios"}


def _rules(**more: Any) -> Rules:
    rows = [bundle(f, str(v), image(_KIND[f], _MODELS[f], f"{v}.0")) for f in _FAMILIES for v in range(1, _TOP + 1)]
    return Rules(ManifestIndex(manifest(*rows, **more)))


def _seen(family: str, version: int | None, *others: int) -> SeenVersion:
    """A part of the family at these bundles, running the image of the first."""
    at = At((tuple(str(v) for v in (version, *others)),), certain=True) if version else At((), certain=False)
    return SeenVersion(family, _KIND[family], _MODELS[family], f"{version}.0" if version else None, at)


@dataclass(frozen=True)
class _Span:
    """A range of whole versions, as text and as a set."""

    text: str
    versions: frozenset[int]


_SPANS = st.builds(
    lambda low, high: _Span(f">={low},<={high}", frozenset(range(low, high + 1))),
    st.integers(1, _TOP),
    st.integers(1, _TOP),
)
_WHATS = st.sampled_from(
    [{"family": "infrastructure"}, {"family": "blade"}, {"kind": "bios"}, {"models": ("Reed-40",)}]
)
_JUMPS = st.lists(st.tuples(_WHATS, _SPANS, _SPANS, st.sampled_from(["up", "down", "both"])), max_size=4)


def _means(what: dict[str, Any], family: str) -> bool:
    asked = {"family": family, "kind": _KIND[family], "models": (_MODELS[family],)}
    return all(asked[key] == value for key, value in what.items())


@settings(max_examples=400)
@given(jumps=_JUMPS, family=st.sampled_from(_FAMILIES), start=st.integers(1, _TOP), end=st.integers(1, _TOP))
def test_jumps_by_a_naive_reading(
    jumps: list[tuple[dict[str, Any], _Span, _Span, str]], family: str, start: int, end: int
) -> None:
    """ "All matching jumps must hold. With no matching jump, going up is the finding `jump-unstated` and going down is
    refused." """
    rows = [
        {"what": what, "to": to.text, "from": frm.text, "direction": way, "source": f"table {place}"}
        for place, (what, to, frm, way) in enumerate(jumps)
    ]
    if start == end:
        return
    way = "up" if start < end else "down"
    matching = [j for j in jumps if _means(j[0], family) and end in j[1].versions and j[3] in (way, "both")]
    if not matching:
        expected = RuleAnswer.UNSTATED if way == "up" else RuleAnswer.REFUSED
    else:
        expected = RuleAnswer.ALLOWED if all(start in j[2].versions for j in matching) else RuleAnswer.REFUSED
    answer = _rules(jump=rows).jump(_seen(family, start), f"{end}.0", str(end))
    assert answer.answer is expected
    assert answer.down is (way == "down")
    refusing = [f"table {p}" for p, j in enumerate(jumps) if j in matching and start not in j[2].versions]
    if expected is RuleAnswer.REFUSED:
        assert [rule.source for rule in answer.rules] == refusing


_COMPONENTS = st.lists(st.tuples(st.sampled_from(_FAMILIES), st.integers(1, _TOP)), min_size=1, max_size=5)
_SIDES = st.tuples(_WHATS, st.one_of(st.none(), _SPANS))


def _side(side: tuple[dict[str, Any], _Span | None]) -> dict[str, Any]:
    return {**side[0], **({"version": side[1].text} if side[1] else {})}


@settings(max_examples=400)
@given(components=_COMPONENTS, rules=st.lists(st.tuples(_SIDES, st.lists(_SIDES, min_size=1, max_size=2)), max_size=3))
def test_beside_by_a_naive_reading(
    components: list[tuple[str, int]],
    rules: list[tuple[tuple[dict[str, Any], _Span | None], list[tuple[dict[str, Any], _Span | None]]]],
) -> None:
    """`compatible` holds in every state for every pair of components in its scope."""

    def inside(side: tuple[dict[str, Any], _Span | None], component: tuple[str, int]) -> bool:
        return side[1] is None or component[1] in side[1].versions

    expected = {
        (place, which)
        for place, (when, needs) in enumerate(rules)
        for which, need in enumerate(needs)
        for x in components
        for y in components
        if _means(when[0], x[0]) and inside(when, x) and _means(need[0], y[0]) and not inside(need, y)
    }
    rows = [
        {"scope": "domain", "when": _side(when), "need": tuple(map(_side, needs)), "source": f"table {place}"}
        for place, (when, needs) in enumerate(rules)
    ]
    stored = _rules(compatible=rows)
    seen = [(_seen(*component), place) for place, component in enumerate(components)]
    found = set()
    for breach in breaches(stored, "domain", seen):
        assert breach.refused and not breach.maybe_whens and not breach.maybe_shorts
        place = int(breach.rule.source.split()[1])
        which = [n is breach.need for n in breach.rule.need].index(True)
        found.add((place, which))
    assert found == expected
    assert list(breaches(stored, "server", seen)) == []


@settings(max_examples=300)
@given(jumps=_JUMPS, start=st.integers(1, _TOP), end=st.integers(1, _TOP))
def test_a_jump_from_the_unknown_is_never_better_than_from_where_it_really_is(
    jumps: list[tuple[dict[str, Any], _Span, _Span, str]], start: int, end: int
) -> None:
    """Unknown is never zero and never good."""
    rows = [
        {"what": what, "to": to.text, "from": frm.text, "direction": way, "source": "table 1"}
        for what, to, frm, way in jumps
    ]
    rules = _rules(jump=rows)
    order = list(RuleAnswer)
    known = rules.jump(_seen("blade", start), f"{end}.0", str(end))
    unknown = rules.jump(_seen("blade", None), f"{end}.0", str(end))
    assert unknown.answer in (RuleAnswer.UNKNOWN, RuleAnswer.REFUSED)
    assert order.index(unknown.answer) >= min(order.index(known.answer), order.index(RuleAnswer.UNKNOWN))
    half = replace(_seen("blade", start), at=At(_seen("blade", start).at.readings, certain=False))
    assert rules.jump(half, f"{end}.0", str(end)).answer in (RuleAnswer.UNKNOWN, RuleAnswer.REFUSED)


def _one_jump(to: str, frm: str, direction: str = "up") -> Rules:
    return _rules(
        jump=({"what": {"family": "blade"}, "to": to, "from": frm, "direction": direction, "source": "table 1"},)
    )


def test_a_part_at_several_bundles_may_go_where_one_of_them_lets_it() -> None:
    """The bytes are those of each bundle; an image that did not change must not hold a component back."""
    rules = _one_jump(">=5", ">=3")
    assert rules.jump(_seen("blade", 2), "5.0", "5").answer is RuleAnswer.REFUSED
    assert rules.jump(_seen("blade", 2, 3), "5.0", "5").answer is RuleAnswer.ALLOWED


def test_the_rest_of_a_half_done_server_goes_by_its_family_s_rule() -> None:
    """A server whose other half made the jump already: the rule is met, or refuses, as it did for that half."""
    up = {"what": {"family": "blade"}, "to": ">=4", "from": ">=3", "direction": "up", "source": "notes 4"}
    down = {"what": {"family": "blade"}, "to": "<=3", "from": "<=4", "direction": "down", "source": "notes 3"}
    rules = _rules(jump=(up, down))
    for start, low, high, end, answer in (
        (3, "3", "4", 4, RuleAnswer.ALLOWED),
        (2, "2", "4", 4, RuleAnswer.REFUSED),
        (4, "3", "4", 3, RuleAnswer.ALLOWED),
        (5, "3", "5", 3, RuleAnswer.REFUSED),
    ):
        component = replace(_seen("blade", start), at=At(((low,), (high,)), certain=True))
        found = rules.jump(component, f"{end}.0", str(end))
        assert (found.answer, bool(found.rules)) == (answer, True), (start, end)


def test_a_mixed_server_must_be_let_pass_from_its_lowest_and_its_highest_bundle() -> None:
    """Rules must hold for the lowest and the highest bundle found."""
    component = replace(_seen("blade", 3), at=At((("2",), ("3",)), certain=True))
    assert _one_jump(">=5", ">=3").jump(component, "5.0", "5").answer is RuleAnswer.REFUSED
    assert _one_jump(">=5", ">=2").jump(component, "5.0", "5").answer is RuleAnswer.ALLOWED


def test_a_rule_for_another_direction_does_not_speak() -> None:
    """Direction: up | down | both."""
    assert _one_jump(">=2", ">=1", "down").jump(_seen("blade", 3), "5.0", "5").answer is RuleAnswer.UNSTATED
    assert _one_jump(">=2", ">=1", "down").jump(_seen("blade", 5), "3.0", "3").answer is RuleAnswer.ALLOWED
    assert _one_jump(">=2", ">=1", "both").jump(_seen("blade", 3), "5.0", "5").answer is RuleAnswer.ALLOWED


def test_an_image_that_goes_down_in_a_newer_bundle_goes_down() -> None:
    """Without a rule that lets it pass it is refused, though the bundle's own version goes up."""
    rules = _rules()
    answer = rules.jump(_seen("blade", 3), "1.0", "5")
    assert (answer.answer, answer.down) == (RuleAnswer.REFUSED, True)


def _mix() -> Manifest:
    when = {"family": "infrastructure", "version": ">=4"}
    need = ({"family": "blade", "version": ">=3"},)
    return _rules(
        compatible=({"scope": "domain", "when": when, "need": need, "source": "table 5"},)
    ).manifest_index.manifest


@pytest.mark.parametrize(
    ("infrastructure", "server", "refused", "unknown"),
    [
        (_seen("infrastructure", 4), _seen("blade", 3), False, False),
        (_seen("infrastructure", 4), _seen("blade", 2), True, False),
        (_seen("infrastructure", 3, 4), _seen("blade", 2), False, False),  # it is at 3 as well, and 3 asks nothing
        (_seen("infrastructure", 4), _seen("blade", 2, 3), False, False),
        (_seen("infrastructure", None), _seen("blade", 2), False, True),
        (_seen("infrastructure", None), _seen("blade", 3), False, False),  # whatever it runs, this is enough
        (_seen("infrastructure", 4), _seen("blade", None), False, True),
        (_seen("infrastructure", 3), _seen("blade", None), False, False),
        (_seen("infrastructure", 4), replace(_seen("blade", 4), model=None), False, False),
        (_seen("infrastructure", 4), replace(_seen("blade", 4), family=None), False, False),
        (_seen("infrastructure", 4), replace(_seen("blade", 2), family=None), False, True),
        (_seen("infrastructure", 4), replace(_seen("blade", 3), at=At((("2",), ("3",)), certain=True)), True, False),
        (_seen("infrastructure", 4), replace(_seen("blade", 3), at=At((("3",), ("4",)), certain=False)), False, True),
        (_seen("infrastructure", 4), replace(_seen("blade", 2), at=At((("2",), ("3",)), certain=False)), True, False),
    ],
)
def test_what_is_not_known_makes_a_mix_neither_allowed_nor_refused(
    infrastructure: SeenVersion, server: SeenVersion, refused: bool, unknown: bool
) -> None:
    """ "Unknown is never zero and never good."; a component at several bundles is each of them, a mixed one both
    ends."""
    found = list(breaches(Rules(ManifestIndex(_mix())), "domain", [(infrastructure, "i"), (server, "s")]))
    assert (any(b.refused for b in found), any(b.unknown for b in found)) == (refused, unknown)
