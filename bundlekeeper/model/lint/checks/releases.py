"""Releases: versions that belong together must exist, be complete, and be allowed beside each other.

Rules: a release names its versions by the exact text of a bundle's; a release that lists several versions of a family
is refused only for a version that no choice among the others allows; `orders.carried` answers which version a component
has after a bundle.
"""

from __future__ import annotations

from collections.abc import Iterator

from bundlekeeper.formats.text_file import shown
from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.model.lint.checks.ordering import called
from bundlekeeper.model.lint.common.format import did_you_mean
from bundlekeeper.model.lint.common.orders import Scales, carried
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.lint.common.raw_rows import Loose, LooseCompatible, LooseRelease, LooseWhat
from bundlekeeper.model.vocabulary import FAMILIES, INFRASTRUCTURE

#: Families whose components can be in one scope (common practice): a server or a pair gets one bundle only, which is
#: always compared with itself; rack servers are in no chassis.
_TOGETHER = {"domain": FAMILIES, "chassis": (INFRASTRUCTURE, "blade")}
_PAIR = 10  # steps of comparing one version of a release with one need


def check_releases(loose: Loose, scales: Scales) -> Iterator[Problem]:
    """Every problem of the releases. Raises SpentError when the budget is spent."""
    names: dict[str, Path] = {}
    for release in loose.releases:
        if release.name is not None:
            if release.name in names:
                message = f"a second release is called {shown(release.name)}"
                hint = "give it another name; commands find a release by its name"
                yield Problem("release-twice", (*release.path, "name"), message, hint, other=names[release.name])
            names.setdefault(release.name, (*release.path, "name"))
        yield from _families(loose, release)
        yield from _versions(loose, scales, release)
        for rule in loose.compatible_rules:
            yield from _refused(loose, scales, release, rule)


def _families(loose: Loose, release: LooseRelease) -> Iterator[Problem]:
    row = loose.raw["release"][release.path[1]]
    for family in dict.fromkeys(loose.families):
        if family not in row:
            message = f"release {shown(release.name or '')} names no version of {family}"
            hint = f'add {family} = "…"; a set is complete only with every family of the manifest'
            yield Problem("release-incomplete", release.path, message, hint)


def _versions(loose: Loose, scales: Scales, release: LooseRelease) -> Iterator[Problem]:
    for family, versions in release.versions.items():
        for path, version in versions:
            if loose.at(family, version):
                continue
            message = f"no bundle of {family} has the version {shown(version)}"
            equal = _equal(loose, scales, family, version)
            if equal:
                hint = f"write {equal}: the order calls both equal, but this is the bundle's own text"
            else:
                hint = did_you_mean(version, loose.some_versions(family)) or "add its bundle, or fix the version"
            yield Problem("release-version", path, message, hint)


def _equal(loose: Loose, scales: Scales, family: str, version: str) -> str:
    if scales.main is None:
        return ""
    span = scales.main.range(version)
    if span is None or any(character in version for character in "<>=!,"):
        return ""
    candidates = (v for v in loose.some_versions(family) if loose.at(family, v))
    return next((candidate for candidate in candidates if scales.main.holds(span, candidate)), "")


_Pair = tuple[str, Path, str]  # family, the version's path, the version


def _refused(loose: Loose, scales: Scales, release: LooseRelease, rule: LooseCompatible) -> Iterator[Problem]:
    """Versions of the release that this rule allows beside no choice of the others."""
    pairs = [(family, path, version) for family, rows in release.versions.items() for path, version in rows]
    for need in rule.need if rule.when is not None else ():
        scales.budget.spend(_PAIR * (len(pairs) + len(pairs) ** 2 // 8))
        meant = [pair for pair in pairs if rule.when and _seen(loose, scales, rule.when, pair, inside=True)]
        short = [pair for pair in pairs if _seen(loose, scales, need, pair, inside=False)]
        if short and _is_ahead(loose, scales, need):
            continue
        stuck = [(pair, other) for pair in short if (other := _forced(release, rule, pair, meant))]
        stuck = stuck or [(pair, other) for pair in meant if (other := _forced(release, rule, pair, short))]
        for (family, path, version), other in stuck:
            message = (
                f"release {shown(release.name or '')}: {family} {shown(version)} is not allowed beside "
                f"{other[0]} {shown(other[2])}, by the rule"
            )
            hint = f"the rule needs {called(need)} {need.version or ''}; fix the release or the rule"
            yield Problem("release-refused", path, message, hint, other=rule.path)


def _is_ahead(loose: Loose, scales: Scales, need: LooseWhat) -> bool:
    """True for a need that a file with just its kind meets, where that kind may run ahead of all else."""
    if need.kind not in loose.ahead:
        return False
    scale = scales.scale(need.kind)
    span = scale.range(need.version) if scale else None
    if scale is None or span is None:
        return False
    scales.budget.spend(sum(1 + len(bundle.images) for bundle in loose.bundles))
    alone = (
        bundle
        for bundle in loose.bundles
        if bundle.table.get("only") == [need.kind] and bundle.table.get("lifecycle") != "withdrawn"
    )
    return any(scale.can_place(v) and scale.holds(span, v) for bundle in alone for v in carried(need, bundle))


def _forced(release: LooseRelease, rule: LooseCompatible, pair: _Pair, others: list[_Pair]) -> _Pair | None:
    """One of `others` that must be beside `pair`: the same bundle, or a family that offers nothing else."""
    if pair in others:
        return pair
    together = _TOGETHER.get(rule.scope or "", ())
    for family, rows in release.versions.items():
        offered = [(family, path, version) for path, version in rows]
        if family == pair[0] or family not in together or pair[0] not in together:
            continue
        if offered and all(other in others for other in offered):
            return offered[0]
    return None


def _seen(loose: Loose, scales: Scales, what: LooseWhat, pair: _Pair, *, inside: bool) -> bool:
    """True when every component of `what` would be inside (or outside) its range after this version's bundle.

    Where one model would be inside and another outside, it depends on the models of a domain, which lint doesn't know.
    """
    scale = scales.scale(what.kind)
    span = scale.range(what.version) if scale else None
    if scale is None or span is None:
        return False
    bundles = loose.at(pair[0], pair[2])
    scales.budget.spend(sum(len(b.images) for b in bundles))
    seen = [version for bundle in bundles for version in carried(what, bundle)]
    return bool(seen) and all(scale.can_place(v) and scale.holds(span, v) == inside for v in seen)
