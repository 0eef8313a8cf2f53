"""What a release means for one domain: for each family that it has, one bundle and the bases that it goes onto.

Rules: of several versions that a release lists, the first one that the store has whole is meant, and where none is, the
first; where that is not the one that it prefers, that is reported; only a bundle of the right variant can be meant, and
none where that is not known; a family that the release does not name, or names without a bundle, has a choice without
one, so that it cannot be overlooked.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import FAMILIES, INFRASTRUCTURE, SERVER_FAMILIES
from bundlekeeper.planning.fleet.domain_state import ComponentReading, DomainState
from bundlekeeper.planning.fleet.manifest_index import ImageOffer, ManifestIndex
from bundlekeeper.planning.fleet.stock import Holdings

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle, Release


Taken = tuple[str, str | None]  # a family and the variant that is taken of it: empty for none, None for not known


@dataclass(frozen=True, slots=True)
class TargetChoice:
    """One family's bundle. `version` is the chosen version, empty where the release names none.

    `chain` are the bundles to write in turn, the base first and `bundle` last; `offered` what the release lists;
    `passed_over` the versions that it prefers to the chosen one, and that the store does not have whole.
    """

    family: str
    variant: str | None
    version: str
    bundle: Bundle | None
    chain: tuple[Bundle, ...]
    offered: tuple[str, ...]
    passed_over: tuple[str, ...] = ()

    def passed_over_finding(self, release: str) -> Finding | None:
        """The warning that another version is meant than the one that the release prefers; None where it is that."""
        if not self.passed_over:
            return None
        first = self.passed_over[0]
        message = f"release {release} prefers it, and it is not in the store: {self.version} is taken"
        hint = f"bring {self.family} {first} (bundlekeeper store add MANIFEST --from DIR), or agree to {self.version}"
        name = f"{self.family} {first}" + (f" ({self.variant})" if self.variant else "")
        return finding("not-in-store", name, message, hint, Level.WARNING)

    def blind(self, kind: str) -> Bundle | None:
        """A bundle of the chain of which the manifest lists no image, so that it may bring one of the kind, or not."""
        may = (bundle for bundle in self.chain if not bundle.images and (bundle.only is None or kind in bundle.only))
        return next(may, None)


@dataclass(frozen=True, slots=True)
class ReleaseTarget:
    """Where a domain is to go: the release, and its choice for each family and variant asked for."""

    manifest_index: ManifestIndex
    release: Release
    choices: Mapping[Taken, TargetChoice]

    def choice(self, reading: ComponentReading) -> TargetChoice | None:
        """The choice for a component's family and variant; None where the family is not known or was not asked for."""
        return self.choices.get((reading.family or "", reading.variant))

    def offer(self, reading: ComponentReading) -> ImageOffer | None:
        """The image that a component is to run in the end; None where the target brings none for its kind and model."""
        choice = self.choice(reading)
        if choice is None or choice.bundle is None or reading.model is None:
            return None
        return self.manifest_index.whole(choice.bundle).get((reading.kind, reading.model))

    def means(self, reading: ComponentReading) -> bool:
        """True when its family's bundle should bring images of its kind, because some bundle of the family does.

        A release that names a file with `only` some kinds leaves the others without an image: that is reported, too.
        """
        choice = self.choice(reading)
        return (
            choice is not None
            and choice.bundle is not None
            and self.manifest_index.lists_kind(choice.family, reading.kind)
        )

    def lacks(self, reading: ComponentReading) -> bool:
        """True where its family's bundle should bring an image for it, and does not: it stays as it is."""
        return self.means(reading) and self.offer(reading) is None


