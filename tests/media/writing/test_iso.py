"""Images of volumes: read back by xorriso, isoinfo and the kernel, beside the library that made them."""

from __future__ import annotations

import fcntl
import hashlib
import os
import random
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import InputError, StoppedError, UnfinishedError
from bundlekeeper.media.volume.bag import read_bag, verify_bag
from bundlekeeper.media.volume.folder import Expected
from bundlekeeper.media.writing import write_images as images
from bundlekeeper.media.writing.iso import Content, write_image
from bundlekeeper.media.writing.write_images import Imaged
from bundlekeeper.verification.hashing.read import Stop
from tests.kits import disc_images as shared
from tests.kits.disc_images import image
from tests.kits.media_write_kit import PIECES, SPLIT, Counting, Piece, World, payload_of, states
from tests.kits.sure import only_our_errors

world = shared.world


def needs(program: str) -> str:
    found = shutil.which(program)
    if found is None:
        pytest.skip(f"{program} is not installed")
    return found


def insist(volume: Path, world: World, number: int) -> None:
    bag = read_bag(volume)
    assert bag.findings == ()
    assert verify_bag(bag).findings == ()
    assert payload_of(volume) == world.expected(number)


def test_an_image_is_made_and_verified(world: World, tmp_path: Path) -> None:
    made = image(world, tmp_path / "set.iso")
    ((number, one),) = made.images
    assert (number, one.findings, made.findings) == (1, (), ())
    assert one.size == (tmp_path / "set.iso").stat().st_size
    assert [p.name for p in tmp_path.glob(".part-*")] == []


