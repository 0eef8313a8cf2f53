"""Reading a manifest whole: what is returned, what is refused, and that nothing else than our own errors comes out."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path

import pytest

from bundlekeeper.demo.tour_world import content
from bundlekeeper.errors import InputError
from bundlekeeper.model.lint.read_manifest import lint, read
from tests.kits.sure import some

EXAMPLE = Path(__file__).parents[3] / "manifests" / "marram-14.toml"
TODAY = date(2026, 11, 25)


def test_the_example_reads_without_any_problem() -> None:
    data = EXAMPLE.read_bytes()
    loaded = read(data, name="m.toml", today=TODAY)
    assert loaded.problems == ()
    assert loaded.data == data
    assert loaded.sha256 == hashlib.sha256(data).hexdigest()
    assert loaded.order.name == "natural"
    assert [r.name for r in loaded.manifest.release] == ["5.4", "6.0", "6.1"]


def test_the_examples_digests_are_those_of_the_tours_files() -> None:
    """The example's own words: the bytes of each are SHAKE-256 (FIPS 202) of its own name."""
    for bundle in some(read(EXAMPLE.read_bytes(), name="m.toml", today=TODAY).manifest.bundle):
        assert hashlib.sha256(content(bundle.file, bundle.size)).hexdigest() == bundle.sha256


def test_an_error_refuses_the_manifest_with_every_problem() -> None:
    data = EXAMPLE.read_bytes().replace(b"sequence = 14", b"sequence = -14\nplattform = 1")
    with pytest.raises(InputError) as caught:
        read(data, name="m.toml", today=TODAY)
    assert [(p.code, p.where) for p in caught.value.problems] == [
        ("bad-value", "m.toml:9:12"),
        ("key-unknown", "m.toml:10:1"),
    ]
    assert lint(data, name="m.toml", today=TODAY) == list(caught.value.problems)
