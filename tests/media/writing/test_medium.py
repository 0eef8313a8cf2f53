"""Writing to real file systems: verified from the medium, pulled, full, killed, dropped.

Loop devices and FUSE need root; where they are not, the tests say so.
"""

from __future__ import annotations

import mmap
import os
import re
import shutil
import subprocess
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError, KeeperError, RefusedError, StoppedError, UnfinishedError
from bundlekeeper.media.volume import read_back
from bundlekeeper.media.volume.bag import read_bag, verify_bag
from bundlekeeper.media.volume.read_back import ReadBackLevel
from bundlekeeper.media.volume.right_medium import Expectation, open_place
from bundlekeeper.verification.hashing.read import Stop
from tests.kits import forked
from tests.kits.media_write_kit import SPLIT, Counting, Piece, World, payload_of, states
from tests.kits.mounts import mounted, replug
from tests.kits.power_cuts import Disk

VERIFICATION = "verifying from the medium"
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="needs root to mount")
needs_strace = pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
DATA = os.urandom(3_000_000)
PIECE = Piece("blade", "6.1.0", DATA)
VOLUME = "marram-set0001-1of1"


@pytest.fixture
def world(tmp_path: Path) -> World:
    (tmp_path / "main site").mkdir()
    return World(tmp_path / "main site", [PIECE])


def insist_whole(volume: Path, expected: dict[str, bytes]) -> None:
    bag = read_bag(volume)
    assert bag.findings == ()
    assert verify_bag(bag).findings == ()
    assert payload_of(volume) == expected


def flip(image: Path, at: int = 1_500_000) -> None:
    """Turn one bit of the piece under the file system: in the image that holds it."""
    mark = DATA[at : at + 64]
    with image.open("r+b") as file, mmap.mmap(file.fileno(), 0) as view:
        place = view.find(mark)
        assert place >= 0, "the bytes are not on the medium"
        view[place] ^= 1


CLAIMS = {
    "ext4": (ReadBackLevel.EVICTED, ""),
    "xfs": (ReadBackLevel.EVICTED, ""),
    "exfat-fuse": (ReadBackLevel.EVICTED, ""),  # as root: the device's buffers are flushed, too
    "fat-fuse": (ReadBackLevel.UNSURE, "FUSE"),  # a program reads the image: nothing can be flushed
    "tmpfs": (ReadBackLevel.UNSURE, "memory"),
}


@pytest.mark.fault(57)
@pytest.mark.root
@pytest.mark.slow
@pytest.mark.parametrize("kind", CLAIMS)
def test_every_file_system_gets_a_whole_volume_and_no_false_claim(world: World, tmp_path: Path, kind: str) -> None:
    """ "no hard links, modes or O_TMPFILE on the medium"; and "claim one of three levels and no more"."""
    with mounted(kind, tmp_path) as stick:
        (copy,) = world.write(stick).copies
        insist_whole(stick / VOLUME, world.expected(1))
        level, reason = CLAIMS[kind]
        assert (copy.state, copy.level) == ("written", level)
        assert reason in copy.reason


@pytest.mark.fault(54)
@pytest.mark.root
@pytest.mark.slow
@pytest.mark.parametrize("kind", ["ext4", "xfs", "exfat-fuse"])
def test_a_byte_that_turned_under_the_file_system_is_found(world: World, tmp_path: Path, kind: str) -> None:
    """ "a check that reads the page cache: evicted first, then read"; the table of what each way finds."""
    with mounted(kind, tmp_path) as stick:
        written = world.write(stick, progress=Counting(begins={VERIFICATION: lambda: flip(tmp_path / f"{kind}.img")}))
        assert [each.code for each in written.findings] == ["altered"]
        assert (written.copies[0].state, written.copies[0].level, written.status) == ("failed", None, 1)
        assert not (stick / VOLUME / "bagit.txt").exists()
        assert (stick / VOLUME / "UNFINISHED.txt").exists()
        again = world.write(stick)
        assert states(again) == {1: "resumed"}
        assert again.read_bytes == len(DATA)  # the one file that was bad
        insist_whole(stick / VOLUME, world.expected(1))


