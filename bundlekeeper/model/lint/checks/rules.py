"""Rules compared with each other and with themselves: all matching jumps must hold, `compatible` in every state.

Rules: rules contradict only where no version at all could satisfy both, by `versions.satisfiable`, and where both are
about a version that exists; rules of different scopes, or about bundle versions and image versions, are not compared;
where they are too many to compare, that is reported.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from bundlekeeper.formats.text_file import shown
from bundlekeeper.model.lint.checks.ordering import called
from bundlekeeper.model.lint.common.orders import Scales
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.lint.common.raw_rows import Loose, LooseCompatible, LooseJump, rows
from bundlekeeper.model.versions import Listed, Range, satisfiable

_PAIR = 10  # steps of comparing two rules


def check_rules(loose: Loose, scales: Scales) -> Iterator[Problem]:
    """Every problem of rules but their single ranges. Raises SpentError when the budget is spent."""
    yield from _sources(loose)
    for jump in loose.jumps:
        yield from _backwards(scales, jump)
    for compatible in loose.compatible_rules:
        yield from _open_needs(compatible)
        yield from _itself(scales, compatible)
    for one, other in combinations(loose.jumps, 2):
        yield from _jump_pair(scales, one, other)
    for first, second in combinations(loose.compatible_rules, 2):
        yield from _compatible_pair(scales, first, second)


def _sources(loose: Loose) -> Iterator[Problem]:
    for key in ("jump", "compatible"):
        for path, row in rows(loose.raw, key):
            source = row.get("source")
            if source is None or (isinstance(source, str) and not source.strip()):
                place = path if source is None else (*path, "source")
                message = "the rule does not state where it comes from"
                yield Problem("source-missing", place, message, 'add source = "release notes 6.0, table 2"')


def _backwards(scales: Scales, jump: LooseJump) -> Iterator[Problem]:
    """A rule `up` whose every start is at or above every end, or the reverse for `down`: it allows no jump."""
    scale = scales.scale(jump.what.kind) if jump.what is not None else None
    if scale is None or jump.from_ is None or jump.to is None:
        return
    starts, ends = scale.range(jump.from_), scale.range(jump.to)
    if starts is None or ends is None or not satisfiable([starts]) or not satisfiable([ends]):
        return
    if jump.direction == "up" and not _some_below(starts, ends):
        word, other, opposite = "up", "below", "down"
    elif jump.direction == "down" and not _some_below(ends, starts):
        word, other, opposite = "down", "above", "up"
    else:
        return
    message = f"the rule is about going {word}, but no version in from = {jump.from_} is {other} one in to = {jump.to}"
    hint = f'exchange from and to, or write direction = "{opposite}"'
    yield Problem("jump-backwards", (*jump.path, "from"), message, hint)


def _some_below(low: Range, high: Range) -> bool:
    """True when some version in `low` comes before some version in `high`; neither is empty, of one order."""
    if isinstance(low.order, Listed):
        lows = [version for version in low.order.versions if low.contains(version)]
        highs = [version for version in low.order.versions if high.contains(version)]
        return low.order.key(lows[0]) < low.order.key(highs[-1])
    least = max((clause.key for clause in low.clauses if clause.operator in {">=", ">", "=="}), default=None)
    most = min((clause.key for clause in high.clauses if clause.operator in {"<=", "<", "=="}), default=None)
    return least is None or most is None or bool(least < most)  # on a dense line there is always one between


def _open_needs(compatible: LooseCompatible) -> Iterator[Problem]:
    for need in compatible.need:
        if need.version is None:
            message = f"this need of {called(need)} names no version, so it requires nothing"
            yield Problem("need-open", need.path, message, 'add version = ">=…"')


def _itself(scales: Scales, compatible: LooseCompatible) -> Iterator[Problem]:
    for need in compatible.need:
        if compatible.when is None or not compatible.when.meets(need):
            continue
        if _disjoint(scales, compatible.when.kind, compatible.when.version, need.version):
            message = (
                f"the rule is about {called(compatible.when)} {compatible.when.version or ''} and needs "
                f"{called(need)} {need.version}: no component can be both"
            )
            path = (*need.path, "version")
            yield Problem(
                "rule-forbids-itself", path, message, "fix the version in when or in need", other=compatible.when.path
            )


def _disjoint(scales: Scales, kind: str | None, one: str | None, other: str | None) -> bool:
    """True when each range can be met, but no version meets both; false where one cannot be read."""
    scale = scales.scale(kind)
    if scale is None:
        return False
    a, b = scale.range(one), scale.range(other)
    if a is None or b is None or not satisfiable([a]) or not satisfiable([b]):
        return False
    return not satisfiable([a, b])


def _jump_pair(scales: Scales, one: LooseJump, other: LooseJump) -> Iterator[Problem]:
    scales.budget.spend(_PAIR)
    if one.what is None or other.what is None or not one.what.meets(other.what):
        return
    if None in (one.direction, other.direction, one.from_, other.from_):
        return
    if one.direction != other.direction and "both" not in (one.direction, other.direction):
        return
    if not _disjoint(scales, one.what.kind, one.from_, other.from_):
        return
    shared = set(scales.within(one.what, one.to)) & set(scales.within(other.what, other.to))
    if shared:
        version = next(v for v in scales.existing(other.what) if v in shared)
        message = (
            f"to {shown(version)} this rule allows only {other.from_}, and another rule only {one.from_}: "
            "no version can be both"
        )
        hint = "narrow the to of one of them, or fix a from"
        yield Problem("rules-contradict", (*other.path, "from"), message, hint, other=(*one.path, "from"))


def _compatible_pair(scales: Scales, one: LooseCompatible, other: LooseCompatible) -> Iterator[Problem]:
    scales.budget.spend(_PAIR)
    if one.scope is None or one.scope != other.scope or one.when is None or other.when is None:
        return
    if not one.when.meets(other.when):
        return
    scales.budget.spend(_PAIR * len(one.need) * len(other.need))
    shared: set[str] | None = None
    for need in other.need:
        for earlier in one.need:
            if not earlier.meets(need) or not _disjoint(scales, need.kind, earlier.version, need.version):
                continue
            if shared is None:
                shared = set(scales.within(one.when, one.when.version)) & set(
                    scales.within(other.when, other.when.version)
                )
            if shared:
                message = (
                    f"beside {called(other.when)} {shown(min(shared))} this rule needs {called(need)} {need.version}, "
                    f"and another rule needs {earlier.version}: no version can be both"
                )
                path, earlier_path = (*need.path, "version"), (*earlier.path, "version")
                yield Problem("rules-contradict", path, message, "narrow the when of one of them", other=earlier_path)
