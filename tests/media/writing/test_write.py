"""Writing a media set onto folders: what every volume is, against bagit, sha256sum and the set's own verifier."""

from __future__ import annotations

import ast
import hashlib
import os
import shutil
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import InputError, LockedError, RefusedError, StoppedError, UnfinishedError
from bundlekeeper.media.volume import verify as verifier
from bundlekeeper.media.volume.bag import read_bag, verify_bag
from bundlekeeper.media.volume.read_back import ReadBackLevel
from bundlekeeper.media.volume.remount import MountState
from bundlekeeper.media.writing.resume_memory import recall, remember
from bundlekeeper.model.media.index import read_index
from bundlekeeper.store.contents.store import Store
from bundlekeeper.verification.hashing.read import Stop
from tests.kits.media_write_kit import PIECES, SPLIT, Counting, Piece, World, bytes_once, payload_of, states
from tests.kits.older_pythons import older_pythons
from tests.kits.sure import some

with warnings.catch_warnings():  # it asks pkg_resources for its version
    warnings.simplefilter("ignore")
    import bagit  # type: ignore[import-untyped]  # it has no types


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


@pytest.fixture
def split(tmp_path: Path) -> World:
    """Three volumes, with one bundle split over all of them."""
    return World(tmp_path, SPLIT, 3)


def folder(base: Path, name: str) -> Path:
    made = base / name
    made.mkdir()
    return made


