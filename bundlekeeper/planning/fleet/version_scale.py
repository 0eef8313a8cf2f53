"""A version order with what it made of versions and ranges so far.

Rules: every version and every range is placed once; what the order cannot place is None, which is neither equal to
anything nor inside or outside any range; two versions are the same when their text is, or when the order says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from bundlekeeper.errors import VersionError
from bundlekeeper.model import versions

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Manifest

#: By kind the name of its order and what that lists: "" is every other kind, None a kind without an order of its own.
OrderOfKinds = Mapping[str, tuple[str, tuple[str, ...]] | None]


class VersionScale:
    """One order; `name` is the manifest's word for it."""

    def __init__(self, order: versions.Order) -> None:
        self.order = order
        self.name = order.name
        self._keys: dict[str, versions.Key | None] = {}
        self._ranges: dict[str, versions.Range | None] = {}

    def key(self, version: str) -> versions.Key | None:
        """The version's place, None where the order cannot place it."""
        if version not in self._keys:
            try:
                self._keys[version] = self.order.key(version)
            except VersionError:
                self._keys[version] = None
        return self._keys[version]

    def compare(self, a: str, b: str) -> int | None:
        """-1, 0 or 1 as `a` is before, the same as or after `b`; None where one cannot be placed and they differ."""
        if a == b:
            return 0
        key_a, key_b = self.key(a), self.key(b)
        if key_a is None or key_b is None:
            return None
        return (key_a > key_b) - (key_a < key_b)

    def same(self, a: str, b: str) -> bool:
        """True when the texts are one, or the order says that they are equal."""
        return self.compare(a, b) == 0

    def holds(self, range_text: str | None, version: str) -> bool | None:
        """Whether the version is in the range; no text is every version. None where one of them cannot be placed."""
        if range_text is None:
            return True
        if range_text not in self._ranges:
            try:
                self._ranges[range_text] = versions.Range.parse(range_text, self.order)
            except VersionError:
                self._ranges[range_text] = None
        span, key = self._ranges[range_text], self.key(version)
        if span is None or key is None:
            return None
        return all(clause.holds(key) for clause in span.clauses)


def orders_of(manifest: Manifest) -> OrderOfKinds:
    """The orders of a manifest, which can be kept without it."""
    kinds = {kind: (rule.order, rule.list or ()) if rule.order else None for kind, rule in manifest.kind.items()}
    return {"": (manifest.versions.order, manifest.versions.list or ()), **kinds}


class ScaleOfKinds:
    """The scales of one manifest's orders."""

    def __init__(self, orders: OrderOfKinds) -> None:
        """Raises VersionError for an order that cannot be made; a manifest that was read well has none."""
        made = {kind: VersionScale(versions.order(*order)) for kind, order in orders.items() if order is not None}
        self._others = made.pop("")
        self._scales = made

    def equals(self, kind: str, version: str, texts: Iterable[str]) -> list[str]:
        """Those of `texts` that are the version in the order of the kind."""
        scale = self._scales.get(kind, self._others)
        return [text for text in texts if scale.same(version, text)]
