"""Models that are one letter away from one of the manifest."""

from __future__ import annotations

import pytest

from bundlekeeper.findings import Level
from bundlekeeper.model.inventory.near_models import is_near, near_models
from bundlekeeper.model.inventory.types import Component

LISTED = {"bios": {"Tern-2", "Tern-4"}, "io-module": {"Rush-4"}}


@pytest.mark.parametrize(
    ("one", "other", "near"),
    [
        ("Tern4", "Tern-4", True),
        ("Tern-44", "Tern-4", True),
        ("Tren-4", "Tern-4", True),
        ("Torn-4", "Tern-4", True),
        ("tern-4", "Tern-4", True),
        ("ern-4", "Tern-4", True),
        ("Tern-l", "Tern-1", True),  # a letter for a digit
        ("Tern-4", "Tern-4", False),
        ("Tern-8", "Tern-4", False),  # another model
        ("Trn4", "Tern-4", False),
        ("Rush-4", "Tern-4", False),
    ],
)
def test_near(one: str, other: str, near: bool) -> None:
    assert (is_near(one, other), is_near(other, one)) == (near, near)


def test_a_warning_for_each_kind_and_model_and_none_for_what_is_listed() -> None:
    components = [
        Component(kind=kind, site="holm", domain="holm-a", model=model)
        for kind, model in [
            ("bios", "Tern4"), ("bios", "Tern4"), ("bios", "Tern-2"), ("io-module", "Tern4"), ("io-module", "Rush_4"),
            ("disk", "Tern4"), ("bios", None),
        ]
    ]  # fmt: skip
    found = near_models(components, LISTED)
    assert [(f.code, f.level, f.subject) for f in found] == [
        ("model-unsupported", Level.WARNING, "bios Tern4"),
        ("model-unsupported", Level.WARNING, "io-module Rush_4"),
    ]
    assert found[0].message.startswith("2 components: ")
    assert "Tern-4" in found[0].hint