def insist_whole(volume: Path) -> None:
    """By our own reader, by the library, by coreutils, by the verifier on the volume."""
    bag = read_bag(volume)
    assert bag.findings == ()
    assert verify_bag(bag).findings == ()
    assert bagit.Bag(str(volume)).is_valid()
    done = subprocess.run(["sha256sum", "-c", "--strict", "SHA256SUMS"], cwd=volume, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    every = {p.relative_to(volume).as_posix() for p in volume.rglob("*") if p.is_file()}
    named = {line.split("  ", 1)[1] for line in (volume / "SHA256SUMS").read_text().splitlines()}
    assert every - named == {"SHA256SUMS", "tagmanifest-sha256.txt"}
    done = subprocess.run([sys.executable, "verify.py"], cwd=volume, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_one_volume_is_whole_for_everybody(world: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    written = world.write(stick)
    assert written.findings == ()
    assert written.status == 0
    volume = stick / "marram-set0001-1of1"
    assert payload_of(volume) == world.expected(1)
    insist_whole(volume)
    (copy,) = written.copies
    assert (copy.state, copy.files, copy.kept) == ("written", 4, 0)
    assert sorted(os.listdir(stick)) == [volume.name]


def test_bag_info_describes_the_set(split: World, tmp_path: Path) -> None:
    """Issue 6: "bag-info (Payload-Oxum, Bag-Count, …)"; labels of RFC 8493 §2.2.2."""
    stick = folder(tmp_path, "stick")
    written = split.write(stick)
    info = bagit.Bag(str(stick / "marram-set0001-2of3")).info
    payload = split.expected(2)
    assert info["Payload-Oxum"] == f"{sum(map(len, payload.values()))}.{len(payload)}"
    assert info["Bag-Count"] == "2 of 3"
    assert info["Bag-Group-Identifier"] == written.sent.set_id
    assert len(info["Bagging-Date"]) == 10


def test_a_split_file_is_read_once_and_every_part_is_verified_alone(split: World, tmp_path: Path) -> None:
    """Issue 6: "Each volume verifies alone; ... with part digests and a whole digest"."""
    stick = folder(tmp_path, "stick")
    written = split.write(stick)
    assert written.status == 0
    assert written.read_bytes == bytes_once(split.packing)
    for number in (1, 2, 3):
        volume = stick / f"marram-set0001-{number}of3"
        insist_whole(volume)
        assert payload_of(volume) == split.expected(number)
    index = read_index((stick / "marram-set0001-1of3" / "set-index.json").read_bytes())
    (blade,) = [each for each in index.files if each.family == "blade"]
    for part in blade.parts:
        data = (stick / index.folder(part.volume) / "data" / part.path).read_bytes()
        assert hashlib.sha256(data).hexdigest() == part.sha256
    assert hashlib.sha256(SPLIT[1].data).hexdigest() == blade.sha256


def test_two_targets_get_the_same_from_one_read(split: World, tmp_path: Path) -> None:
    """Issue 6: "to two targets reads the source once"."""
    sticks = [folder(tmp_path, "a"), folder(tmp_path, "b")]
    written = split.write(*sticks)
    assert written.read_bytes == bytes_once(split.packing)
    assert {copy.state for copy in written.copies} == {"written"}
    for number in (1, 2, 3):
        name = f"marram-set0001-{number}of3"
        assert payload_of(sticks[0] / name) == payload_of(sticks[1] / name) == split.expected(number)
        assert (sticks[0] / name / "set-index.json").read_bytes() == (sticks[1] / name / "set-index.json").read_bytes()


def test_the_source_is_read_once_by_the_kernels_count(tmp_path: Path) -> None:
    """The same, counted by the kernel: rchar of /proc/self/io (proc(5)) grows by the source and what is read back."""
    big = Piece("rack", "6.1.0", os.urandom(9_000_001))
    world = World(tmp_path, [big])
    sticks = [folder(tmp_path, "a"), folder(tmp_path, "b")]

    def read_so_far() -> int:
        return int(Path("/proc/self/io").read_text().split("rchar: ")[1].split()[0])

    before = read_so_far()
    world.write(*sticks)
    read = read_so_far() - before
    assert 3 * len(big.data) <= read < 3 * len(big.data) + 3_000_000  # the source once, each copy read back once


def test_volumes_on_sticks_of_their_own_on_different_days(split: World, tmp_path: Path) -> None:
    """The index is signed once: every volume carries the same bytes, whenever it was written."""
    sticks = {n: folder(tmp_path, f"stick-{n}") for n in (1, 2, 3)}
    first = split.write(f"2={sticks[2]}")
    assert states(first) == {2: "written"}
    assert first.read_bytes == len(SPLIT[1].data) + len(split.expected(1)["manifests/marram-1.toml"])
    second = split.write(f"1={sticks[1]}", f"3={sticks[3]}")
    assert states(second) == {1: "written", 3: "written"}
    assert second.sent.set_id == first.sent.set_id
    indexes = {(sticks[n] / f"marram-set0001-{n}of3" / "set-index.json").read_bytes() for n in (1, 2, 3)}
    assert len(indexes) == 1
    for n in (1, 2, 3):
        insist_whole(sticks[n] / f"marram-set0001-{n}of3")


def test_only_chosen_volumes(split: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    assert states(split.write(stick, only=(3,))) == {3: "written"}
    assert os.listdir(stick) == ["marram-set0001-3of3"]
    with pytest.raises(InputError, match="no volume 4"):
        split.write(stick, only=(4,))


def test_sha512_on_wish(world: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    world.write(stick, sha512=True)
    volume = stick / "marram-set0001-1of1"
    insist_whole(volume)
    assert set(read_bag(volume).payload["data/" + PIECES[0].path]) == {"sha256", "sha512"}


def test_the_index_is_signed_for_indexes(world: World, tmp_path: Path) -> None:
    """By ssh-keygen, in the namespace for indexes (OpenSSH PROTOCOL.sshsig)."""
    if shutil.which("ssh-keygen") is None:
        pytest.skip("ssh-keygen is not installed")
    from bundlekeeper.verification.signatures.sign import allowed_signers_line, public_key_of
    from tests.kits.media_write_kit import KEY

    stick = folder(tmp_path, "stick")
    world.write(stick)
    volume = stick / "marram-set0001-1of1"
    (tmp_path / "allowed").write_text(allowed_signers_line(public_key_of(KEY)))
    command = ["ssh-keygen", "-Y", "verify", "-f", str(tmp_path / "allowed"), "-I", "keeper"]
    command += ["-n", "bundlekeeper-index", "-s", str(volume / "set-index.json.sig")]
    done = subprocess.run(command, input=(volume / "set-index.json").read_bytes(), capture_output=True)
    assert done.returncode == 0, done.stderr


def test_the_text_for_people_states_what_verification_does_not_show(world: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    written = world.write(stick)
    text = (stick / "marram-set0001-1of1" / "READ-ME-FIRST.txt").read_text()
    for due in (
        written.sent.set_id,
        "damage, not origin",
        "python3 verify.py",
        "sha256sum -c SHA256SUMS",
        "Get-FileHash",
        "did not test",
        "never from this medium",
        "release notes",
        PIECES[1].path,
    ):
        assert due in text, due
    assert all(len(line) <= 120 for line in text.splitlines())


# Interrupted, resumed, never finished by mistake


def test_a_stopped_write_goes_on_and_writes_nothing_twice(split: World, tmp_path: Path) -> None:
    """Issue 6: "Interrupted or full medium: resumable, never a volume that looks finished"."""
    stick = folder(tmp_path, "stick")
    stop = Stop()
    with pytest.raises(StoppedError):
        split.write(stick, stop=stop, progress=Counting(6_800_000, stop.set))
    assert not list(stick.rglob("bagit.txt"))
    assert all((each / "UNFINISHED.txt").exists() for each in stick.iterdir())
    counting = Counting()
    again = split.write(stick, progress=counting)
    assert again.status == 0
    assert "resumed" in {copy.state for copy in again.copies} <= {"resumed", "written"}
    assert sum(copy.kept for copy in again.copies) >= 1
    assert again.read_bytes < bytes_once(split.packing)
    for n in (1, 2, 3):
        insist_whole(stick / f"marram-set0001-{n}of3")
        assert not (stick / f"marram-set0001-{n}of3" / "UNFINISHED.txt").exists()


def test_a_finished_set_is_verified_and_not_written_again(split: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    split.write(stick)
    before = {p: p.stat().st_mtime_ns for p in stick.rglob("*")}
    again = split.write(stick)
    assert {copy.state for copy in again.copies} == {"already there"}
    assert again.read_bytes == 0
    assert again.status == 0
    assert {p: p.stat().st_mtime_ns for p in stick.rglob("*")} == before


def test_a_finished_volume_that_was_damaged_is_found(split: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    split.write(stick)
    file = next((stick / "marram-set0001-2of3" / "data").rglob("*.part-*"))
    data = bytearray(file.read_bytes())
    data[1_000_000] ^= 4
    file.write_bytes(data)
    again = split.write(stick)
    assert [each.code for each in again.findings] == ["altered"]
    assert states(again) == {1: "already there", 2: "failed", 3: "already there"}
    assert again.status == 1


def test_what_was_damaged_in_an_unfinished_volume_is_written_again(world: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    world.write(stick)
    volume = stick / "marram-set0001-1of1"
    (volume / "bagit.txt").unlink()
    file = volume / "data" / PIECES[0].path
    file.write_bytes(b"x" * len(PIECES[0].data))
    again = world.write(stick)
    assert states(again) == {1: "resumed"}
    assert again.read_bytes == len(PIECES[0].data)
    insist_whole(volume)
    assert payload_of(volume) == world.expected(1)


@pytest.mark.fault(60)
def test_a_folder_of_something_else_is_never_written_into(world: World, tmp_path: Path) -> None:
    """Half a set or an older set lying there: new folder; never merged."""
    stick = folder(tmp_path, "stick")
    strange = folder(stick, "marram-set0001-1of1")
    (strange / "data").mkdir()
    with pytest.raises(RefusedError, match="something else"):
        world.write(stick)
    assert list(strange.iterdir()) == [strange / "data"]


def test_another_makers_set_of_the_same_number_is_left_alone(tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    World(folder(tmp_path, "one")).write(stick)
    before = payload_of(stick / "marram-set0001-1of1")
    with pytest.raises(RefusedError, match="something else"):
        World(folder(tmp_path, "two"), [Piece("rack", "1", b"other")]).write(stick)
    assert payload_of(stick / "marram-set0001-1of1") == before


@pytest.mark.fault(60)
def test_foreign_files_in_an_unfinished_volume_are_reported_and_kept(world: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    world.write(stick)
    volume = stick / "marram-set0001-1of1"
    (volume / "bagit.txt").unlink()
    (volume / "data" / "mine.txt").write_text("mine")
    with pytest.raises(RefusedError, match=r"data/mine\.txt"):
        world.write(stick)
    assert (volume / "data" / "mine.txt").read_text() == "mine"


def test_a_store_file_that_is_not_what_it_was_never_goes_out(world: World, tmp_path: Path) -> None:
    place = world.kit.root / PIECES[0].path
    place.chmod(0o644)
    data = bytearray(place.read_bytes())
    data[5] ^= 1
    place.write_bytes(data)
    stick = folder(tmp_path, "stick")
    written = world.write(stick)
    assert [each.code for each in written.findings] == ["altered"]
    assert written.status == 1
    volume = stick / "marram-set0001-1of1"
    assert not (volume / "bagit.txt").exists()
    assert not (volume / "data" / PIECES[0].path).exists()
    place.write_bytes(PIECES[0].data)
    assert states(world.write(stick)) == {1: "resumed"}
    insist_whole(volume)


def test_a_store_file_that_is_gone_or_short_is_reported(split: World, tmp_path: Path) -> None:
    (split.kit.root / SPLIT[0].path).unlink()
    place = split.kit.root / SPLIT[2].path
    place.chmod(0o644)
    place.write_bytes(b"r")
    written = split.write(folder(tmp_path, "stick"))
    assert sorted(each.code for each in written.findings) == ["truncated", "unreadable"]
    assert states(written) == {1: "failed", 2: "written", 3: "failed"}


def test_two_writers_of_one_volume(world: World, tmp_path: Path) -> None:
    """One of them is reported so and does nothing."""
    stick = folder(tmp_path, "stick")
    met: list[str] = []

    def another() -> None:
        with pytest.raises(LockedError):
            world.write(stick)
        met.append("locked")

    written = world.write(stick, progress=Counting(1, another))
    assert met == ["locked"]
    assert written.status == 0
    insist_whole(stick / "marram-set0001-1of1")


def test_two_processes_that_write_other_volumes_of_a_set_sign_one_index(split: World, tmp_path: Path) -> None:
    """Whoever is later carries the index of whoever was first."""
    sticks = [folder(tmp_path, "a"), folder(tmp_path, "b")]
    others: list[Any] = []

    def another() -> None:
        others.append(split.write(f"2={sticks[1]}"))

    mine = split.write(f"1={sticks[0]}", progress=Counting(1, another))
    assert states(mine) == {1: "written"}
    assert states(others[0]) == {2: "written"}
    names = [sticks[0] / "marram-set0001-1of3", sticks[1] / "marram-set0001-2of3"]
    assert (names[0] / "set-index.json").read_bytes() == (names[1] / "set-index.json").read_bytes()
    assert (names[0] / "set-index.json.sig").read_bytes() == (names[1] / "set-index.json.sig").read_bytes()
    for each in names:
        insist_whole(each)


def test_what_another_process_remembers_of_mounts_is_kept(split: World, tmp_path: Path) -> None:
    """Else a volume that still is under the mount it was written under would pass for one that was mounted again."""
    sent = split.write(folder(tmp_path, "a"), only=(1,)).sent
    with Store.open(split.kit.root, write=True) as store:
        one, two = recall(store, sent), recall(store, sent)
        first, second = MountState("uuid:a", "boot", "9", "1"), MountState("uuid:a", "boot", "9", "2")
        one.written_under(1, first)
        two.written_under(1, second)
        one.finished[1] = {"uuid:a": 5}
        two.finished[1] = {"uuid:b": 6}
        remember(store, sent, one)
        remember(store, sent, two)
        kept = recall(store, sent)
    assert {first, second} <= set(kept.mounts[1])
    assert {"uuid:a": 5, "uuid:b": 6}.items() <= kept.finished[1].items()


def test_no_target_no_folder_same_folder(world: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    with pytest.raises(InputError, match="no such folder"):
        world.write(tmp_path / "absent")
    with pytest.raises(InputError, match="no target"):
        world.write()
    with pytest.raises(InputError, match="same folder"):
        world.write(stick, tmp_path / "store" / ".." / "stick")
    assert os.listdir(stick) == []


def test_a_name_that_no_volume_can_have_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    """ "Write no names with any of the three: common libraries disagree" (standards on RFC 8493 §2.1.3)"""
    world = World(tmp_path, [Piece("blade", "50%25", b"x")])
    stick = folder(tmp_path, "stick")
    with pytest.raises(InputError, match="%"):
        world.write(stick)
    assert os.listdir(stick) == []


def test_a_key_that_cannot_sign_leaves_nothing_that_looks_finished(world: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")

    def no_key(_data: bytes) -> bytes:
        raise UnfinishedError("no key today")

    with pytest.raises(UnfinishedError, match="no key"):
        world.write(stick, sign=no_key)
    assert not list(stick.rglob("bagit.txt"))
    again = world.write(stick)
    assert states(again) == {1: "resumed"}
    assert again.read_bytes == 0  # all of it was there, and verified to be whole


def test_what_is_claimed_of_an_ordinary_disk(world: World, tmp_path: Path) -> None:
    from bundlekeeper.store.disk.filesystem import describe

    stick = folder(tmp_path, "stick")
    (copy,) = world.write(stick).copies
    kind = describe(stick).name
    if kind in {"ext4", "xfs"}:
        assert copy.level is ReadBackLevel.EVICTED
    elif kind == "tmpfs":
        assert (copy.level, copy.reason) == (ReadBackLevel.UNSURE, "tmpfs is memory, not a medium")
    (again,) = world.write(stick).copies
    assert again.level == copy.level  # the same mount: no remount is claimed


# The verifier on the volume

VERIFIER = Path(verifier.__file__)


def test_the_verifier_is_for_python_3_8() -> None:
    """Issue 6: "needs only Python's standard library (3.8 and later)"."""
    tree = ast.parse(VERIFIER.read_text("utf-8"), feature_version=(3, 8))
    modules = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    modules |= {n.module or "" for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    plain = {"__future__", "hashlib", "itertools", "json", "os", "re", "signal", "stat", "sys", "typing"}
    assert modules <= plain | {"collections.abc"}


@pytest.mark.slow
def test_the_verifier_runs_with_every_python_here(split: World, tmp_path: Path) -> None:
    pythons = older_pythons()
    if not pythons:
        pytest.skip("no other interpreter is on this machine")
    stick = folder(tmp_path, "stick")
    split.write(stick)
    volumes = sorted(str(p) for p in stick.iterdir())
    (Path(volumes[0]) / "data" / "extra").write_text("x")
    for python in some(pythons):
        script = f"{volumes[0]}/verify.py"
        good = subprocess.run([python, "-I", script, *volumes[1:]], capture_output=True, text=True)
        assert good.returncode == 0, (python, good.stdout, good.stderr)
        bad = subprocess.run([python, "-I", script, *volumes], capture_output=True, text=True)
        assert (bad.returncode, "data/extra: is in no list" in bad.stdout) == (1, True), (python, bad.stdout)


def verify(*arguments: Path | str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-I", VERIFIER, *map(str, arguments)], capture_output=True, text=True, check=False
    )
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout


def test_the_verifier_verifies_split_files_as_a_whole(split: World, tmp_path: Path) -> None:
    stick = folder(tmp_path, "stick")
    split.write(stick)
    volumes = sorted(stick.iterdir())
    status, said = verify(*volumes)
    assert status == 0
    assert f"{SPLIT[1].path} as a whole, from its parts" in said
    status, said = verify(*volumes[:2])
    assert status == 0
    assert "not verified as a whole; volumes that were not given: 3" in said
    assert "damage, not origin" in said


@pytest.mark.parametrize(
    "harm",
    ["flip", "cut", "remove", "extra", "link", "no bagit.txt", "no manifest", "outside", "index", "oxum", "garbage"],
)
def test_the_verifier_finds_every_harm(world: World, tmp_path: Path, harm: str) -> None:
    stick = folder(tmp_path, "stick")
    world.write(stick)
    volume = stick / "marram-set0001-1of1"
    file = volume / "data" / PIECES[1].path
    data = bytearray(file.read_bytes())
    if harm == "flip":
        data[9] ^= 1
        file.write_bytes(data)
    elif harm == "cut":
        file.write_bytes(data[:-1])
    elif harm == "remove":
        file.unlink()
    elif harm == "extra":
        (volume / "data" / "more").write_text("x")
    elif harm == "link":
        (volume / "data" / "more").symlink_to("/etc/passwd")
    elif harm == "no bagit.txt":
        (volume / "bagit.txt").unlink()
    elif harm == "no manifest":
        (volume / "manifest-sha256.txt").unlink()
    elif harm == "outside":
        with (volume / "manifest-sha256.txt").open("a") as manifest:
            manifest.write(f"{'0' * 64}  data/../../secret\n")
    elif harm == "index":
        (volume / "set-index.json").write_text('{"files": [{"parts": 3}]}')
    elif harm == "oxum":
        text = (volume / "bag-info.txt").read_text()
        (volume / "bag-info.txt").write_text(text.replace("Payload-Oxum: ", "Payload-Oxum: 1"))
    else:
        (volume / "SHA256SUMS").write_bytes(b"\xff\x00garbage\n")
    status, said = verify(volume)
    assert status == 1
    assert "WRONG" in said


def test_the_verifier_distinguishes_volumes_of_two_sets(tmp_path: Path) -> None:
    volumes = []
    for name in ("one", "two"):
        base = folder(tmp_path, name)
        World(base).write(folder(base, "stick"))
        volumes.append(base / "stick" / "marram-set0001-1of1")
    status, said = verify(*volumes)
    assert status == 1
    assert "different sets" in said


def test_the_verifier_explains_itself() -> None:
    assert verify("/nonexistent")[0] == 2
    assert verify("--help")[0] == 2
