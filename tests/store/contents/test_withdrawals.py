"""Going back to an older manifest makes no withdrawn bundle good again (TUF's rollback attack, and plain caution)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.conftest import MARRAM, Keeper, World

NAME = "marram-infrastructure-6.1.0.bin"
BACK = ("--allow-rollback", "the blades need the older one")


@pytest.fixture
def gone_back(keeper: Keeper, world: World, tmp_path: Path) -> Keeper:
    """A store that added manifest 14, then 15, which withdrew a bundle, then went back to 14."""
    older = world.manifest.read_text("utf-8")
    assert "sequence = 14" in older
    at = older.index('lifecycle = "current"', older.index(f'file = "{NAME}"'))
    newer = older[:at] + 'lifecycle = "withdrawn"\nreason = "ports flap"' + older[at + len('lifecycle = "current"') :]
    second = tmp_path / "newer.toml"
    second.write_text(newer.replace("sequence = 14", "sequence = 15"), encoding="utf-8")
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "-q").status == 0
    assert keeper("store", "add", second, "--from", world.downloads, "-q").status == 1
    return keeper


def lifecycle(keeper: Keeper) -> str:
    """The bundle's state in `store list`."""
    (row,) = (each for each in keeper("store", "list", "--json").json["bundles"] if each["file"] == NAME)
    return f"{row['lifecycle']}: {row['reason']}"


def test_a_withdrawal_outlives_going_back(gone_back: Keeper, world: World, tmp_path: Path) -> None:
    dry = gone_back("store", "add", world.manifest, "--from", world.downloads, "--dry-run", "--json", *BACK)
    done = gone_back("store", "add", world.manifest, "--from", world.downloads, "--json", *BACK)
    for ran in (dry, done):
        assert ran.status == 1
        (reported,) = (f for f in ran.json["findings"] if f["code"] == "withdrawn")
        assert "ports flap (by manifest 15, which this store admitted)" in reported["message"]
    assert lifecycle(gone_back).startswith("withdrawn: ports flap")
    for words in (("gaps", "holm-a", "--to", "6.1"), ("media", "pack", "--for", "6.1", "--volume", "dvd")):
        inventory = () if words[0] == "media" else ("--inventory", MARRAM)
        ran = gone_back(*words, *inventory, "--json")
        assert (ran.status, "withdrawn" in ran.codes) == (1, True), words


def test_what_runs_somewhere_is_still_found(gone_back: Keeper, world: World) -> None:
    assert gone_back("inventory", "load", MARRAM, "--reported-by", "kim").status == 0
    before = gone_back("where", "--withdrawn", "--json").json["components"]
    gone_back("store", "add", world.manifest, "--from", world.downloads, "-q", *BACK)
    assert gone_back("where", "--withdrawn", "--json").json["components"] == before


def test_a_newer_manifest_that_says_so_makes_it_good_again(gone_back: Keeper, world: World, tmp_path: Path) -> None:
    gone_back("store", "add", world.manifest, "--from", world.downloads, "-q", *BACK)
    third = tmp_path / "third.toml"
    third.write_text(world.manifest.read_text("utf-8").replace("sequence = 14", "sequence = 16"), encoding="utf-8")
    assert gone_back("store", "add", third, "--from", world.downloads, "-q").status == 0
    assert lifecycle(gone_back).startswith("current")
    assert gone_back("store", "add", world.manifest, "--from", world.downloads, "-q", *BACK).status == 0


@pytest.mark.parametrize("harm", ["altered", "gone"])
def test_a_newer_one_that_cannot_be_read_is_reported(
    gone_back: Keeper, world: World, tmp_path: Path, harm: str
) -> None:
    kept = tmp_path / "store/manifests/marram-15.toml"
    if harm == "gone":
        kept.unlink()
    else:
        kept.chmod(0o644)
        kept.write_text(re.sub("ports flap", "ports flip", kept.read_text("utf-8")), encoding="utf-8")
    done = gone_back("store", "add", world.manifest, "--from", world.downloads, "--json", *BACK)
    assert done.status == 1
    (reported,) = (f for f in done.json["findings"] if f["code"] == "not-checked")
    assert "what manifest 15 withdrew is not known" in reported["message"]
