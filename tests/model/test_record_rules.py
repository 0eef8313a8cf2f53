"""When an image that is staged is there already."""

from __future__ import annotations

import pytest

from bundlekeeper.model.record_rules import RecordedBundle, RecordedComponent, RecordedImage, can_be_staged, staging


@pytest.mark.parametrize(
    ("staged", "sha256", "again"),
    [("6.1", "a", True), ("6.1", "", True), ("6.1", "b", False), ("6.0", "a", False), (None, "", False)],
)
def test_the_same_version_of_other_bytes_is_another_image(staged: str | None, sha256: str, again: bool) -> None:
    component = RecordedComponent("C1", "bios", "Tern-2", "two-bank", staged=staged, staged_sha256=sha256)
    bundle = RecordedBundle(
        "blade", "6.1", "a", [RecordedImage("bios", ("Tern-2",), "6.1")], stored=True, verified=True
    )
    assert staging(component, bundle, "", "").again is again


def test_only_what_is_overwritten_has_nowhere_to_be_staged() -> None:
    found = {method: can_be_staged(method) for method in ("overwrite", "two-bank", "boot-file", "")}
    assert found == {"overwrite": False, "two-bank": True, "boot-file": True, "": True}
