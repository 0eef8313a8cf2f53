"""A folder that may not be entered: nobody knows what is in it, so nothing in it is missing, and it is not empty.

As root nothing is closed, so these run as another user, in a process that gave up its rights.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from bundlekeeper.demo import tour_world
from tests.conftest import Ran
from tests.kits.as_user import as_user, needs_root, open_folder

NOBODY = 65534
pytestmark = [pytest.mark.root, needs_root]


class Ground:
    """Downloads, a manifest and root's store with its bundles, in a folder that everybody may enter."""

    def __init__(self, base: Path) -> None:
        self.base, self.downloads, self.store = base, base / "downloads", base / "store"
        self.manifest = base / "marram.toml"
        tour_world.make_downloads(self.downloads)
        text = tour_world.reviewed_manifest().replace('"own copy"  ', '"publisher: download page, 2026-08-02"  ')
        self.manifest.write_text(text)
        assert self.add(self.store, 0).status == 0

    def add(self, store: Path, user: int) -> Ran:
        """Take all into a store; root's own run before it goes elsewhere."""
        words: list[str | Path] = ["store", "add", self.manifest, "--from", self.downloads, "--json", "--store"]
        warm = self.base / f"warm-{store.name}-{user}"
        return as_user(user, [user], *words, store, warm=[[*words, warm]])

    def nobody(self, *words: str | Path) -> Ran:
        """Ask root's store as a user without rights."""
        return as_user(NOBODY, [NOBODY], *words, "--store", self.store)


@pytest.fixture
def ground() -> Iterator[Ground]:
    with open_folder() as base:
        yield Ground(base)


def of_code(ran: Ran, code: str) -> list[str]:
    """The subjects of the findings of one code."""
    return [found["subject"] for found in ran.json["findings"] if found["code"] == code]


@pytest.mark.parametrize("mode", [0o700, 0o744])
def test_verifying_the_store_misses_nothing_that_it_could_not_look_for(ground: Ground, mode: int) -> None:
    """0744: the names can be listed, and what they are cannot be asked."""
    closed = ground.store / "blade"
    names = [path.relative_to(ground.store).as_posix() for path in sorted(closed.rglob("*.bin"))]
    closed.chmod(mode)
    ran = ground.nobody("verify", "--json")
    assert ran.status == 3, ran.out + ran.err
    assert of_code(ran, "missing") == []
    assert set(names) <= set(of_code(ran, "unreadable"))
    assert {row["status"] for row in ran.json["rows"] if row["family"] == "blade"} == {"unreadable"}
    assert {row["status"] for row in ran.json["rows"] if row["family"] == "rack"} == {"ok"}


def test_what_a_closed_folder_cannot_hold_is_missing(ground: Ground) -> None:
    """A bundle of the store has one place, and another family's folder is none."""
    (ground.store / "blade").chmod(0o700)
    lost = next((ground.store / "rack").rglob("*.bin"))
    lost.unlink()
    ran = ground.nobody("verify", "--json")
    assert ran.status == 3
    assert of_code(ran, "missing") == [lost.relative_to(ground.store).as_posix()]


def test_verifying_a_folder_misses_nothing_while_part_of_it_is_closed(ground: Ground) -> None:
    """There a bundle is looked for by its name, wherever it lies."""
    stick = ground.base / "stick"
    shutil.copytree(ground.downloads, stick / "open")
    (stick / "closed").mkdir()
    moved = sorted((stick / "open").iterdir())[0]
    moved.rename(stick / "closed" / moved.name)
    (stick / "closed").chmod(0o700)
    ran = ground.nobody("verify", ground.manifest, "--at", stick, "--json")
    assert ran.status == 3, ran.out + ran.err
    assert of_code(ran, "missing") == []
    (found,) = [found for found in ran.json["findings"] if found["subject"] == moved.name]
    assert "closed could not be read" in found["message"]


def test_store_list_calls_nothing_missing_that_it_could_not_look_at(ground: Ground) -> None:
    (ground.store / "blade").chmod(0o700)
    ran = ground.nobody("store", "list", "--json")
    states = {row["family"]: row["state"] for row in ran.json["bundles"]}
    assert states == {"infrastructure": "verified", "blade": "unverified", "rack": "verified"}


@pytest.mark.parametrize("dry", [[], ["--dry-run"]])
def test_adding_from_a_folder_that_is_closed_in_part(ground: Ground, dry: list[str]) -> None:
    home = ground.base / "home"
    home.mkdir()
    os.chown(home, NOBODY, NOBODY)
    (ground.downloads / "closed").mkdir()
    moved = sorted(ground.downloads.iterdir())[1]
    moved.rename(ground.downloads / "closed" / moved.name)
    (ground.downloads / "closed").chmod(0o700)
    words: list[str | Path] = ["store", "add", ground.manifest, "--from", ground.downloads, "--json", *dry, "--store"]
    ran = as_user(NOBODY, [NOBODY], *words, home / "store", warm=[[*words, ground.base / "warm"]])
    assert ran.status == 3, ran.out + ran.err
    assert of_code(ran, "missing") == []
    assert moved.name in of_code(ran, "unreadable")


@pytest.mark.parametrize(
    "words",
    [
        ["store", "list"],
        ["verify"],
        ["where"],
        ["trust", "list"],
        ["gaps", "holm-a", "--to", "2026.08"],
        ["inventory", "load", "MANIFESTS", "--reported-by", "kim", "--dry-run"],
        ["verify", "MARRAM", "--at", "DOWNLOADS"],
        ["store", "add", "MARRAM", "--from", "DOWNLOADS", "--dry-run"],
        ["manifest", "show", "MARRAM", "--signature", "MARRAM"],
    ],
    ids=" ".join,
)
@pytest.mark.parametrize("closed", ["", ".keeper"])
def test_a_closed_store_is_neither_absent_nor_empty(ground: Ground, words: list[str], closed: str) -> None:
    """Whatever is asked of it: could not finish (3), and no answer."""
    inventory = Path(__file__).parents[3] / "manifests/marram-2026-11.toml"
    places = {"MARRAM": ground.manifest, "DOWNLOADS": ground.downloads, "MANIFESTS": ground.base / "i.toml"}
    shutil.copy(inventory, ground.base / "i.toml")
    (ground.base / "i.toml").chmod(0o644)
    (ground.store / closed).chmod(0o700)
    ran = ground.nobody(*(places.get(word, word) for word in words))
    assert ran.status == 3, ran.out + ran.err
    assert "Permission denied" in ran.err
    assert str(ground.store) in ran.err


def test_a_database_is_not_rebuilt_without_what_could_not_be_looked_at(ground: Ground) -> None:
    """A store database that lacks the bundle would say from then on that the store does not hold it."""
    home = ground.base / "home"
    home.mkdir()
    os.chown(home, NOBODY, NOBODY)
    store = home / "store"
    assert ground.add(store, NOBODY).status == 0
    (store / ".keeper/store.sqlite").unlink()
    folder = next((store / "blade").iterdir())
    folder.chmod(0)
    again: list[str | Path] = ["verify", "--json", "--store"]
    warm: list[list[str | Path]] = [[*again, ground.store], ["manifest", "lint", ground.manifest]]
    ran = as_user(NOBODY, [NOBODY], *again, store, warm=warm)
    assert ran.status == 3, ran.out + ran.err
    assert not (store / ".keeper/store.sqlite").exists()
    folder.chmod(0o755)
    ran = as_user(NOBODY, [NOBODY], *again, store, warm=warm)
    assert ran.json["counts"]["verified"] == 9, ran.out