def test_xorriso_reads_it_back(world: World, tmp_path: Path) -> None:
    """Issue 6: "xorriso/isoinfo read back an image"."""
    xorriso = needs("xorriso")
    image(world, tmp_path / "set.iso")
    out = tmp_path / "out"
    command = [xorriso, "-osirrox", "on", "-indev", str(tmp_path / "set.iso"), "-extract", "/", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    subprocess.run(["chmod", "-R", "u+w", out], check=True)
    insist(out / "marram-set0001-1of1", world, 1)


@pytest.mark.parametrize("names", ["-J", "-R"])
def test_isoinfo_reads_it_back(world: World, tmp_path: Path, names: str) -> None:
    """Joliet and Rock Ridge, by the program of another project."""
    isoinfo = needs("isoinfo")
    image(world, tmp_path / "set.iso")
    path = f"/marram-set0001-1of1/data/{PIECES[1].path}"
    command = [isoinfo, names, "-i", str(tmp_path / "set.iso"), "-x", path]
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.stdout == PIECES[1].data


def test_another_reader_of_udf_reads_it_back(world: World, tmp_path: Path) -> None:
    """7-Zip reads ECMA-167 by code of its own."""
    program = needs("7z")
    image(world, tmp_path / "set.iso")
    command = [program, "x", "-tudf", f"-o{tmp_path / 'out'}", str(tmp_path / "set.iso")]
    subprocess.run(command, capture_output=True, check=True)
    insist(tmp_path / "out" / "marram-set0001-1of1", world, 1)


@pytest.mark.root
@pytest.mark.slow
@pytest.mark.parametrize("kind", ["iso9660", "udf"])
def test_the_kernel_mounts_it(world: World, tmp_path: Path, kind: str) -> None:
    """Either side of the image, as Linux reads it."""
    if os.geteuid() != 0:
        pytest.skip("needs root to mount")
    image(world, tmp_path / "set.iso")
    point = tmp_path / "disc"
    point.mkdir()
    command = ["mount", "-t", kind, "-o", "loop,ro", str(tmp_path / "set.iso"), str(point)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"mount: {done.stderr.strip()}")
    try:
        insist(point / "marram-set0001-1of1", world, 1)
        sums = ["sha256sum", "-c", "--strict", "--quiet", "SHA256SUMS"]
        assert subprocess.run(sums, cwd=point / "marram-set0001-1of1", check=False).returncode == 0
        verifier = [sys.executable, "verify.py"]
        assert subprocess.run(verifier, cwd=point / "marram-set0001-1of1", capture_output=True).returncode == 0
    finally:
        subprocess.run(["umount", point], check=True)


def test_one_image_for_each_volume_and_the_same_set_as_on_sticks(tmp_path: Path) -> None:
    (tmp_path / "main site").mkdir()
    world = World(tmp_path / "main site", SPLIT, 3)
    made = image(world, tmp_path / "set.iso", only=(1, 3))
    assert sorted(p.name for p in tmp_path.glob("*.iso")) == ["set-1of3.iso", "set-3of3.iso"]
    (tmp_path / "stick").mkdir()
    written = world.write(tmp_path / "stick", only=(2,))
    assert states(written) == {2: "written"}
    assert written.sent.set_id == made.sent.set_id
    index = (tmp_path / "stick" / "marram-set0001-2of3" / "set-index.json").read_bytes()
    xorriso = needs("xorriso")
    command = [xorriso, "-osirrox", "on", "-indev", str(tmp_path / "set-3of3.iso")]
    command += ["-extract", "/marram-set0001-3of3/set-index.json", str(tmp_path / "index")]
    subprocess.run(command, capture_output=True, check=True)
    assert (tmp_path / "index").read_bytes() == index


def test_sha512_and_long_names(tmp_path: Path) -> None:
    """A name longer than Joliet's 64 characters is whole in UDF and Rock Ridge."""
    (tmp_path / "main site").mkdir()
    world = World(tmp_path / "main site", [Piece("blade", "6.1.0-" + "x" * 70, b"long" * 999)])
    image(world, tmp_path / "set.iso", sha512=True)
    xorriso = needs("xorriso")
    command = [xorriso, "-osirrox", "on", "-indev", str(tmp_path / "set.iso"), "-extract", "/", str(tmp_path / "out")]
    subprocess.run(command, capture_output=True, check=True)
    bag = read_bag(tmp_path / "out" / "marram-set0001-1of1")
    assert {name for sums in bag.payload.values() for name in sums} == {"sha256", "sha512"}
    assert verify_bag(bag).findings == ()


def test_a_store_file_that_changed_makes_no_image(world: World, tmp_path: Path) -> None:
    place = world.kit.root / PIECES[0].path
    place.chmod(0o644)
    data = bytearray(place.read_bytes())
    data[7] ^= 1
    place.write_bytes(data)
    ((_, one),) = image(world, tmp_path / "set.iso").images
    assert [each.code for each in one.findings] == ["altered"]
    assert sorted(os.listdir(tmp_path)) == ["main site"]


def test_an_image_that_turns_bad_before_it_is_verified_gets_no_name(world: World, tmp_path: Path) -> None:
    def turn() -> None:
        (part,) = tmp_path.glob(".part-*")
        data = part.read_bytes()
        at = data.index(PIECES[2].data)
        with part.open("r+b") as file:
            file.seek(at + 5)
            file.write(b"!")

    made = image(world, tmp_path / "set.iso", progress=Counting(begins={"verifying the image": turn}))
    assert [each.code for each in made.images[0][1].findings] == ["altered"]
    assert sorted(os.listdir(tmp_path)) == ["main site"]


def test_nothing_is_written_over_and_nothing_is_left_when_stopped(world: World, tmp_path: Path) -> None:
    (tmp_path / "set.iso").write_text("mine")
    with pytest.raises(InputError, match="there already"):
        image(world, tmp_path / "set.iso")
    assert (tmp_path / "set.iso").read_text() == "mine"
    stop = Stop()
    with pytest.raises(StoppedError):
        image(world, tmp_path / "other.iso", stop=stop, progress=Counting(begins={"writing the image": stop.set}))
    assert sorted(os.listdir(tmp_path)) == ["main site", "set.iso"]


def test_a_file_over_the_limit_of_images_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    """ISO 9660 levels 1 and 2: 4 GiB - 1 for a file (ECMA-119)."""
    large = Content(Expected(1 << 32, {"sha256": "0" * 64}), lambda: -1)
    with pytest.raises(InputError, match="larger than an image holds"):
        write_image(tmp_path / "x.iso", "x", "x", {"data/x": large}, progress=Counting(), stop=None)
    assert os.listdir(tmp_path) == []


def test_without_the_library_the_extra_is_named(world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    with pytest.raises(InputError, match="extra 'iso'"):
        image(world, tmp_path / "set.iso")


def test_the_label_of_the_disc_names_the_set(world: World, tmp_path: Path) -> None:
    isoinfo = needs("isoinfo")
    image(world, tmp_path / "set.iso")
    said = subprocess.run([isoinfo, "-d", "-i", tmp_path / "set.iso"], capture_output=True, text=True, check=True)
    assert re.search(r"Volume id: MARRAM_SET0001_1", said.stdout)
    assert hashlib.sha256((tmp_path / "set.iso").read_bytes()).hexdigest()


# Again: what is there is verified, what a killed run left is taken away


@pytest.fixture
def three(tmp_path: Path) -> World:
    (tmp_path / "main site").mkdir()
    return World(tmp_path / "main site", SPLIT, 3)


def reported(made: Imaged) -> list[tuple[int, bool, list[str]]]:
    return [(number, one.there, [each.code for each in (*one.findings, *one.beside)]) for number, one in made.images]


def test_images_that_are_there_and_whole_are_kept(three: World, tmp_path: Path) -> None:
    image(three, tmp_path / "set.iso", only=(1, 3))
    before = {p: (p.stat().st_mtime_ns, p.stat().st_ino) for p in tmp_path.glob("*.iso")}
    made = image(three, tmp_path / "set.iso")
    assert reported(made) == [(1, True, []), (2, False, []), (3, True, [])]
    assert made.images[0][1].level is not None
    assert {p: (p.stat().st_mtime_ns, p.stat().st_ino) for p in before} == before
    assert sorted(made.sent.written) == [1, 2, 3]


def test_what_an_image_that_is_there_lacks_of_what_is_asked_now_is_reported(three: World, tmp_path: Path) -> None:
    image(three, tmp_path / "set.iso", only=(1,))
    assert reported(image(three, tmp_path / "set.iso", only=(1,), sha512=True)) == [(1, True, ["missing"])]


@pytest.mark.parametrize("mark", [b"infrastructure" * 20, b"READ", b"BagIt-Version: 1.0", b"SSH SIGNATURE"])
def test_an_image_that_was_damaged_is_never_kept(three: World, tmp_path: Path, mark: bytes) -> None:
    image(three, tmp_path / "set.iso", only=(1,))
    path = tmp_path / "set-1of3.iso"
    data = bytearray(path.read_bytes())
    at = data.rindex(mark)
    data[at + 2] ^= 1
    path.write_bytes(data)
    with pytest.raises(InputError, match="there already"):
        image(three, tmp_path / "set.iso", only=(1,))
    assert path.read_bytes() == data


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_done_to_an_image_it_is_no_bug(three: World, tmp_path: Path, seed: int) -> None:
    image(three, tmp_path / "set.iso", only=(3,))
    path = tmp_path / "set-3of3.iso"
    chance = random.Random(seed)
    data = bytearray(path.read_bytes())
    for _ in range(40):  # where the structures are: the first 600 sectors
        data[chance.randrange(32768, min(len(data), 600 * 2048))] = chance.randrange(256)
    path.write_bytes(data[: chance.choice([len(data), len(data) // 2, 40_000])])
    only_our_errors(lambda _: image(three, tmp_path / "set.iso", only=(3,)), b"")


def test_another_volumes_or_sets_image_is_not_kept(three: World, tmp_path: Path) -> None:
    image(three, tmp_path / "set.iso", only=(1,))
    shutil.copy(tmp_path / "set-1of3.iso", tmp_path / "set-2of3.iso")
    with pytest.raises(InputError, match="there already"):
        image(three, tmp_path / "set.iso")
    (tmp_path / "other").mkdir()
    with pytest.raises(InputError, match="there already"):
        image(World(tmp_path / "other", SPLIT, 3), tmp_path / "set.iso", only=(1,))


def test_what_a_killed_run_left_is_removed_by_the_next(world: World, tmp_path: Path) -> None:
    left = tmp_path / ".part-0123456789ab-set.iso"
    others = [tmp_path / name for name in (".part-0123456789ab-other.iso", ".part-zz-set.iso", "part-set.iso")]
    for each in (left, *others):
        each.write_bytes(b"half")
    stored = os.open(tmp_path / ".part-ba9876543210-set.iso", os.O_RDWR | os.O_CREAT)
    fcntl.flock(stored, fcntl.LOCK_EX)
    try:
        image(world, tmp_path / "set.iso")
    finally:
        os.close(stored)
    assert not left.exists()
    assert [each.exists() for each in others] == [True, True, True]
    assert (tmp_path / ".part-ba9876543210-set.iso").exists()  # another process is at it


def test_images_that_were_made_are_reported_where_a_later_one_fails(
    three: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = write_image

    def full(path: Path, *rest: Any, **options: Any) -> Any:
        if "2of3" in path.name:
            raise UnfinishedError("the image cannot be written: No space left on device", where=str(path))
        return real(path, *rest, **options)

    monkeypatch.setattr(images, "write_image", full)
    made = image(three, tmp_path / "set.iso")
    assert reported(made) == [(1, False, [])]
    assert made.error is not None
    assert sorted(made.sent.written) == [1]
