"""Gaps of how components are, beside what they run: not well, or about to start something else.

Rules: what a pair is asked is not asked again of its halves; an image that is staged counts where it is
neither what runs nor what the release brings; where nobody said that something is staged, or how a component that is in
no pair is, nothing is asked: for most components nobody ever will.
"""

from __future__ import annotations

from bundlekeeper.findings import Level
from bundlekeeper.formats.escape import some
from bundlekeeper.planning.fleet.domain_state import PlacedComponent
from bundlekeeper.planning.gaps.question import Case, Like, component_name


def check_condition(case: Case) -> None:
    """Every component that is not well, and every one that a restart may bring to another version."""
    halves = {half.key for pair in case.state.pairs for half in pair.halves}
    for component in case.state.components:
        if component.key not in halves and component.component.healthy is not None:
            case.tally.made("health")
            if not component.component.healthy:
                _not_well(case, component)
    waiting: dict[tuple[str, str, str], list[str]] = {}
    for like in case.likes():
        for component in like.components:
            if version := _waiting(case, like, component):
                kind = f"{like.reading.kind} {like.reading.model or ''}".rstrip()
                wanted = like.offer.image.version if like.offer is not None else ""
                waiting.setdefault((kind, version, wanted), []).append(component.key)
    for (kind, version, wanted), keys in waiting.items():
        brings = f"the release has {wanted}" if wanted else "the release has none"
        message = f"{version} is staged, and {brings}: a restart may start {version}"
        hint = "take it away, or stage the release's image over it, before anything restarts"
        evidence = {"staged": version, "wanted": wanted or None}
        subject = f"{case.domain}: {kind} {some(keys)}"
        case.tally.add("not-activated", subject, message, hint, things=keys, evidence=evidence)


def _not_well(case: Case, component: PlacedComponent) -> None:
    message = "it is not well, by the last reading"
    hint = "find out why before you write to it; then load an inventory with healthy = true"
    name = component_name(component)
    case.tally.add(
        "pair-unhealthy", name, message, hint, level=Level.WARNING, things=(component.key,), evidence={"healthy": False}
    )


def _waiting(case: Case, like: Like, component: PlacedComponent) -> str:
    """The version that is staged on a component, where that is neither what runs nor what is to run; empty else."""
    same = case.manifest_index.scale(like.reading.kind).same
    known = [like.reading.active or "", like.offer.image.version if like.offer is not None else ""]
    staged = component.component.staged or ""
    return "" if not staged or any(version and same(staged, version) for version in known) else staged
