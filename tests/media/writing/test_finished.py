"""Volumes that lie there finished: verified to have all that a volume is written with, and nothing is said too much."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest

from bundlekeeper.errors import RefusedError
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.media.volume import tag_files
from bundlekeeper.media.volume.folder import INDEX, SIGNATURE
from bundlekeeper.store.contents.store import Store
from tests.kits.media_write_kit import SPLIT, World, sign, states

VOLUME = "marram-set0001-1of1"


@pytest.fixture
def world(tmp_path: Path) -> World:
    (tmp_path / "main site").mkdir()
    (tmp_path / "stick").mkdir()
    made = World(tmp_path / "main site")
    assert made.write(tmp_path / "stick").status == 0
    return made


@pytest.fixture
def volume(tmp_path: Path) -> Path:
    return tmp_path / "stick" / VOLUME


def relist(volume: Path) -> None:
    """Make the volume's lists again from what lies there, as somebody would who wants it to look whole."""
    listed = tag_files.TAG_MANIFEST
    lines = [
        f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.name}\n"
        for p in sorted(volume.iterdir())
        if p.is_file() and p.name != listed
    ]
    (volume / listed).write_text("".join(lines))


@pytest.mark.parametrize("name", [name for name in tag_files.EVERY if name != "bagit.txt"])
@pytest.mark.parametrize("listed", [False, True])
def test_every_file_that_is_written_must_be_there(
    world: World, volume: Path, tmp_path: Path, name: str, listed: bool
) -> None:
    (volume / name).unlink()
    if listed and name != tag_files.TAG_MANIFEST:
        relist(volume)
    if name == INDEX:
        with pytest.raises(RefusedError, match="something else"):  # without its index it might be anybody's
            world.write(tmp_path / "stick")
        return
    again = world.write(tmp_path / "stick")
    assert states(again) == {1: "failed"}
    assert again.status == 1
    due = "no manifest" if name == "manifest-sha256.txt" else name
    assert any(due in each.subject or due in each.message for each in again.findings)


def test_a_file_that_the_lists_leave_out_is_not_verified(world: World, volume: Path, tmp_path: Path) -> None:
    text = (volume / tag_files.TAG_MANIFEST).read_text()
    (volume / tag_files.TAG_MANIFEST).write_text(re.sub(r".*READ-ME-FIRST.*\n", "", text))
    again = world.write(tmp_path / "stick")
    assert states(again) == {1: "failed"}
    assert [(each.code, each.message) for each in again.findings] == [
        ("bad-volume", "the volume's lists do not name it"),
    ]


def test_another_signature_that_the_lists_agree_with_is_found(world: World, volume: Path, tmp_path: Path) -> None:
    (volume / SIGNATURE).write_bytes(sign(b"another index"))
    relist(volume)
    again = world.write(tmp_path / "stick")
    assert states(again) == {1: "failed"}
    assert [each.code for each in again.findings] == ["altered"]
    assert again.findings[0].subject.endswith(SIGNATURE)


def test_payload_that_the_index_does_not_name_is_found(world: World, volume: Path, tmp_path: Path) -> None:
    (volume / "data/more").write_bytes(b"more")
    for name in ("manifest-sha256.txt", tag_files.SUMS):
        with (volume / name).open("a") as file:
            file.write(f"{hashlib.sha256(b'more').hexdigest()}  data/more\n")
    relist(volume)
    again = world.write(tmp_path / "stick")
    assert states(again) == {1: "failed"}
    assert "the set's index does not name it" in " ".join(each.message for each in again.findings)


@pytest.mark.parametrize("name", ["autorun.inf", "UNFINISHED.txt", "tool/extra.whl", "sub/folder/file"])
def test_strays_in_a_finished_volume_are_reported_and_left_there(
    world: World, volume: Path, tmp_path: Path, name: str
) -> None:
    (volume / name).parent.mkdir(parents=True, exist_ok=True)
    (volume / name).write_text("not ours")
    again = world.write(tmp_path / "stick")
    assert states(again) == {1: "already there"}
    assert [(each.code, each.subject) for each in again.findings] == [("extra", f"{volume}/{name}")]
    assert again.status == 1
    assert (volume / name).read_text() == "not ours"