@pytest.mark.fault(54)
@pytest.mark.root
@pytest.mark.slow
@pytest.mark.parametrize("kind", ["ext4", "xfs"])
def test_a_turned_byte_is_found_though_another_program_maps_the_file(world: World, tmp_path: Path, kind: str) -> None:
    """ "the same while the file is memory-mapped: falsely whole", by fsync and DONTNEED alone"""
    with mounted(kind, tmp_path) as stick:
        stored: list[mmap.mmap] = []

        def turn() -> None:
            with (stick / VOLUME / "data" / PIECE.path).open("rb") as file:
                stored.append(mmap.mmap(file.fileno(), 0, prot=mmap.PROT_READ))
            assert stored[0][:] == DATA
            flip(tmp_path / f"{kind}.img")

        written = world.write(stick, progress=Counting(begins={VERIFICATION: turn}))
        assert stored[0][:] == DATA  # the cache still says that all is well
        stored[0].close()
        assert [each.code for each in written.findings] == ["altered"]


@pytest.mark.fault(55)
@pytest.mark.root
@pytest.mark.slow
def test_a_card_that_drops_writes_is_found_after_a_remount_and_a_good_one_claims_it(
    world: World, tmp_path: Path
) -> None:
    """ "a drive that accepts and drops writes: found on re-read after remount"."""
    with mounted("ext4", tmp_path) as stick, ExitStack() as stack:
        image = tmp_path / "ext4.img"
        world.write(stick)
        replug(stack, stick)
        (copy,) = world.write(stick).copies
        assert (copy.state, copy.level) == ("already there", ReadBackLevel.REMOUNTED)
        subprocess.run(["umount", stick], check=True)
        flip(image)
        device = subprocess.run(["losetup", "-nO", "NAME", "-j", image], capture_output=True, text=True).stdout.strip()
        subprocess.run(["mount", device, stick], check=True)
        lost = world.write(stick)
        assert [each.code for each in lost.findings] == ["altered"]
        assert (lost.copies[0].state, lost.copies[0].level) == ("failed", None)


@pytest.mark.root
@needs_root
@pytest.mark.slow
def test_a_power_cut_after_the_end_loses_nothing_and_before_it_looks_unfinished(world: World, tmp_path: Path) -> None:
    """What was not made durable is gone after the cut: a missing fsync shows."""
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("e2fsprogs is not installed")
    disk = Disk(tmp_path)
    disk.mount()
    try:
        stop = Stop()
        with pytest.raises(StoppedError):
            world.write(disk.point, stop=stop, progress=Counting(begins={VERIFICATION: stop.set}))
        disk.cut_power()
        with pytest.raises(KeeperError, match="not finished"):
            read_bag(disk.point / VOLUME)
        again = world.write(disk.point)
        assert again.read_bytes == 0  # all of it was durable before the verification began
        disk.cut_power()
        insist_whole(disk.point / VOLUME, world.expected(1))
    finally:
        disk.unmount()


@pytest.mark.root
def test_no_space_is_reported_before_anything_is_written(world: World, tmp_path: Path) -> None:
    """A tmpfs too small for the set."""
    with mounted("tmpfs", tmp_path, size_mb=2) as stick:
        with pytest.raises(UnfinishedError, match="not enough space") as caught:
            world.write(stick)
        assert [each.code for each in caught.value.problems] == ["not-enough-space"]
        assert os.listdir(stick) == []  # nothing stays of what was not begun before
        subprocess.run(["mount", "-o", "remount,size=16m", stick], check=True)
        assert world.write(stick).status == 0


@pytest.mark.root
def test_a_medium_that_fills_up_in_the_middle_is_gone_on_with(tmp_path: Path) -> None:
    """Issue 6: "Interrupted or full medium: resumable, never a volume that looks finished"; here inodes run out."""
    (tmp_path / "main site").mkdir()
    world = World(tmp_path / "main site", SPLIT, 3)
    with mounted("tmpfs", tmp_path, size_mb=40) as stick:
        subprocess.run(["mount", "-o", "remount,nr_inodes=22", stick], check=True)
        written = world.write(stick)
        assert written.status == 3
        assert {each.code for each in written.findings} == {"bad-volume"}
        assert "No space left" in written.findings[0].message
        failed = [copy.volume for copy in written.copies if copy.state == "failed"]
        assert failed
        for number in failed:
            assert not (stick / f"marram-set0001-{number}of3" / "bagit.txt").exists()
        subprocess.run(["mount", "-o", "remount,nr_inodes=500", stick], check=True)
        assert world.write(stick).status == 0
        for number in (1, 2, 3):
            insist_whole(stick / f"marram-set0001-{number}of3", world.expected(number))


