"""The second of everything on media: the second split file, wrong copy, target, bad file, notice.

Found by mutation: with the second ignored, no other test failed.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.media.volume.folder import VolumeFolder
from bundlekeeper.media.writing.resume_memory import recall
from bundlekeeper.store.adding.plan import shortage_of as real_shortage
from bundlekeeper.store.contents.store import Store
from tests.kits.media_kit import Bundle, Site, make_set, write_set
from tests.kits.media_write_kit import Counting, Piece, World, states

TWO_SPLIT = (
    Bundle("infrastructure", "6.1.0", b"i" * 900, (1,)),
    Bundle("blade", "6.1.0", bytes(range(256)) * 400, (1, 2)),
    Bundle("rack", "6.1.0", bytes(range(255, -1, -1)) * 500, (1, 2)),
)
PIECES = (
    Piece("infrastructure", "6.1.0", b"infrastructure" * 40_000, (1,)),
    Piece("blade", "6.1.0", bytes(range(256)) * 2_001, (1, 2)),
    Piece("rack", "6.1.0", b"r" * 70_001, (1, 2)),
)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return Site(tmp_path / "skerry")


@pytest.fixture
def sticks(tmp_path: Path) -> list[Path]:
    return write_set(make_set(TWO_SPLIT), tmp_path)


@pytest.mark.parametrize("together", [True, False])
def test_two_split_files_of_one_set(site: Site, sticks: list[Path], together: bool) -> None:
    for folders in [sticks] if together else [[sticks[1]], [sticks[0]]]:
        came = site.receive(*folders)
        assert came.findings == ()
    assert came.complete
    assert site.bundles() == {each.path: each.data for each in TWO_SPLIT}


def test_every_wrong_copy_of_a_part_is_reported(site: Site, sticks: list[Path], tmp_path: Path) -> None:
    copies = write_set(make_set(TWO_SPLIT), tmp_path / "again")
    part = next(sticks[1].glob("data/blade/6.1.0/*.part-02of02")).relative_to(sticks[1])
    for n, volume in enumerate((sticks[1], copies[1])):
        data = bytearray((volume / part).read_bytes())
        data[n] ^= 1
        (volume / part).write_bytes(data)
    came = site.receive(sticks[0], sticks[1], copies[1])
    reported = [f.message for f in came.findings if f.code == "altered"]
    assert len(reported) == 2
    assert all(any(str(volume) in message for message in reported) for volume in (sticks[1], copies[1]))


def test_room_is_counted_for_every_part_of_every_split_file(
    site: Site, sticks: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []

    def asking(fd: int, need: int) -> str:
        asked.append(need)
        return real_shortage(fd, need)

    monkeypatch.setattr("bundlekeeper.media.receiving.receive.shortage_of", asking)
    assert site.receive(*sticks).complete
    assert asked[0] == sum(len(each.data) for each in TWO_SPLIT)


@pytest.fixture
def world(tmp_path: Path) -> World:
    for name in ("main site", "one", "two"):
        (tmp_path / name).mkdir()
    return World(tmp_path / "main site", PIECES, 2)


@pytest.mark.parametrize("which", [1, 2])
def test_a_store_file_that_turned_bad_spoils_every_volume_that_has_a_part_of_it(
    world: World, tmp_path: Path, which: int
) -> None:
    """Neither volume may look finished, on neither target."""
    path = world.kit.root / PIECES[which].path
    path.chmod(0o600)
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)
    with pytest.raises(UnfinishedError) as caught:
        world.write(tmp_path / "one", tmp_path / "two")
    assert [f.code for f in caught.value.problems] == ["altered"]
    for target in ("one", "two"):
        for volume in (tmp_path / target).iterdir():
            assert not (volume / "bagit.txt").exists()
            assert list(volume.glob(f"data/{PIECES[which].path}*")) == []


def test_a_store_file_that_turned_bad_after_the_index_was_signed(world: World, tmp_path: Path) -> None:
    assert world.write(tmp_path / "one").status == 0
    for which in (1, 2):
        path = world.kit.root / PIECES[which].path
        path.chmod(0o600)
        path.write_bytes(bytes(len(path.read_bytes())))
    written = world.write(tmp_path / "two")
    assert written.status == 1
    assert {(f.code, f.subject) for f in written.findings} == {("altered", PIECES[n].path) for n in (1, 2)}
    assert states(written) == {1: "failed", 2: "failed"}
    assert not list((tmp_path / "two").glob("*/bagit.txt"))


def test_every_file_that_reads_back_wrong_is_reported(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The medium turns a byte of two files between writing and reading back."""
    bad = [
        "data/rack/6.1.0/marram-rack-6.1.0.bin.part-01of02",
        "data/infrastructure/6.1.0/marram-infrastructure-6.1.0.bin",
    ]

    def turn() -> None:
        volume = next((tmp_path / "one").glob("*-1of2"))
        for name in bad:
            with (volume / name).open("r+b") as file:
                file.seek(5)
                file.write(b"\xff")

    written = world.write(tmp_path / "one", progress=Counting(begins={"verifying from the medium": turn}))
    reported = {f.subject.partition("1of2/")[2] for f in written.findings if f.code == "altered"}
    assert reported == set(bad)
    assert states(written) == {1: "failed", 2: "written"}


def test_every_finished_volume_is_verified_again(world: World, tmp_path: Path) -> None:
    assert world.write(tmp_path / "one").status == 0
    volumes = sorted((tmp_path / "one").iterdir())
    for volume in volumes:
        (volume / "verify.py").write_bytes(b"print('ok')\n")
    written = world.write(tmp_path / "one")
    assert states(written) == {1: "failed", 2: "failed"}
    reported = {f.subject for f in written.findings if f.subject.endswith("verify.py")}
    assert reported == {f"{volume}/verify.py" for volume in volumes}


@pytest.mark.parametrize("which", ["one", "two"])
def test_a_write_that_fails_on_either_target(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: str
) -> None:
    """Only the write fails, no sync and no close: the file is opened for reading where it must be written."""
    real = VolumeFolder.create

    def create(volume: VolumeFolder, path: str) -> int:
        fd = real(volume, path)
        if volume.place.path.name != which or "marram-rack" not in path:
            return fd
        try:
            return os.open(f"/proc/self/fd/{fd}", os.O_RDONLY)
        finally:
            os.close(fd)

    monkeypatch.setattr(VolumeFolder, "create", create)
    written = world.write(tmp_path / "one", tmp_path / "two")
    assert written.status == 3
    failed = {Path(copy.path).parent.name for copy in written.copies if copy.state == "failed"}
    assert failed == {which}
    assert not list((tmp_path / which).glob("*/bagit.txt"))


def test_where_every_target_was_is_remembered(world: World, tmp_path: Path) -> None:
    """A set goes on only on a medium where it was begun on one, whichever of its targets that is."""
    written = world.write(tmp_path / "one", tmp_path / "two")
    with Store.open(world.kit.root, write=False) as store:
        points = recall(store, written.sent).points
    assert set(points) == {os.path.realpath(tmp_path / name) for name in ("one", "two")}


def test_volumes_on_one_file_system_share_its_room(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each would fit alone, with three fifths of what is free: neither is begun."""
    room = os.statvfs(tmp_path)
    need = room.f_bavail * room.f_frsize * 3 // 5
    monkeypatch.setattr("bundlekeeper.media.writing.write.needed", lambda *_: need)
    with pytest.raises(UnfinishedError, match="not enough space") as caught:
        world.write(tmp_path / "one")
    assert {f.code for f in caught.value.problems} == {"not-enough-space"}
    assert list((tmp_path / "one").iterdir()) == []
