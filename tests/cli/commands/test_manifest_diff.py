"""`manifest diff`: what differs, which domains it touches, and what of it is a finding."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import Keeper, World
from tests.kits.sure import some

INVENTORY = """inventory = 1
read_at = 2026-11-20
zone = "UTC"
component = [
  { site = "skerry", domain = "skerry-a", kind = "bios", model = "Tern-4", parent = "S1", active = "5.4.10" },
  { site = "skerry", domain = "skerry-a", kind = "bios", model = "Tern-4", parent = "S2", active = "6.0.1" },
  { site = "holm", domain = "holm-a", kind = "bios", model = "Tern-4", parent = "S3", active = "6.0.1" },
  { site = "holm", domain = "holm-c", kind = "io-module", model = "Rush-4", serial = "S4", active = "6.0.1" },
]
"""


@pytest.fixture
def inventory(tmp_path: Path) -> Path:
    file = tmp_path / "inventory.toml"
    file.write_text(INVENTORY)
    return file


def bundle_text(text: str, family: str, version: str) -> str:
    start = text.index(f'[[bundle]]\nfamily = "{family}"\nversion = "{version}"')
    end = text.find("[[", start + 2)
    return text[start:end]


def test_equal_manifests_have_no_difference(keeper: Keeper, world: World) -> None:
    ran = keeper("manifest", "diff", world.manifest, world.manifest)
    assert (ran.status, ran.out.splitlines()[0].endswith("no difference")) == (0, True)


def test_a_withdrawn_bundle_that_runs_somewhere_is_a_warning(keeper: Keeper, world: World, inventory: Path) -> None:
    text = world.manifest.read_text()
    blade = bundle_text(text, "blade", "5.4.10")
    new = world.manifest.with_name("new.toml")
    withdrawn = blade.replace('lifecycle = "superseded"', 'lifecycle = "withdrawn"\nreason = "fans stop"')
    new.write_text(text.replace(blade, withdrawn))
    ran = keeper("manifest", "diff", world.manifest, new, "--inventory", inventory, "--json")
    (change,) = ran.json["changes"]
    assert (change["change"], change["section"], change["subject"]) == ("changed", "bundle", "blade 5.4.10")
    assert [key["key"] for key in change["keys"]] == ["lifecycle", "reason"]
    assert change["domains"] == ["skerry-a", "holm-a"]  # that have the model; holm-c has no server
    assert change["running"] == {"skerry-a": 1}
    assert (ran.status, ran.codes) == (1, ["withdrawn"])
    back = keeper("manifest", "diff", new, world.manifest, "--inventory", inventory, "--json")
    assert (back.status, back.codes) == (0, [])  # a difference alone is no finding
    assert "refuses the second until its sequence is 15" in keeper("manifest", "diff", world.manifest, new).out
    unknown = keeper("manifest", "diff", world.manifest, new, "--json")
    assert (unknown.status, unknown.codes, unknown.json["changes"][0]["domains"]) == (1, ["not-checked"], None)


def test_a_removed_bundle_and_what_is_not_known(keeper: Keeper, world: World, inventory: Path) -> None:
    inventory.write_text(INVENTORY.replace(', parent = "S3", active = "6.0.1"', ', parent = "S3"'))
    text = world.manifest.read_text()
    older = world.manifest.with_name("older.toml")
    extra = bundle_text(text, "blade", "5.4.10").replace("5.4.10", "5.3.9").replace("c2", "d2", 1)
    older.write_text(text.replace("[[release]]", extra + "\n[[release]]", 1))
    inventory.write_text(inventory.read_text().replace("5.4.10", "5.3.9"))
    ran = keeper("manifest", "diff", older, world.manifest, "--inventory", inventory, "--json")
    assert [(c["change"], c["subject"], c["running"]) for c in ran.json["changes"]] == [
        ("removed", "blade 5.3.9", {"skerry-a": 1})
    ]
    assert (ran.status, ran.codes) == (1, ["not-checked", "version-unknown"])


def test_other_bytes_under_one_version_and_rules(keeper: Keeper, world: World, inventory: Path) -> None:
    text = world.manifest.read_text()
    rack = bundle_text(text, "rack", "6.1.0")
    digest = next(line for line in rack.splitlines() if line.startswith("sha256"))
    changed = text.replace(digest, f'sha256 = "{"0" * 64}"').replace("sequence = ", "sequence = 9", 1)
    start = changed.index("[[jump]]")
    end = changed.index("[[", start + 2)
    new = world.manifest.with_name("new.toml")
    new.write_text(changed[:start] + changed[end:])
    ran = keeper("manifest", "diff", world.manifest, new, "--inventory", inventory, "--json")
    found = {(c["section"], c["change"]): c for c in some(ran.json["changes"])}
    assert list(found) == [("manifest", "changed"), ("bundle", "changed"), ("jump", "removed")]
    assert found["manifest", "changed"]["domains"] == []
    assert found["jump", "removed"]["domains"] == ["holm-c"]  # a rule of the infrastructure
    assert (ran.status, ran.codes) == (1, ["altered"])


def test_two_platforms_are_not_compared(keeper: Keeper, world: World) -> None:
    other = world.manifest.with_name("other.toml")
    other.write_text(world.manifest.read_text().replace('platform = "marram"', 'platform = "sedge"'))
    ran = keeper("manifest", "diff", world.manifest, other)
    assert ran.status == 2
    assert "two platforms: marram and sedge" in ran.err


def test_an_older_manifest_as_the_new_one_is_reported(keeper: Keeper, world: World) -> None:
    newer = world.manifest.with_name("newer.toml")
    newer.write_text(world.manifest.read_text().replace("sequence = 14", "sequence = 15"))
    assert "older-manifest" not in keeper("manifest", "diff", world.manifest, newer).out
    ran = keeper("manifest", "diff", newer, world.manifest)
    assert (ran.status, f"its sequence is 14, older than 15 of {newer}" in ran.out.replace("\n", " ")) == (1, True), (
        ran.out
    )
