"""Sets with several split files: one run writes them all, whatever way they go out."""

from __future__ import annotations

from pathlib import Path

import pytest

from bundlekeeper.media.volume.bag import read_bag, verify_bag
from bundlekeeper.model.media.index import read_index
from tests.kits.disc_images import image
from tests.kits.media_write_kit import Piece, World, bytes_once, payload_of, states

THREE = (
    Piece("infrastructure", "6.1.0", bytes(range(256)) * 2_001, (1, 2)),
    Piece("blade", "6.1.0", bytes(range(255)) * 2_003, (1, 2, 3)),
    Piece("rack", "6.1.0", bytes(range(254)) * 2_005, (2, 3)),
)


@pytest.fixture(params=[2, 3])
def world(request: pytest.FixtureRequest, tmp_path: Path) -> World:
    """Three volumes, with two or three split files."""
    (tmp_path / "main site").mkdir()
    (tmp_path / "stick").mkdir()
    return World(tmp_path / "main site", THREE[: request.param], 3)


def insist_whole(world: World, stick: Path, *numbers: int) -> None:
    for number in numbers:
        volume = stick / f"marram-set0001-{number}of3"
        assert verify_bag(read_bag(volume)).findings == ()
        assert payload_of(volume) == world.expected(number)


def test_several_split_files_go_out_in_one_run(world: World, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    written = world.write(stick)
    assert (written.findings, written.status) == ((), 0)
    assert written.read_bytes == bytes_once(world.packing)
    assert states(written) == {1: "written", 2: "written", 3: "written"}
    insist_whole(world, stick, 1, 2, 3)
    index = read_index((stick / "marram-set0001-1of3/set-index.json").read_bytes())
    assert sum(each.split for each in index.files) == len(world.pieces)


def test_several_split_files_where_only_one_volume_is_written(world: World, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    assert states(world.write(stick, only=(2,))) == {2: "written"}
    assert states(world.write(stick)) == {1: "written", 2: "already there", 3: "written"}
    insist_whole(world, stick, 1, 2, 3)


def test_several_split_files_in_images(world: World, tmp_path: Path) -> None:
    made = image(world, tmp_path / "set.iso", only=(2,))
    assert [(number, one.findings) for number, one in made.images] == [(2, ())]
    assert states(world.write(tmp_path / "stick")) == {1: "written", 2: "written", 3: "written"}
    insist_whole(world, tmp_path / "stick", 1, 2, 3)