def open_versions(manifest_index: ManifestIndex, release: Release) -> Release:
    """The release without what was withdrawn, where it lists more than that of the family."""
    left: dict[str, tuple[str, ...] | None] = {}
    for family in (INFRASTRUCTURE, *SERVER_FAMILIES):
        versions = release.versions(family)
        bundles = {version: manifest_index.at(family, version) for version in versions}
        is_open = [v for v in versions if any(bundle.lifecycle != "withdrawn" for bundle in bundles[v])]
        left[family] = tuple(is_open) or versions or None
    return release.model_copy(update=left)


def later_versions(release: Release, first: int) -> Release:
    """The release without its `first` versions of each family; the last of each is kept."""
    rows = {family: release.versions(family) for family in (INFRASTRUCTURE, *SERVER_FAMILIES)}
    return release.model_copy(update={family: row[min(first, len(row) - 1) :] or None for family, row in rows.items()})


def taken_by(manifest_index: ManifestIndex, state: DomainState, families: Iterable[str]) -> tuple[Taken, ...]:
    """Of each of the families the variants that the domain's components take, or would, where it has none of the
    family."""
    found: dict[Taken, None] = {}
    for family in families:
        own = {(s.family, s.server_class.variant): None for s in state.servers if s.family == family}
        unsure = any(server.family is None for server in state.servers) and family in SERVER_FAMILIES
        if family == INFRASTRUCTURE or unsure or not own:
            own[family, manifest_index.variant(family, state.variant)] = None
        found |= {(family, variant): None for _, variant in own}
    return tuple(found)


def every_variant(manifest_index: ManifestIndex, families: Iterable[str]) -> tuple[Taken, ...]:
    """Each of the families in every variant that it is published in."""
    return tuple((family, variant) for family in families for variant in manifest_index.variants(family) or ("",))


def aim(manifest_index: ManifestIndex, release: Release, taken: Iterable[Taken], holdings: Holdings) -> ReleaseTarget:
    """Choose a bundle of the release for each of the families and variants."""
    return ReleaseTarget(
        manifest_index, release, {one: _choose(manifest_index, release, one, holdings) for one in taken}
    )


def target_of(manifest_index: ManifestIndex, release: Release, state: DomainState, holdings: Holdings) -> ReleaseTarget:
    """Where one domain is to go: a choice for each family that it has, or may have for lack of a fact."""
    wanted = dict.fromkeys((INFRASTRUCTURE, *state.families))
    if any(server.family is None for server in state.servers):
        wanted |= dict.fromkeys(SERVER_FAMILIES)
    return aim(manifest_index, release, taken_by(manifest_index, state, wanted), holdings)


def newest_release(manifest_index: ManifestIndex, releases: Sequence[Release]) -> Release | None:
    """The release of the highest version that the manifest's order can place, else the last one; None for none."""
    scale = manifest_index.scale(None)
    firsts = [(release, next((v for f in FAMILIES for v in release.versions(f)), "")) for release in releases]
    placed = [(key, number) for number, (_, first) in enumerate(firsts) if (key := scale.key(first)) is not None]
    return firsts[max(placed)[1] if placed else -1][0] if firsts else None


def _choose(manifest_index: ManifestIndex, release: Release, taken: Taken, holdings: Holdings) -> TargetChoice:
    family, variant = taken
    offered = release.versions(family)
    chains = {version: _chain(manifest_index, taken, version) for version in offered}
    stored = (v for v in offered if chains[v] and all(holdings.stored(bundle.sha256) for bundle in chains[v]))
    version = next(stored, offered[0] if offered else "")
    chain = chains.get(version, ())
    before = offered[: offered.index(version)] if version else ()
    over = tuple(v for v in before if chains[v] and all(bundle.lifecycle != "withdrawn" for bundle in chains[v]))
    return TargetChoice(family, variant, version, chain[-1] if chain else None, chain, offered, over)


def _chain(manifest_index: ManifestIndex, taken: Taken, version: str) -> tuple[Bundle, ...]:
    family, variant = taken
    bundles = manifest_index.at_variant(family, version, variant) if variant is not None else ()
    return manifest_index.chain(bundles[0]) if bundles else ()
