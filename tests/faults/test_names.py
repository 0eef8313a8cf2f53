"""Names and paths at the system's limits, and one file under two families."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError
from tests.conftest import Keeper, World
from tests.kits.store_kit import Kit

GOOD = b"good bytes" * 1000
LONG = "x" * 250


def deep(base: Path, levels: int) -> Path:
    """A folder so many levels of 250 characters below, made step by step: no system call takes its whole path."""
    here = os.open(base, os.O_RDONLY | os.O_DIRECTORY)
    path = base
    for _ in range(levels):
        os.mkdir(LONG, dir_fd=here)
        below = os.open(LONG, os.O_RDONLY | os.O_DIRECTORY, dir_fd=here)
        os.close(here)
        here, path = below, path / LONG
    fd = os.open("a.bin", os.O_WRONLY | os.O_CREAT, dir_fd=here)
    os.write(fd, GOOD)
    os.close(fd)
    os.close(here)
    return path


@pytest.mark.fault(31)
def test_paths_longer_than_the_system_allows(tmp_path: Path, keeper: Keeper, world: World) -> None:
    """ "256-byte name, very long path: refused, limit named" (PATH_MAX is 4096, limits.h)

    What a walk reaches step by step is taken, however long its path; what was named by such a path is refused.
    """
    kit = Kit(tmp_path, "deep store")
    path = deep(kit.source, 20)
    assert len(os.fsencode(path)) > os.pathconf("/", "PC_PATH_MAX")
    assert kit.add(kit.bundle("a.bin", GOOD)).counts == {"added": 1}
    for words in (
        ["store", "add", world.manifest, "--from", path],
        ["store", "add", world.manifest, "--from", world.downloads, "--store", path],
        ["verify", world.manifest, "--at", path],
        ["store", "list", "--store", path],
        ["manifest", "lint", path / "a.toml"],
        ["inventory", "load", path / "a.toml"],
        ["manifest", "draft", path],
    ):
        ran = keeper(*words)
        assert ran.status in {2, 3}, words
        assert "File name too long" in ran.err, words
    long_name = "x" * 242 + ".bin"
    with pytest.raises(InputError) as caught:
        kit.add(kit.bundle(long_name, GOOD), manifest=2)
    assert "240" in str(caught.value.message) + caught.value.hint + "".join(p.message for p in caught.value.problems)


@pytest.mark.fault(35)
def test_the_same_file_under_two_families(keeper: Keeper, world: World) -> None:
    """ "same file under two families: a finding", by lint, by store add and by verify; lint alone warns"""
    first, second, *_ = names = [line.split('"')[1] for line in _lines(world, "file")]
    text = world.manifest.read_text()
    for key in ("sha256", "size"):
        one, other, *_ = _lines(world, key)
        text = text.replace(other, one, 1)
    world.manifest.write_text(text)
    shutil.copy(world.downloads / first, world.downloads / second)
    for status, level, *words in (
        (1, "warning", "manifest", "lint", world.manifest),
        (0, "note", "store", "add", world.manifest, "--from", world.downloads, "--quiet"),
        (0, "note", "verify", world.manifest, "--at", world.downloads),
    ):
        ran = keeper(*words, "--json")
        assert ran.status == status, words
        (found,) = [f for f in ran.json["findings"] if f["code"] == "digest-shared"]
        assert (found["level"], len(names)) == (level, 9)
        assert "sha256" in found["subject"]


def _lines(world: World, key: str) -> list[str]:
    return [line for line in world.manifest.read_text().splitlines() if line.startswith(f"{key} = ")]
