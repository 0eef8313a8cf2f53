"""Targets that cannot be begun or have no space: reported, left out, the others are finished; and folders of the
store."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError, LockedError, UnfinishedError
from bundlekeeper.media.volume.bag import read_bag, verify_bag
from bundlekeeper.media.volume.folder import VolumeFolder
from bundlekeeper.media.volume.right_medium import insist_outside, open_place
from bundlekeeper.media.writing import write as writing
from tests.kits.disc_images import image
from tests.kits.media_write_kit import SPLIT, World, states, target
from tests.kits.mounts import mounted

VOLUME = "marram-set0001-1of1"


@pytest.fixture
def world(tmp_path: Path) -> World:
    for name in ("main site", "good"):
        (tmp_path / name).mkdir()
    return World(tmp_path / "main site")


@contextmanager
def read_only(base: Path) -> Iterator[Path]:
    with mounted("tmpfs", base) as stick:
        subprocess.run(["mount", "-o", "remount,ro", stick], check=True)
        yield stick


def insist_whole(volume: Path) -> None:
    assert verify_bag(read_bag(volume)).findings == ()


@pytest.mark.root
@pytest.mark.parametrize("trouble", ["read-only", "no space"])
@pytest.mark.parametrize("first", [True, False])
def test_a_target_that_cannot_be_begun_stops_no_other(world: World, tmp_path: Path, trouble: str, first: bool) -> None:
    """The handbook: "A target that fails, is read-only or has no space is left out, the others are finished (3)." """
    good = tmp_path / "good"
    with ExitStack() as stack:
        bad = stack.enter_context(
            read_only(tmp_path) if trouble == "read-only" else mounted("tmpfs", tmp_path, size_mb=1)
        )
        written = world.write(*([bad, good] if first else [good, bad]))
        assert written.status == 3
        assert {copy.path: copy.state for copy in written.copies} == {
            str(bad / VOLUME): "failed",
            str(good / VOLUME): "written",
        }
        (reported,) = written.findings
        assert reported.code == ("not-enough-space" if trouble == "no space" else "bad-volume")
        assert str(bad) in reported.subject
        assert ("Read-only" if trouble == "read-only" else "are free") in reported.message
        insist_whole(good / VOLUME)
        assert os.listdir(bad) == []
        assert sorted(written.sent.written) == [1]
        again = world.write(bad, good)  # and where all the rest is finished
        assert (again.status, [c.state for c in again.copies]) == (3, ["failed", "already there"])


@pytest.mark.root
def test_where_no_target_can_be_begun_nothing_is_and_all_is_reported(world: World, tmp_path: Path) -> None:
    (tmp_path / "small").mkdir()
    with read_only(tmp_path) as one, mounted("tmpfs", tmp_path / "small", size_mb=1) as two:
        with pytest.raises(UnfinishedError, match="cannot be made") as caught:
            world.write(one, two)
        assert "not-enough-space" in {each.code for each in caught.value.problems}
        assert (os.listdir(one), os.listdir(two)) == ([], [])


@pytest.mark.root
def test_a_volume_that_was_begun_before_stays_where_room_lacks_now(tmp_path: Path) -> None:
    for name in ("main site", "good"):
        (tmp_path / name).mkdir()
    world = World(tmp_path / "main site", SPLIT, 3)
    with mounted("tmpfs", tmp_path, size_mb=16) as stick:
        begun = stick / "marram-set0001-2of3"
        world.write(stick, only=(2,))
        (begun / "bagit.txt").unlink()
        before = sorted(p for p in begun.rglob("*.part-*"))
        (stick / "ballast").write_bytes(bytes(13_000_000))
        written = world.write(stick, tmp_path / "good")
        assert written.status == 3
        assert sorted(p for p in begun.rglob("*.part-*")) == before
        assert [p.name for p in stick.iterdir() if p.is_dir()] == [begun.name]
        assert sorted(written.sent.written) == [1, 2, 3]


def test_a_target_that_cannot_be_opened_is_left_out(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bad").mkdir()
    real = open_place

    def shut(path: Path, *rest: object, **options: object) -> object:
        if path.name == "bad":
            raise UnfinishedError("the folder cannot be opened: Input/output error", where=str(path))
        return real(path, *rest, **options)  # type: ignore[arg-type]  # handed on as it came

    monkeypatch.setattr(writing, "open_place", shut)
    written = world.write(tmp_path / "bad", tmp_path / "good")
    assert (written.status, states(written)[1]) == (3, "failed")
    assert [(f.code, f.subject) for f in written.findings] == [("bad-volume", str(tmp_path / "bad"))]
    insist_whole(tmp_path / "good" / VOLUME)
    with pytest.raises(UnfinishedError, match="Input/output"):
        world.write(tmp_path / "bad")


def test_a_volume_that_another_process_writes_is_left_out_and_left_alone(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "busy").mkdir()
    real = VolumeFolder.begin

    def begin(self: VolumeFolder, *rest: object) -> None:
        if self.place.path.name == "busy":
            (self.path).mkdir()
            raise LockedError("another process is writing this volume", where=str(self.path))
        real(self, *rest)  # type: ignore[arg-type]  # handed on as it came

    monkeypatch.setattr(VolumeFolder, "begin", begin)
    written = world.write(tmp_path / "busy", tmp_path / "good")
    assert written.status == 3
    assert (tmp_path / "busy" / VOLUME).exists()
    insist_whole(tmp_path / "good" / VOLUME)


# Nothing goes into the store


@pytest.mark.parametrize("place", ["", "blade", "quarantine", "manifests"])
@pytest.mark.parametrize("linked", [False, True])
def test_a_folder_of_the_store_is_no_target(world: World, tmp_path: Path, place: str, linked: bool) -> None:
    folder = world.kit.root / place
    if linked:
        (tmp_path / "link").symlink_to(folder)
        folder = tmp_path / "link"
    before = sorted(world.kit.root.rglob("*"))
    with pytest.raises(InputError, match="inside the store"):
        world.write(tmp_path / "good", folder)
    with pytest.raises(InputError, match="inside the store"):
        image(world, folder / "set.iso")
    after = [p for p in sorted(world.kit.root.rglob("*")) if ".keeper/ledger" not in str(p)]
    assert [p for p in after if p not in before] == []
    assert os.listdir(tmp_path / "good") == []


def test_beside_the_store_is_not_in_it(tmp_path: Path) -> None:
    (tmp_path / "store").mkdir()
    (tmp_path / "store-more").mkdir()
    insist_outside(tmp_path / "store-more", tmp_path / "store")
    insist_outside(tmp_path, tmp_path / "store")
    insist_outside(tmp_path / "store-more/absent/set.iso", tmp_path / "store")
    insist_outside(tmp_path / "store-more", tmp_path / "absent")
    with pytest.raises(InputError):
        insist_outside(tmp_path / "store/absent/set.iso", tmp_path / "store")
    assert target("1=x").volume == 1
