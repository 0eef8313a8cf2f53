"""What a release means for one domain: for each family that it has, one bundle and the bases that it goes onto.

Rules: of several versions that a release lists, the first one that is held whole is meant, and where none is, the
first; only a bundle for servers that a domain manager runs can be meant; a family that the release does not name, or
names without a bundle, has a choice without one, so that it cannot be overlooked.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.planning.fleet.domain_state import ComponentReading
from bundlekeeper.planning.fleet.manifest_index import ImageOffer, ManifestIndex
from bundlekeeper.planning.fleet.stock import Holdings

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle, Release


@dataclass(frozen=True, slots=True)
class TargetChoice:
    """One family's bundle. `version` is the chosen version, empty where the release names none.

    `chain` are the bundles to take in turn, the base first and `bundle` last; `offered` what the release lists.
    """

    family: str
    version: str
    bundle: Bundle | None
    chain: tuple[Bundle, ...]
    offered: tuple[str, ...]

    def blind(self, kind: str) -> Bundle | None:
        """A bundle of the chain of which the manifest lists no image, so that it may bring one of the kind, or not."""
        may = (bundle for bundle in self.chain if not bundle.images and (bundle.only is None or kind in bundle.only))
        return next(may, None)


@dataclass(frozen=True, slots=True)
class ReleaseTarget:
    """Where a domain is to go: the release, and its choice for each family asked for."""

    manifest_index: ManifestIndex
    release: Release
    choices: Mapping[str, TargetChoice]

    def offer(self, reading: ComponentReading) -> ImageOffer | None:
        """The image that a component is to run in the end; None where the target brings none for its kind and model."""
        choice = self.choices.get(reading.family or "")
        if choice is None or choice.bundle is None or reading.model is None:
            return None
        return self.manifest_index.whole(choice.bundle).get((reading.kind, reading.model))

    def means(self, family: str, kind: str) -> bool:
        """True when the family's bundle should bring images of the kind, because some bundle of the family does.

        A release that names a file with `only` some kinds leaves the others without an image: that is reported, too.
        """
        choice = self.choices.get(family)
        return choice is not None and choice.bundle is not None and self.manifest_index.lists_kind(family, kind)


def aim(manifest_index: ManifestIndex, release: Release, families: Iterable[str], holdings: Holdings) -> ReleaseTarget:
    """Choose a bundle of the release for each of the families."""
    return ReleaseTarget(
        manifest_index, release, {family: _choose(manifest_index, release, family, holdings) for family in families}
    )


def _choose(manifest_index: ManifestIndex, release: Release, family: str, holdings: Holdings) -> TargetChoice:
    offered = release.versions(family)
    chains = {version: _chain(manifest_index, family, version) for version in offered}
    stored = (v for v in offered if chains[v] and all(holdings.stored(bundle.sha256) for bundle in chains[v]))
    version = next(stored, offered[0] if offered else "")
    chain = chains.get(version, ())
    return TargetChoice(family, version, chain[-1] if chain else None, chain, offered)


def _chain(manifest_index: ManifestIndex, family: str, version: str) -> tuple[Bundle, ...]:
    bundles = manifest_index.at(family, version)
    return manifest_index.chain(bundles[0]) if bundles else ()
