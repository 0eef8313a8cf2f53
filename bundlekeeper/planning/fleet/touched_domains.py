"""Which domains a change of the manifest touches, and which components run a bundle that is withdrawn or removed.

Rules: a domain is touched where something in it could get another image, or be judged otherwise, because of the change;
of what is not known (a model, a family, a variant) it counts as touched; "runs" is said only of components that are at
no other bundle, and those of which that cannot be said are counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bundlekeeper.model.manifest.changes import ManifestChange
from bundlekeeper.model.manifest.types import Bundle, Compatible, Jump, KindRule, Lifecycle, Release
from bundlekeeper.model.vocabulary import FAMILIES
from bundlekeeper.planning.fleet.domain_state import UNLISTED, UNORDERED, ComponentReading
from bundlekeeper.planning.fleet.manifest_index import suits

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.changes import Part
    from bundlekeeper.planning.fleet.domains import Fleet

#: Keys of a manifest's head that change no domain.
_OF_PAPER = {"sequence", "issued", "expires", "note"}


@dataclass(frozen=True, slots=True)
class TouchedDomains:
    """The domains that a change touches, how many components of each run its bundle and no other, and of how many of
    them that is not known; the last two only of a bundle that is newly withdrawn, or removed."""

    domains: tuple[str, ...]
    running: dict[str, int]
    unknown: int


def touched_domains(change: ManifestChange, old: Fleet, new: Fleet) -> TouchedDomains:
    """What the change means for the domains of one inventory, read by the old and by the new manifest.

    Raises nothing.
    """
    is_reached = _reach(change)
    touched: list[str] = []
    running: dict[str, int] = {}
    unknown = 0
    for domain in new.domains:
        readings = [part.reading for fleet in (old, new) for part in fleet.state(domain).components]
        if not any(map(is_reached, readings)):
            continue
        touched.append(domain)
        if not is_taken_away(change):
            continue
        fleet = old if change.new is None else new
        mine = [part.reading for part in fleet.state(domain).components if is_reached(part.reading)]
        count = sum(_runs_only(reading, change, fleet) for reading in mine)
        running |= {domain: count} if count else {}
        unknown += sum(bool(reading.lack) and not _is_elsewhere(reading) for reading in mine)
    return TouchedDomains(tuple(touched), running, unknown)


def is_taken_away(change: ManifestChange) -> bool:
    """True for a bundle that the new manifest withdraws, and the old one did not, or that it does not list any more."""
    old, new = change.old, change.new
    if not isinstance(old or new, Bundle) or change.section != "bundle":
        return False
    if new is None:
        return True
    was = isinstance(old, Bundle) and old.lifecycle is Lifecycle.WITHDRAWN
    return isinstance(new, Bundle) and new.lifecycle is Lifecycle.WITHDRAWN and not was


def _is_elsewhere(reading: ComponentReading) -> bool:
    """True where the running version is known and is that of no bundle: so not of this one."""
    return reading.lack in (UNLISTED, UNORDERED)


def _runs_only(reading: ComponentReading, change: ManifestChange, fleet: Fleet) -> bool:
    part = change.old if change.new is None else change.new
    if not isinstance(part, Bundle) or part.version not in reading.bundles or reading.family is None:
        return False
    index = fleet.manifest_index
    others = [
        bundle
        for version in reading.bundles
        for bundle in index.at_variant(reading.family, version, reading.variant)
        if bundle != part and bundle.lifecycle is not Lifecycle.WITHDRAWN
    ]
    return not any(_covers(bundle, reading) for bundle in others)


def _reach(change: ManifestChange) -> Callable[[ComponentReading], bool]:
    """Whether a component is one that the change is about."""
    if change.section == "manifest":
        everywhere = any(key.key not in _OF_PAPER for key in change.keys)
        return lambda _: everywhere
    parts = [part for part in (change.old, change.new) if part is not None]
    return lambda reading: any(_is_about(part, change.subject, reading) for part in parts)


def _is_about(part: Part, subject: str, reading: ComponentReading) -> bool:
    if isinstance(part, Bundle):
        return _covers(part, reading)
    if isinstance(part, Release):
        return reading.family is None or any(part.versions(f) for f in FAMILIES if f == reading.family)
    if isinstance(part, Jump):
        return _selects(part.what, reading)
    if isinstance(part, Compatible):
        return any(_selects(what, reading) for what in (part.when, *part.need))
    return isinstance(part, KindRule) and reading.kind == subject


def _covers(bundle: Bundle, reading: ComponentReading) -> bool:
    """True where the component could get its image from the bundle, as far as it is known."""
    if reading.family not in (None, bundle.family):
        return False
    if reading.variant is not None and not suits(bundle, reading.variant):
        return False
    if bundle.only is not None and reading.kind not in bundle.only:
        return False
    if not bundle.images:
        return True
    return any(
        image.kind == reading.kind and (reading.model is None or reading.model in image.models)
        for image in bundle.images
    )


def _selects(what: Any, reading: ComponentReading) -> bool:  # noqa: ANN401  (RuleSubject or JumpWhat)
    return (
        (what.family is None or reading.family in (None, what.family))
        and (what.kind is None or reading.kind == what.kind)
        and (what.models is None or reading.model is None or reading.model in what.models)
    )
