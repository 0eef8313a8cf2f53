"""The orders that a manifest declares, the versions that exist in each, and what a range means there.

Rules: a rule about a kind is about image versions in that kind's order, any other rule about bundle versions in the
manifest's order; an order that cannot be made, and a version or a range that it cannot place, is None here and a
problem in `lint.checks.ordering`; every version is placed once.
"""

from __future__ import annotations

from bundlekeeper.errors import VersionError
from bundlekeeper.model import versions
from bundlekeeper.model.lint.common.budget import Budget
from bundlekeeper.model.lint.common.raw_rows import Loose, LooseBundle, LooseWhat, Table, items, table, text


class Scale:
    """One order with what it made of versions and ranges so far."""

    def __init__(self, order: versions.Order) -> None:
        self.order = order
        self._keys: dict[str, versions.Key | VersionError] = {}
        self._ranges: dict[str, versions.Range | VersionError] = {}

    def placed(self, version: str) -> versions.Key | VersionError:
        """The version's key, or why there is none."""
        if version not in self._keys:
            try:
                self._keys[version] = self.order.key(version)
            except VersionError as e:
                self._keys[version] = e
        return self._keys[version]

    def can_place(self, version: str) -> bool:
        """True when the version has a key."""
        return not isinstance(self.placed(version), VersionError)

    def read(self, range_text: str) -> versions.Range | VersionError:
        """The range, or why it cannot be read."""
        if range_text not in self._ranges:
            try:
                self._ranges[range_text] = versions.Range.parse(range_text, self.order)
            except VersionError as e:
                self._ranges[range_text] = e
        return self._ranges[range_text]

    def range(self, range_text: str | None) -> versions.Range | None:
        """The range, or None where it cannot be read; no text at all is the range of every version."""
        if range_text is None:
            return versions.Range(self.order, ())
        found = self.read(range_text)
        return None if isinstance(found, VersionError) else found

    def holds(self, span: versions.Range, version: str) -> bool:
        """True when the version can be placed and meets every condition."""
        key = self.placed(version)
        return not isinstance(key, VersionError) and all(clause.holds(key) for clause in span.clauses)


class Scales:
    """All orders of one document."""

    def __init__(self, loose: Loose, budget: Budget) -> None:
        self._loose = loose
        self.budget = budget
        self.main = make(table(loose.raw.get("versions")))
        self.of_kind: dict[str, Scale | None] = {
            kind: make(row) for kind, row in loose.kinds.items() if isinstance(row, dict) and "order" in row
        }
        self._existing: dict[tuple[str | None, str | None, frozenset[str] | None], tuple[str, ...]] = {}

    def own(self, kind: str | None) -> bool:
        """True when the kind declares an order of its own."""
        return kind in self.of_kind

    def scale(self, kind: str | None) -> Scale | None:
        """The order of this kind's image versions, or without a kind of bundle versions."""
        return self.main if kind is None else self.of_kind.get(kind, self.main)

    def existing(self, what: LooseWhat) -> tuple[str, ...]:
        """The versions that the manifest knows of a rule's subject: of bundles or images, and `known`.

        Raises SpentError when the budget is spent.
        """
        key = (what.family, what.kind, what.models)
        if key not in self._existing:
            self.budget.spend(len(self._loose.known) + sum(1 + len(b.images) for b in self._loose.bundles))
            found = dict.fromkeys(v for bundle in self._loose.bundles for v in carried(what, bundle))
            self._existing[key] = tuple({**found, **dict.fromkeys(self._loose.known)})
        return self._existing[key]

    def within(self, what: LooseWhat, range_text: str | None) -> list[str]:
        """Those of the existing versions that are in the range; none where it cannot be read.

        Raises SpentError when the budget is spent.
        """
        scale = self.scale(what.kind)
        span = scale.range(range_text) if scale is not None else None
        if scale is None or span is None:
            return []
        versions = self.existing(what)
        self.budget.spend(len(versions))
        return [version for version in versions if scale.holds(span, version)]


def make(row: Table) -> Scale | None:
    """The scale of a table with `order` and `list`; None where they give none."""
    listed = [version for _, version in items(row, "list")]
    name = text(row, "order") if "order" in row else "natural"
    try:
        return Scale(versions.order(name, listed)) if name else None
    except VersionError:
        return None


def carried(what: LooseWhat, bundle: LooseBundle) -> tuple[str, ...]:
    """The versions that components of `what` have after this bundle."""
    if not bundle.holds(what):
        return ()
    if what.kind is None:
        return (bundle.version,) if bundle.version else ()
    return tuple(dict.fromkeys(image.version for image in bundle.images if image.version and what.matches(image)))
