"""Which versions a manifest knows of each kind: its images, what is `known` under [versions], a bundle without images.

Rules: equal in the order of the kind is known; of a kind that no bundle of the manifest has an image for, nothing is
asked; what the order cannot place is known by its very text only; a like version is never the one that was asked about.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from bundlekeeper.model.vocabulary import INFRASTRUCTURE, SERVER_FAMILIES
from bundlekeeper.planning.fleet.manifest_index import ManifestIndex

_LONGEST = 200  # of a text that something like it is looked for


class KnownVersions:
    """The versions that one manifest knows; each question is answered once."""

    def __init__(self, manifest_index: ManifestIndex) -> None:
        self.manifest_index = manifest_index
        self._brought: dict[str, tuple[str, ...]] = {}
        self._answers: dict[tuple[str, str], bool] = {}

    def _families(self, kind: str) -> tuple[str, ...]:
        return SERVER_FAMILIES if self.manifest_index.is_of_server(kind) else (INFRASTRUCTURE,)

    def serves(self, kind: str) -> bool:
        """True where some bundle has, or may have, an image of the kind."""
        return any(self.manifest_index.may_list_kind(family, kind) for family in self._families(kind))

    def brought(self, kind: str) -> tuple[str, ...]:
        """The versions that bundles bring for a kind, the oldest bundle's first: those of their images, and of a
        bundle that lists no images its own."""
        if kind not in self._brought:
            found: dict[str, None] = {}
            for family in self._families(kind):
                for bundle in self.manifest_index.bundles(family):
                    found.update((image.version, None) for image in bundle.images if image.kind == kind)
                    if not bundle.images and (bundle.only is None or kind in bundle.only):
                        found[bundle.version] = None
            self._brought[kind] = tuple(found)
        return self._brought[kind]

    def brings(self, kind: str, version: str) -> bool:
        """True where a bundle brings the version, or an equal one, for the kind."""
        return self._has(kind, version, self.brought(kind))

    def is_known(self, kind: str, version: str) -> bool:
        """True unless the manifest has bundles for the kind and knows no such version of it."""
        key = (kind, version)
        if key not in self._answers:
            named = (*self.brought(kind), *self.manifest_index.manifest.versions.known)
            self._answers[key] = self._has(kind, version, named) or not self.serves(kind)
        return self._answers[key]

    def _has(self, kind: str, version: str, named: Iterable[str]) -> bool:
        scale = self.manifest_index.scale(kind)
        return any(scale.same(version, other) for other in named)

    def near(self, kind: str, version: str) -> str:
        """The version that the manifest knows of the kind and that is most like `version`, and not it; "" for none."""
        named = [*self.brought(kind), *self.manifest_index.manifest.versions.known]
        others = {text.casefold(): text for text in named if text != version}
        near = get_close_matches(version[:_LONGEST].casefold(), others, 1)
        return others[near[0]] if near else ""