@pytest.mark.fault(52)
@pytest.mark.root
@pytest.mark.slow
def test_a_stick_that_is_pulled_while_another_is_written(world: World, tmp_path: Path) -> None:
    """ "no completion mark; writing again is safe"; the other target is finished all the same."""
    other = tmp_path / "other"
    other.mkdir()
    with mounted("ext4", tmp_path) as stick:
        image = tmp_path / "ext4.img"
        device = subprocess.run(["losetup", "-nO", "NAME", "-j", image], capture_output=True, text=True).stdout.strip()

        def pull() -> None:
            os.truncate(image, 1 << 20)
            subprocess.run(["losetup", "-c", device], check=True)

        written = world.write(stick, other, progress=Counting(1_000_000, pull))
        assert {copy.path: copy.state for copy in written.copies} == {
            str(stick / VOLUME): "failed",
            str(other / VOLUME): "written",
        }
        assert written.status == 3
        insist_whole(other / VOLUME, world.expected(1))
    fresh = tmp_path / "again"
    fresh.mkdir()
    with mounted("ext4", fresh) as stick:
        assert states(world.write(stick)) == {1: "written"}
        insist_whole(stick / VOLUME, world.expected(1))


# Where to: a mount that is missing, and the bare folder under it; the expected device and volume are checked


@pytest.mark.fault(58)
def test_nothing_mounted_where_media_are_mounted(world: World, tmp_path: Path) -> None:
    bare = tmp_path / "media" / "stick"
    bare.mkdir(parents=True)
    expected = Expectation(guarded=(str(tmp_path / "media"),), fstab=Path("/nonexistent"))
    with pytest.raises(RefusedError, match="nothing is mounted"):
        world.write(bare, expected=expected)
    assert os.listdir(bare) == []
    free = Expectation(False, guarded=expected.guarded, fstab=expected.fstab)
    assert world.write(bare, expected=free).status == 0


@pytest.mark.fault(58)
def test_a_mount_point_of_fstab_that_is_not_mounted(tmp_path: Path) -> None:
    (tmp_path / "stick a" / "sub").mkdir(parents=True)
    fstab = tmp_path / "fstab"
    point = str(tmp_path / "stick a").replace(" ", "\\040")
    fstab.write_text(f"# a comment\nUUID=0000 {point} vfat noauto 0 0\n/dev/sda1 / ext4 defaults 0 1\nproc\n")
    with pytest.raises(RefusedError, match="fstab"):
        open_place(tmp_path / "stick a" / "sub", Expectation(guarded=(), fstab=fstab))
    open_place(tmp_path, Expectation(guarded=(), fstab=fstab)).close()


@pytest.mark.fault(58)
@pytest.mark.root
@needs_root
def test_a_set_that_was_begun_on_a_medium_does_not_go_on_beneath_it(world: World, tmp_path: Path) -> None:
    with mounted("tmpfs", tmp_path) as stick:
        guarded = Expectation(guarded=(str(tmp_path / "tmpfs-mount"),), fstab=Path("/nonexistent"))
        world.write(stick, expected=guarded)
        subprocess.run(["umount", stick], check=True)
        for expected in (guarded, Expectation(guarded=(), fstab=Path("/nonexistent"))):
            with pytest.raises(RefusedError, match="nothing is mounted"):
                world.write(stick, expected=expected)
        assert os.listdir(stick) == []


@pytest.mark.fault(58)
@pytest.mark.root
@needs_root
def test_the_volume_id_must_be_that_of_the_medium(world: World, tmp_path: Path) -> None:
    if shutil.which("blkid") is None:
        pytest.skip("blkid is not installed")
    with mounted("ext4", tmp_path) as stick:
        device = subprocess.run(["findmnt", "-no", "SOURCE", stick], capture_output=True, text=True).stdout.strip()
        own = subprocess.run(["blkid", "-o", "value", "-s", "UUID", device], capture_output=True, text=True)
        wrong = Expectation(volume_ids=("1234-ABCD",), guarded=(), fstab=Path("/nonexistent"))
        with pytest.raises(RefusedError, match="not 1234-ABCD"):
            world.write(stick, expected=wrong)
        right = Expectation(volume_ids=(own.stdout.strip(),), guarded=(), fstab=Path("/nonexistent"))
        assert world.write(stick, expected=right).status == 0


def test_a_plain_folder_where_a_medium_is_demanded(tmp_path: Path) -> None:
    mount = read_back.mount_of(tmp_path)
    if mount is None or mount.point != "/":
        pytest.skip("the temporary folder is on a mount of its own")
    with pytest.raises(RefusedError, match="own disk"):
        open_place(tmp_path, Expectation(True, guarded=(), fstab=Path("/nonexistent")))


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="no such folder"):
        open_place(tmp_path / "file", Expectation())


