"""Many bundles of one size: what `store add` looks at and keeps in memory grows with their number, not with its
square."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.model.progress import Silent
from bundlekeeper.store.adding import sources
from bundlekeeper.store.adding.add import add_bundles
from tests.kits.mounts import stable_folder
from tests.kits.store_kit import Kit, codes, now


def _bytes(number: int) -> bytes:
    return b"%06d" % number


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """The names of all offers that sources make."""
    names: list[str] = []

    class Counted(sources.FileOffer):
        def __init__(self, place: str, name: str, *rest: Any) -> None:
            names.append(name)
            super().__init__(place, name, *rest)

    monkeypatch.setattr(sources, "FileOffer", Counted)
    yield names


def test_a_plan_of_many_bundles_of_one_size_makes_one_offer_for_each(tmp_path: Path, made: list[str]) -> None:
    """ "manifests of 10,000 bundles" (issue: store add): files under other names are offered only on need."""
    kit = Kit(tmp_path)
    count = 3000
    for number in range(count):
        kit.offer(f"{number}.bin", _bytes(number))
    loaded = kit.loaded(*(kit.bundle(f"{n}.bin", _bytes(n), version=str(n)) for n in range(count)))
    result = add_bundles(None, loaded, [sources.FolderSource(kit.source)], clock=now, progress=Silent(), dry_run=True)
    assert (result.counts, len(made)) == ({"to add": count}, count)


def test_adding_bundles_that_have_their_names_looks_at_no_other(tmp_path: Path, made: list[str]) -> None:
    """The usual run makes one offer for each bundle, and reads each file once."""
    kit = Kit(tmp_path)
    for number in range(60):
        kit.offer(f"{number}.bin", _bytes(number))
    result = kit.add(*(kit.bundle(f"{n}.bin", _bytes(n), version=str(n)) for n in range(60)))
    assert (result.counts, len(made), result.read_bytes) == ({"added": 60}, 60, 60 * 6)


def test_a_folder_is_not_listed_for_each_of_its_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is held is found by its name; listing thousands of names thousands of times took minutes."""
    kit = Kit(stable_folder(tmp_path))
    bundles = [kit.bundle(f"{n}.bin", _bytes(n)) for n in range(20)]
    for number in range(20):
        kit.offer(f"{number}.bin", _bytes(number))
    kit.add(*bundles)
    listed: list[int] = []
    real = os.listdir

    def counted(folder: int) -> list[str]:
        listed.append(folder)
        return real(folder)

    monkeypatch.setattr(os, "listdir", counted)
    assert kit.add(*bundles).counts == {"already there": 20}
    assert len(listed) < 10


def test_files_of_one_size_are_read_once_however_many_bundles_are_missing(tmp_path: Path) -> None:
    """Bytes that were read for one bundle are known to be no other's."""
    kit = Kit(tmp_path)
    for number in range(40):
        kit.offer(f"{number}.bin", _bytes(number))
    missing = [kit.bundle(f"{n}.bin", _bytes(n), version=str(n)) for n in range(100, 140)]
    result = kit.add(*missing)
    assert (result.counts, set(codes(result)), result.read_bytes) == ({"missing": 40}, {"missing"}, 40 * 6)
    assert result.findings[0].message.endswith("; 40 files of its size have other bytes")
    found = kit.add(*missing, kit.bundle("a.bin", _bytes(7), version="a"), manifest=2)
    assert (found.counts, found.read_bytes) == ({"missing": 40, "added": 1}, 41 * 6)
