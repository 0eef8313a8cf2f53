"""The words of the recording commands: evidence of an unknown kind is refused before anything is recorded."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from tests.conftest import Keeper, World


@pytest.mark.parametrize(
    "words",
    [
        ("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0"),
        ("activate", "HOLMA-IO1"),
        ("observe", "HOLMA-IO1", "--active", "6.0.1"),
    ],
    ids=lambda words: words[0],
)
def test_evidence_of_an_unknown_kind_is_refused(words: tuple[str, ...], office: Keeper) -> None:
    before = office("ledger", "export").out
    ran = office(*words, "--evidence", "nonsense", "--json")
    assert ran.status == 2, (ran.out, ran.err)
    assert ran.json["error"]["message"] == "--evidence cannot be nonsense"
    assert ran.json["error"]["hint"] == "one of digest-read-back, inventory-reading, written-note, none"
    assert office("ledger", "export").out == before


@pytest.mark.parametrize("anyway", [(), ("--anyway", "it is so")])
def test_a_bank_that_does_not_exist_is_refused_whatever_the_reason(anyway: tuple[str, ...], office: Keeper) -> None:
    ran = office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0", "--bank", "foo", *anyway)
    assert (ran.status, "there is no bank foo" in ran.err) == (2, True), ran.err


def test_a_version_of_two_variants_is_recorded_by_its_files_name(office: Keeper, world: World, tmp_path: Path) -> None:
    """Both are bundles of one family and version with other bytes: which it was must be said."""
    later = tmp_path / "later.toml"
    head = 'manifest = 1\nplatform = "marram"\nsequence = 20\nissued = 2026-11-20\nfamilies = ["rack"]'
    rows = [f'{head}\nvariants = ["managed", "alone"]\n']
    for version, variant in (("6.1.0", "managed"), ("6.0.1", "alone")):
        data = (world.downloads / f"marram-rack-{version}.bin").read_bytes()
        rows.append(
            f'[[bundle]]\nfamily = "rack"\nversion = "6.1.0"\nfile = "marram-rack-{version}.bin"\nsize = {len(data)}\n'
            f'sha256 = "{hashlib.sha256(data).hexdigest()}"\ndigest_from = "publisher: by telephone"\n'
            f'released = 2026-08-01\nvariant = "{variant}"\n'
            f'images = [{{ kind = "bios", models = ["Gull-1"], version = "6.1.0" }}]\n'
        )
    later.write_text("\n".join(rows), "utf-8")
    added = office("store", "add", later, "--from", world.downloads, "-q")
    assert added.status in (0, 1), added.err
    ran = office("activate", "HOLMA-R1:bios", "--bundle", "rack/6.1.0", "--dry-run")
    assert (ran.status, "of its own variant" in ran.err) == (2, True), ran.err
    assert "name the file: marram-rack-6.0.1.bin or marram-rack-6.1.0.bin" in ran.err
    named = office("activate", "HOLMA-R1:bios", "--bundle", "marram-rack-6.1.0.bin", "--dry-run")
    assert "of its own variant" not in named.err
