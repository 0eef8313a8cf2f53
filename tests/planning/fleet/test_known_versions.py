"""Which versions a manifest knows of a kind, and which one was meant."""

from __future__ import annotations

from typing import Any

import pytest

from bundlekeeper.planning.fleet.known_versions import KnownVersions
from bundlekeeper.planning.fleet.manifest_index import ManifestIndex
from bundlekeeper.planning.fleet.version_scale import ScaleOfKinds, orders_of
from tests.kits.planning_kit import bundle, image, manifest


def _known(**more: Any) -> KnownVersions:
    rows = [
        bundle("infrastructure", "6.1.0", image("io-module", "Rush-4", "6.1.0"), image("model-list", "Reed-40", "7")),
        bundle("infrastructure", "6.0.1", image("io-module", "Rush-4", "6.0.1")),
        bundle("blade", "6.0.1"),
    ]
    return KnownVersions(ManifestIndex(manifest(*rows, versions={"known": ("5.4.2",)}, **more)))


@pytest.mark.parametrize(
    ("kind", "version", "expected"),
    [
        ("io-module", "6.1.0", True),
        ("io-module", "6.1", True),  # equal in natural order
        ("io-module", "6.10", False),
        ("io-module", "7", False),  # another kind's
        ("io-module", "5.4.2", True),  # known, and of no bundle
        ("bios", "6.0.1", True),  # the version of a bundle that lists no images
        ("bios", "6.1.0", False),  # of another family
        ("io-module", "as shipped", False),
        ("model-list", "7.0", True),
    ],
)
def test_equal_in_the_order_of_the_kind_is_known(kind: str, version: str, expected: bool) -> None:
    assert _known().is_known(kind, version) is expected


def test_a_kind_has_its_own_order() -> None:
    """In a listed order only the very texts are versions."""
    known = _known(kind={"io-module": {"order": "listed", "list": ("6.0.1", "6.1.0")}})
    assert [known.is_known("io-module", version) for version in ("6.1.0", "6.1")] == [True, False]


def test_equal_is_told_by_the_orders_alone() -> None:
    rules = {"io-module": {"order": "listed", "list": ("6.0.1", "6.1.0")}, "tide-gauge": {}}
    scales = ScaleOfKinds(orders_of(manifest(kind=rules)))
    assert scales.equals("io-module", "6.1.0", ["6.1", "6.1.0"]) == ["6.1.0"]
    for kind in ("bios", "tide-gauge"):
        assert scales.equals(kind, "6.1.0", ["6.1", "6.1.0", "6.10", "as shipped"]) == ["6.1", "6.1.0"]


def test_of_a_kind_that_no_bundle_serves_nothing_is_asked() -> None:
    rows = [bundle("infrastructure", "6.1.0", image("io-module", "Rush-4", "6.1.0"))]
    assert KnownVersions(ManifestIndex(manifest(*rows))).is_known("disk", "SN04")
    assert not KnownVersions(ManifestIndex(manifest(*rows))).brings("disk", "SN04")


@pytest.mark.parametrize(
    ("version", "near"), [("6.10", "6.1.0"), ("601", "6.0.1"), ("6.0.2", "6.0.1"), ("V6.1.0", "6.1.0"), ("zzz", "")]
)
def test_what_was_meant_has_the_same_digits_or_is_most_like_it(version: str, near: str) -> None:
    assert _known().near("io-module", version) == near


def test_what_was_typed_is_never_offered() -> None:
    assert _known().near("io-module", "6.1.0") != "6.1.0"
