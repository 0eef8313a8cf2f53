"""When "read again after remount" is claimed, and above all when it is not: recorded mountinfo, and real mounts."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

import pytest

from bundlekeeper.media.volume.read_back import ReadBackLevel, mounts_in
from bundlekeeper.media.volume.remount import MountState, look, mounted_again, unchanged
from bundlekeeper.media.writing.resume_memory import recall
from bundlekeeper.store.contents.store import Store
from tests.kits.media_write_kit import Piece, World
from tests.kits.mounts import mounted, replug

ROOT = Path(__file__).parents[3]
VOLUME = "marram-set0001-1of1"
PIECE = Piece("blade", "6.1.0", os.urandom(200_000))

#: One stick at two places, another stick, as the kernel writes them.
INFO = """\
27 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
41 27 8:17 / /media/stick rw,nosuid shared:7 - vfat /dev/sdb1 rw,uid=1000
42 27 8:33 / /media/other\\040one rw - exfat /dev/sdc1 rw
"""
BOUND = INFO + "43 27 8:17 /marram /srv/bound rw - vfat /dev/sdb1 rw,uid=1000\n"
NOW = MountState("uuid:5A-1", "boot-b", "31", "900")


def under(**changes: str) -> MountState:
    fields = {"file_system": "uuid:5A-1", "boot": "boot-b", "disk": "30", "mount": "800"}
    return MountState(**{**fields, **changes})


def test_mountinfo_is_read_as_the_kernel_writes_it() -> None:
    rows = mounts_in(BOUND)
    assert [(m.number, m.point, m.device, m.kind, m.source) for m in rows][2] == (
        *(42, "/media/other one", "8:33", "exfat", "/dev/sdc1"),
    )
    assert len(rows) == 4
    assert mounts_in("nonsense\n" + INFO) == ()


@pytest.mark.parametrize(
    ("written", "claimed"),
    [
        ([under()], True),  # the disk was attached and mounted again
        ([under(boot="boot-a")], True),  # the machine was booted since
        ([under(boot="boot-a", disk="31", mount="900")], True),  # numbers begin again with a boot
        ([under(disk="31", mount="900")], False),  # this very mount
        ([under(disk="31")], False),  # a bind mount, another namespace, or a mount while another still held it
        ([under(mount="900")], False),  # a card changed under a mount
        ([under(), under(disk="31", mount="900")], False),  # gone on with under this one
        ([under(disk="")], False),
        ([under(mount="")], False),
        ([under(boot="")], False),
        ([under(file_system="uuid:77-7")], False),  # a copy onto another stick
        ([under(file_system="")], False),
        ([], False),
        ([under(), under(file_system="uuid:77-7", disk="31", mount="900")], True),  # another copy does not matter
    ],
)
def test_what_is_certain(written: list[MountState], claimed: bool) -> None:
    assert mounted_again(written, NOW) is claimed


@pytest.mark.parametrize("lack", ["file_system", "boot", "disk", "mount"])
def test_what_is_not_known_now_is_doubt(lack: str) -> None:
    assert not mounted_again([under(), under(**{lack: ""})], NOW._replace(**{lack: ""}))
    assert not mounted_again([under()], NOW._replace(**{lack: ""}))


def test_a_file_that_is_newer_than_the_finished_volume_is_doubt(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub/file").write_text("x")
    at = (tmp_path / "sub/file").lstat().st_ctime_ns
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        assert unchanged(fd, at)
        assert not unchanged(fd, at - 3_000_000_000)
        assert not unchanged(fd, None)
    finally:
        os.close(fd)


def test_a_memory_that_is_not_whole_is_never_a_claim(tmp_path: Path) -> None:
    world = World(tmp_path, [PIECE])
    (tmp_path / "stick").mkdir()
    sent = world.write(tmp_path / "stick").sent
    (record,) = (world.kit.root / ".keeper/sets/sent").glob("*/written-to.json")
    with Store.open(world.kit.root, write=True) as store:
        assert recall(store, sent).mounts[1] and recall(store, sent).finished[1]
        document = json.loads(record.read_text())
        document["mounts"]["1"].append(["x"])
        record.write_text(json.dumps(document))
        known = recall(store, sent)
    assert (known.mounts, known.finished) == ({}, {})


# Real mounts


def run(*words: str | Path) -> str:
    return subprocess.run([str(w) for w in words], check=True, capture_output=True, text=True).stdout.strip()


def device_of(point: Path) -> str:
    return run("findmnt", "-no", "SOURCE", point)


@pytest.fixture
def world(tmp_path: Path) -> World:
    (tmp_path / "main site").mkdir()
    return World(tmp_path / "main site", [PIECE])


def level(world: World, stick: Path) -> ReadBackLevel | None:
    (copy,) = world.write(stick).copies
    assert copy.state == "already there"
    return copy.level


@pytest.mark.root
def test_a_bind_mount_is_no_remount(world: World, tmp_path: Path) -> None:
    other = tmp_path / "bound"
    other.mkdir()
    with mounted("ext4", tmp_path) as stick, ExitStack() as stack:
        world.write(stick)
        run("mount", "--bind", stick, other)
        stack.callback(lambda: subprocess.run(["umount", "-l", other], check=False, capture_output=True))
        assert level(world, other) is ReadBackLevel.EVICTED
        run("umount", stick)  # the bind mount holds what was never let go
        assert level(world, other) is ReadBackLevel.EVICTED


@pytest.mark.root
def test_a_second_mount_of_the_device_is_no_remount(world: World, tmp_path: Path) -> None:
    other = tmp_path / "second"
    other.mkdir()
    with mounted("ext4", tmp_path) as stick, ExitStack() as stack:
        world.write(stick)
        run("mount", device_of(stick), other)
        stack.callback(lambda: subprocess.run(["umount", "-l", other], check=False, capture_output=True))
        assert level(world, other) is ReadBackLevel.EVICTED


@pytest.mark.root
def test_a_copy_on_a_fresh_medium_is_no_remount(world: World, tmp_path: Path) -> None:
    (tmp_path / "fresh").mkdir()
    with ExitStack() as stack, mounted("ext4", tmp_path) as stick, mounted("ext4", tmp_path / "fresh") as fresh:
        world.write(stick)
        run("cp", "-a", stick / VOLUME, fresh)
        assert level(world, fresh) is ReadBackLevel.EVICTED
        replug(stack, stick)
        assert level(world, stick) is ReadBackLevel.REMOUNTED


@pytest.mark.root
def test_a_copy_back_under_the_new_mount_is_no_remount(world: World, tmp_path: Path) -> None:
    """The bytes that are read were written under this mount, though not by us."""
    with ExitStack() as stack, mounted("ext4", tmp_path) as stick:
        world.write(stick)
        run("cp", "-a", stick / VOLUME, tmp_path / "kept")
        replug(stack, stick)
        run("rm", "-r", stick / VOLUME)
        record = next((world.kit.root / ".keeper/sets/sent").glob("*/written-to.json"))
        record.write_text(re.sub(r'("finished":{"1":{"[^"]*":)(\d+)', _hour_ago, record.read_text()))
        run("cp", "-a", tmp_path / "kept", stick / VOLUME)
        assert level(world, stick) is ReadBackLevel.EVICTED


def _hour_ago(found: re.Match[str]) -> str:
    return f"{found[1]}{int(found[2]) - 3_600_000_000_000}"


@pytest.mark.root
def test_another_namespace_of_mounts_is_no_remount(world: World, tmp_path: Path) -> None:
    if shutil.which("unshare") is None:
        pytest.skip("unshare is not installed")
    script = (
        "import sys; from pathlib import Path; from tests.kits.media_write_kit import Piece, World\n"
        "data = next((Path(sys.argv[1]) / 'store').rglob('*.bin')).read_bytes()\n"
        "again = World.again(Path(sys.argv[1]), [Piece('blade', '6.1.0', data)], 1)\n"
        "print(again.write(sys.argv[2]).copies[0].level)"
    )
    with mounted("ext4", tmp_path) as stick:
        world.write(stick)
        for words in ((), ("unshare", "-m")):
            said = subprocess.run(
                [*words, sys.executable, "-c", script, world.base, stick], cwd=ROOT, capture_output=True, text=True
            )
            assert said.stdout.strip() == ReadBackLevel.EVICTED, said.stderr


@pytest.mark.root
@pytest.mark.parametrize("kind", ["ext4", "exfat-fuse"])
def test_a_real_mount_gives_all_that_is_needed(tmp_path: Path, kind: str) -> None:
    with mounted(kind, tmp_path) as stick:
        fd = os.open(stick, os.O_RDONLY)
        try:
            found = look(fd)
        finally:
            os.close(fd)
    assert found.file_system.startswith({"ext4": "ext4:", "exfat-fuse": "uuid:"}[kind])
    assert found.boot
    assert found.disk.isdecimal()