# Reading from the medium


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 4097, (1 << 20) - 1, 1 << 20, (1 << 20) + 1, 3_000_001])
def test_reading_back_gives_the_very_bytes_of_any_size(tmp_path: Path, size: int) -> None:
    """O_DIRECT reads whole blocks only; the rest must come, too, once."""
    import hashlib

    data = os.urandom(size)
    (tmp_path / "file").write_bytes(data)
    folder = os.open(tmp_path, os.O_RDONLY)
    try:
        reported: list[int] = []
        back = read_back.read_back(
            folder, "file", algorithms=("sha256", "sha512"), flushed=False, on_bytes=reported.append
        )
    finally:
        os.close(folder)
    assert (back.digest.size, sum(reported)) == (size, size)
    assert back.digest.hexes["sha512"] == hashlib.sha512(data).hexdigest()


def test_what_is_resident_is_known(tmp_path: Path) -> None:
    from bundlekeeper.store.disk.filesystem import describe

    if describe(tmp_path).name not in {"ext4", "xfs"}:
        pytest.skip("the temporary folder is not on a disk")
    path = tmp_path / "file"
    path.write_bytes(os.urandom(2_000_000))
    fd = os.open(path, os.O_RDONLY)
    try:
        assert read_back.resident(fd, 2_000_000)
        read_back.evict(fd)
        assert not read_back.resident(fd, 2_000_000)
        os.pread(fd, 1, 1_999_999)
        assert read_back.resident(fd, 2_000_000)
    finally:
        os.close(fd)


# Killed at every call that changes something on the medium

#: By class: folders, files, bytes, durability, marks. Killed at a read or an open for reading nothing changes.
CALLS = ("mkdirat", "mkdir", "openat", "fchmod", "fsync", "unlinkat", "rename", "renameat", "write")


def _counts(base: Path, stick: Path, trace: Path) -> dict[str, int]:
    """How often a whole write makes each of the calls."""
    command = ["strace", "-f", "-qq", "-o", str(trace), "-e", f"trace={','.join(CALLS)}"]
    _write(base, stick, command).check_returncode()
    return Counter(re.findall(r"^\d+ +(\w+)\(", trace.read_text(errors="replace"), re.M))


def _write(base: Path, stick: Path, under: Sequence[str]) -> forked.Ended:
    return forked.run(["-m", "tests.kits.media_child", base, stick], under=under)


@pytest.mark.fault(52)
@pytest.mark.slow
@needs_strace
def test_killed_anywhere_it_never_looks_finished_and_goes_on(tmp_path: Path) -> None:
    """SIGKILL at every class of call: no volume looks finished that is not; again is complete."""
    main_site = tmp_path / "main site"
    main_site.mkdir()
    World(main_site, SPLIT, 3)
    measured = tmp_path / "measured"
    shutil.copytree(main_site, measured)
    (tmp_path / "stick").mkdir()
    counts = _counts(measured, tmp_path / "stick", tmp_path / "trace")
    points = [
        (call, n) for call, most in sorted(counts.items()) for n in sorted({1, most // 3, 2 * most // 3, most - 1})
    ]

    def killed(point: tuple[str, int]) -> str:
        call, number = point
        base, stick = tmp_path / f"{call}-{number}", tmp_path / f"stick-{call}-{number}"
        shutil.copytree(main_site, base)
        stick.mkdir()
        inject = f"inject={call}:signal=SIGKILL:when={number}"
        command = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", inject]
        _write(base, stick, command)
        return _judge(base, stick)

    with ThreadPoolExecutor(2) as pool:
        verdicts = dict(zip(points, pool.map(killed, [p for p in points if p[1] > 0]), strict=False))
    assert {p: v for p, v in verdicts.items() if v} == {}


def _judge(base: Path, stick: Path) -> str:
    """What is wrong after a kill, and after writing again; empty when nothing is."""
    world = World.again(base, SPLIT, 3)
    for number in (1, 2, 3):
        volume = stick / f"marram-set0001-{number}of3"
        try:
            bag = read_bag(volume)
        except KeeperError:
            continue
        if bag.findings or verify_bag(bag, workers=1).findings or payload_of(volume) != world.expected(number):
            return f"volume {number} looks finished and is not"
    written = world.write(stick)
    # Killed before the set's own record was there its number is not given again; nothing was on the stick then.
    if written.status or len(os.listdir(stick)) != 3:
        return f"again: {written}"
    for number in (1, 2, 3):
        volume = stick / f"{written.name}-{number}of3"
        if payload_of(volume) != world.expected(number) or verify_bag(read_bag(volume), workers=1).findings:
            return f"again: volume {number} is not whole"
    return ""
