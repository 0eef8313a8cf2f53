"""A manifest that is refused waits for no lock and fixes nothing; refused later, it reports what was fixed."""

from __future__ import annotations

import fcntl
from pathlib import Path

from tests.conftest import Keeper, World

SIGNED = "store = 1\nsigned_manifests = true\n"


def _added(keeper: Keeper, world: World, tmp_path: Path) -> Path:
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    return tmp_path / "store"


def test_an_unsigned_manifest_is_refused_at_once_and_nothing_is_repaired(
    keeper: Keeper, world: World, tmp_path: Path
) -> None:
    """The lock is held and the database damaged: the refusal comes first, the damage is left to be reported."""
    store = _added(keeper, world, tmp_path)
    (store / "store.toml").write_text(SIGNED)
    with (store / ".keeper/store.sqlite").open("r+b") as file:
        file.write(bytes(100))
    with (store / ".keeper/lock").open("r+b") as stored:
        fcntl.flock(stored, fcntl.LOCK_EX)
        refused = keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet", "--wait", "0")
    assert (refused.status, "unsigned" in refused.err) == (4, True)
    assert not list((store / ".keeper").glob("store-before-*"))
    reported = keeper("verify", "--quiet", "--json")
    assert (reported.status, "damaged" in reported.codes) == (3, True)


def test_a_repair_is_reported_with_a_later_refusal(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """A rollback is seen only by what the fixed database knows; the error reports the damage, too."""
    store = _added(keeper, world, tmp_path)
    text = world.manifest.read_text("utf-8")
    world.manifest.write_text(text.replace("sequence = 14", "sequence = 13"), "utf-8")
    with (store / ".keeper/store.sqlite").open("r+b") as file:
        file.write(bytes(100))
    refused = keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet", "--json")
    assert refused.status == 4
    assert "damaged" in {finding["code"] for finding in refused.json["findings"]}
    assert list((store / ".keeper").glob("store-before-*"))