def test_a_mark_of_another_set_names_it(world: World, volume: Path, tmp_path: Path) -> None:
    (volume / "bagit.txt").unlink()
    (volume / "UNFINISHED.txt").write_text("set 0123456789abcdef volume 7\nThis volume is not finished\n")
    with pytest.raises(RefusedError, match="volume 7 of another set: 0123456789abcdef"):
        world.write(tmp_path / "stick")
    (volume / "UNFINISHED.txt").write_text("anything")
    with pytest.raises(RefusedError, match=r"its UNFINISHED\.txt names no set"):
        world.write(tmp_path / "stick")


def test_a_volume_that_was_killed_before_its_record_is_recorded_when_it_is_verified(tmp_path: Path) -> None:
    """bagit.txt is on the medium, the set's record does not know it yet: writing again makes the set whole."""
    for name in ("main site", "stick"):
        (tmp_path / name).mkdir()
    world = World(tmp_path / "main site", SPLIT, 3)
    world.write(tmp_path / "stick", only=(1, 3))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Sets, "wrote", killed)
        with pytest.raises(Killed):
            world.write(tmp_path / "stick", only=(2,))
    assert (tmp_path / "stick/marram-set0001-2of3/bagit.txt").exists()
    again = world.write(tmp_path / "stick")
    assert states(again) == {1: "already there", 2: "already there", 3: "already there"}
    assert sorted(again.sent.written) == [1, 2, 3]
    with Store.open(world.kit.root, write=False) as store:
        (kept,) = Sets(store).sent()
    assert sorted(kept.written) == [1, 2, 3]


class Killed(BaseException):
    """The process ends here."""


def killed(*_: object) -> None:
    raise Killed


def test_a_damaged_volume_is_not_recorded(world: World, volume: Path, tmp_path: Path) -> None:
    (record,) = (world.kit.root / ".keeper/sets/sent").glob("*/record.json")
    before = record.read_bytes()
    (volume / tag_files.READ_ME).write_text("x")
    world.write(tmp_path / "stick")
    assert record.read_bytes() == before


def test_everything_that_a_finished_volume_lacks_is_reported(world: World, volume: Path, tmp_path: Path) -> None:
    """Two things are asked for that were not when it was finished: both are named, not only the first."""
    wheel = tmp_path / "some.whl"
    wheel.write_bytes(b"wheel")
    again = world.write(tmp_path / "stick", sha512=True, tool={"some.whl": wheel})
    subjects = sorted(found.subject for found in again.findings)
    assert subjects == [f"{volume}/manifest-sha512.txt", f"{volume}/tool/"]


@pytest.mark.parametrize("wish", ["sha512", "tool"])
def test_what_a_finished_volume_lacks_of_what_is_asked_now_is_reported(
    world: World, volume: Path, tmp_path: Path, wish: str
) -> None:
    wheel = tmp_path / "some.whl"
    wheel.write_bytes(b"wheel")
    options = {"sha512": True} if wish == "sha512" else {"tool": {"some.whl": wheel}}
    again = world.write(tmp_path / "stick", **options)
    assert states(again) == {1: "already there"}
    (reported,) = again.findings
    name = "manifest-sha512.txt" if wish == "sha512" else "tool/"
    assert (reported.code, reported.level, reported.subject) == ("missing", "warning", f"{volume}/{name}")
    assert "volume 1 was finished without it" in reported.message
    assert again.status == 1
    other = tmp_path / "other"
    other.mkdir()
    if wish == "tool":  # nothing goes out that the signed index does not name, and it is signed once
        assert "a new set" in reported.hint
        assert [f.subject for f in world.write(other, **options).findings] == ["tool/"]
        return
    assert "remove" in reported.hint
    assert world.write(other, **options).status == 0
    assert world.write(other, **options).findings == ()
