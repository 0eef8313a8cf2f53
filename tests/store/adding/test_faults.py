"""A store that is full, read-only, shared or on odd ground: real tiny file systems, real limits, real processes."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import stat
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import KeeperError, RefusedError, UnfinishedError
from tests.kits.full_disks import litter, mounted, root_only
from tests.kits.store_kit import Kit

ROOT = Path(__file__).parents[3]
GOOD = b"good bytes" * 1000


# No space


@pytest.mark.root
@root_only
def test_no_space_is_predicted(tmp_path: Path) -> None:
    """ "no bytes: temp gone, clear error", and before the first byte where it can be foreseen"""
    with mounted(tmp_path / "m", "tmpfs", "none", "size=2m") as point:
        kit = Kit(tmp_path, "m/store")
        kit.offer("a.bin", GOOD)
        kit.offer("b.bin", bytes(4 << 20))
        with pytest.raises(UnfinishedError, match="short by"):
            kit.add(kit.bundle("a.bin", GOOD), kit.bundle("b.bin", bytes(4 << 20)))
        assert kit.add(kit.bundle("a.bin", GOOD)).counts == {"added": 1}
        assert not kit.verifications()["blade/6.1.0/a.bin"].trustworthy  # tmpfs hides writes through a memory map
        assert litter(point / "store") == []


@pytest.mark.fault(6)
@pytest.mark.root
@root_only
def test_no_space_in_the_middle_of_a_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was taken before stays, the component is gone, and with room it goes on."""
    monkeypatch.setattr("bundlekeeper.store.adding.plan.insist_on_space", lambda *_: None)
    with mounted(tmp_path / "m", "tmpfs", "none", "size=2m") as point:
        kit = Kit(tmp_path, "m/store")
        big = bytes(4 << 20)
        kit.offer("a.bin", GOOD)
        kit.offer("b.bin", big)
        with pytest.raises(UnfinishedError, match=r"b\.bin could not be stored: No space left") as caught:
            kit.add(kit.bundle("a.bin", GOOD), kit.bundle("b.bin", big))
        assert "free some space" in caught.value.hint
        assert [row.name for row in kit.stored()] == ["a.bin"]
        assert litter(point / "store") == []
        subprocess.run(["mount", "-o", "remount,size=16m", point], check=True)
        # tmpfs keeps no trace of writes through a memory map, so a.bin is read again there.
        assert kit.add(kit.bundle("a.bin", GOOD), kit.bundle("b.bin", big)).counts == {"already there": 1, "added": 1}


@pytest.mark.fault(15)
@pytest.mark.root
@root_only
def test_no_space_for_the_quarantine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "quarantine ... disk full": reported, and neither hides the finding nor stops the rest."""
    from bundlekeeper.store.contents import quarantine

    def full(*_: Any) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(quarantine, "_free_name", full)
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"wrong")
    kit.offer("b.bin", GOOD)
    result = kit.add(kit.bundle("a.bin", b"right"), kit.bundle("b.bin", GOOD))
    assert result.counts == {"quarantined": 1, "added": 1}
    assert "could not be kept in quarantine: No space left" in result.findings[0].message


@pytest.mark.fault(6)
@pytest.mark.root
@root_only
@pytest.mark.parametrize("inodes", range(3, 14))
def test_no_inodes(tmp_path: Path, inodes: int) -> None:
    """ "no inodes: temp gone, clear error", wherever they run out"""
    with mounted(tmp_path / "m", "tmpfs", "none", f"size=4m,nr_inodes={inodes}") as point:
        kit = Kit(tmp_path, "m/store")
        kit.offer("a.bin", GOOD)
        kit.offer("b.bin", b"b")
        bundles = (kit.bundle("a.bin", GOOD), kit.bundle("b.bin", b"b", version="6.2.0"))
        with contextlib.suppress(KeeperError):
            kit.add(*bundles)
        for path in (point / "store").glob("blade/*/*"):
            assert path.read_bytes() in {GOOD, b"b"}
        subprocess.run(["mount", "-o", "remount,nr_inodes=1000", point], check=True)
        assert set(kit.add(*bundles).counts) <= {"added", "already there"}
        assert litter(point / "store") == []


@pytest.mark.root
@root_only
@pytest.mark.parametrize("inodes", range(11, 16))
@pytest.mark.parametrize("version", ["6.1.0", "6.2.0"])
def test_no_inodes_for_a_second_name(tmp_path: Path, inodes: int, version: str) -> None:
    """What is in stays verified when its second name can not be made, or not be recorded."""
    with mounted(tmp_path / "m", "tmpfs", "none", f"size=4m,nr_inodes={inodes}") as point:
        kit = Kit(tmp_path, "m/store")
        kit.offer("a.bin", GOOD)
        bundles = (kit.bundle("a.bin", GOOD), kit.bundle("b.bin", GOOD, version=version))
        with contextlib.suppress(KeeperError):
            kit.add(*bundles)
        subprocess.run(["mount", "-o", "remount,nr_inodes=1000", point], check=True)
        if (kit.root / ".keeper/store.sqlite").exists():
            assert set(kit.states().values()) <= {"verified"}
        assert kit.add(*bundles).findings == () and list(kit.states().values()) == ["verified", "verified"]


# Limits of the process


def limited(base: Path, limit: str, number: int) -> tuple[int, dict[str, Any]]:
    """Run `store add` in a process with this limit."""
    data = (base / "source/a.bin").read_bytes()
    (base / "bundles.json").write_text(json.dumps([["a.bin", len(data), hashlib.sha256(data).hexdigest(), "6.1.0"]]))
    code = (
        "import resource, sys; from pathlib import Path;"
        "import tests.kits.store_child as c, bundlekeeper.store.database.rebuild;"
        f"resource.setrlimit(resource.{limit}, ({number}, {number})); sys.exit(c.main(Path(sys.argv[1])))"
    )
    done = subprocess.run([sys.executable, "-c", code, base], cwd=ROOT, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, json.loads(done.stdout)


@pytest.mark.fault(20)
@pytest.mark.parametrize("number", range(4, 16))
def test_too_few_descriptors(tmp_path: Path, number: int) -> None:
    """ "EMFILE: as 1": our own error or a whole run, and the next one completes."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    status, said = limited(tmp_path, "RLIMIT_NOFILE", number)
    assert status in {0, 3}, said
    assert ("error" in said) == (status == 3)
    assert kit.add(kit.bundle("a.bin", GOOD), manifest=2).counts.keys() <= {"added", "already there"}
    assert litter(kit.root) == []


@pytest.mark.fault(20)
def test_a_file_larger_than_allowed(tmp_path: Path) -> None:
    """EFBIG."""
    kit = Kit(tmp_path)
    big = bytes(4 << 20)
    kit.offer("a.bin", big)
    status, said = limited(tmp_path, "RLIMIT_FSIZE", 1 << 20)
    assert (status, "a.bin could not be stored: File too large" in said["error"]) == (3, True)
    assert litter(kit.root) == []
    assert kit.add(kit.bundle("a.bin", big), manifest=2).counts == {"added": 1}


# Modes and owners


@pytest.mark.fault(17)
@pytest.mark.parametrize("umask", [0o000, 0o022, 0o077])
def test_modes_owe_nothing_to_the_umask(tmp_path: Path, umask: int) -> None:
    """Umask 000/077: fixed modes by fchmod."""
    before = os.umask(umask)
    try:
        kit = Kit(tmp_path)
        kit.offer("a.bin", GOOD)
        kit.offer("b.bin", b"wrong")
        kit.add(kit.bundle("a.bin", GOOD), kit.bundle("b.bin", b"right"))
    finally:
        os.umask(before)
    modes = {}
    for path in [kit.root, *kit.root.rglob("*")]:
        modes[path.relative_to(kit.root).as_posix()] = stat.S_IMODE(path.stat().st_mode)
    folders = {k: v for k, v in modes.items() if (kit.root / k).is_dir()}
    assert folders.pop(".keeper/incoming") == 0o700
    assert set(folders.values()) == {0o755}
    assert modes[".keeper/lock"] == 0o600
    assert modes[".keeper/store.sqlite"] == 0o644
    rest = {v for k, v in modes.items() if (kit.root / k).is_file() and not k.startswith(".keeper")}
    assert rest == {0o444}


@pytest.mark.fault(17)
@pytest.mark.parametrize("where", ["", "blade", "quarantine", ".keeper"])
def test_a_store_that_everybody_may_write_is_refused(tmp_path: Path, where: str) -> None:
    """ "a world-writable store refused", for reading too: anybody may have written its claims"""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    (kit.root / where).chmod(0o777)
    for use in (kit.stored, kit.add):
        with pytest.raises(RefusedError, match="everybody"):
            use()


@pytest.mark.fault(17)
@pytest.mark.root
@root_only
def test_another_users_store(request: pytest.FixtureRequest) -> None:
    """ "other owner": root's store may be read, nobody else's, and neither written"""
    base = tempfile.TemporaryDirectory(prefix="bundlekeeper-")  # pytest's own folders are closed to other users
    request.addfinalizer(base.cleanup)
    Path(base.name).chmod(0o755)
    kit = Kit(Path(base.name))
    kit.add()
    code = (
        "import os, sys, ctypes; from pathlib import Path\n"
        "from bundlekeeper.store.contents.store import Store; from bundlekeeper.errors import KeeperError\n"
        "os.setgid(12345); os.setuid(12345)\n"
        "for write in (False, True):\n"
        "    try:\n        Store.open(Path(sys.argv[1]), write=write); print('opened')\n"
        "    except KeeperError as error: print(type(error).__name__)\n"
    )
    answers = []
    for owner in (0, 4321):
        os.chown(kit.root, owner, 0)
        done = subprocess.run(
            [sys.executable, "-c", code, kit.root], cwd=ROOT, capture_output=True, text=True, check=False
        )
        answers.append(done.stdout.split())
    assert answers == [["opened", "RefusedError"], ["RefusedError", "RefusedError"]]


@pytest.mark.fault(22)
@pytest.mark.parametrize("name", ["blade", "quarantine", "manifests", ".keeper"])
def test_a_link_inside_the_tree_is_refused(tmp_path: Path, name: str) -> None:
    """A folder of the store that is a symbolic link could lead anywhere."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    (kit.root / name).rename(tmp_path / "elsewhere")
    (kit.root / name).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(RefusedError, match="symbolic link"):
        kit.add(kit.bundle("a.bin", GOOD))


@pytest.mark.fault(22)
def test_a_link_at_a_bundles_place_is_refused(tmp_path: Path) -> None:
    """A bundle's place that is a link or a FIFO is neither followed nor waited for."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add()
    place = kit.root / "blade/6.1.0/a.bin"
    place.parent.mkdir(parents=True)
    place.symlink_to(kit.source / "a.bin")
    with pytest.raises(RefusedError, match="symbolic link"):
        kit.add(kit.bundle("a.bin", GOOD), manifest=2)
    place.unlink()
    os.mkfifo(place)
    with pytest.raises(RefusedError, match="FIFO"):
        kit.add(kit.bundle("a.bin", GOOD), manifest=2)
    place.unlink()
    place.mkdir()
    with pytest.raises(RefusedError, match="folder"):
        kit.add(kit.bundle("a.bin", GOOD), manifest=2)


@pytest.mark.fault(25)
def test_a_folder_swapped_for_a_link_leads_nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "folder swapped for a symlink mid-walk: dir_fd walk", in the moment before the link"""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    outside = tmp_path / "outside"
    outside.mkdir()
    from bundlekeeper.store.contents import place as placing

    real = placing.put_together

    def swapping(*arguments: Any, **options: Any) -> Any:
        (kit.root / "blade").mkdir()
        (kit.root / "blade/6.1.0").symlink_to(outside)
        return real(*arguments, **options)

    monkeypatch.setattr(placing, "put_together", swapping)
    with pytest.raises(RefusedError, match="symbolic link"):
        kit.add(kit.bundle("a.bin", GOOD))
    assert list(outside.iterdir()) == []


# Read-only, immutable, network, without links


@pytest.mark.fault(18)
@pytest.mark.root
@root_only
def test_a_read_only_store_can_be_read_and_fails_early_to_write(tmp_path: Path) -> None:
    """Read-only store: reading works; writing fails early."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    with mounted(tmp_path / "ro", "none", str(kit.root), "bind") as point:
        subprocess.run(["mount", "-o", "remount,ro,bind", point], check=True)
        reader = Kit(tmp_path, "ro")
        assert [row.name for row in reader.stored()] == ["a.bin"]
        assert len(reader.verifications()) == 1
        with pytest.raises(UnfinishedError) as caught:
            reader.add(kit.bundle("a.bin", GOOD))
        assert "cannot be written" in caught.value.message
        assert reader.add(kit.bundle("a.bin", GOOD), dry_run=True).counts == {"already there": 1}


@pytest.mark.fault(18)
@pytest.mark.root
@root_only
def test_an_immutable_store(tmp_path: Path) -> None:
    """Immutable store."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    done = subprocess.run(["chattr", "-R", "+i", kit.root], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"chattr: {done.stderr.strip()}")
    try:
        assert [row.name for row in kit.stored()] == ["a.bin"]
        with pytest.raises(UnfinishedError):
            kit.add(kit.bundle("a.bin", GOOD))
    finally:
        subprocess.run(["chattr", "-R", "-i", kit.root], check=True)


@pytest.mark.fault(78)
def test_a_network_file_system_is_refused_for_writing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "store or ledger on a network file system: detected"; reading goes on working"""
    from bundlekeeper.store.contents import store as layout
    from bundlekeeper.store.disk.filesystem import KINDS

    kit = Kit(tmp_path)
    kit.add()
    monkeypatch.setattr(layout, "describe_fd", lambda fd: KINDS[0x6969])
    with pytest.raises(RefusedError, match="network file system"):
        kit.add()
    assert kit.stored() == []


@pytest.mark.root
@root_only
def test_a_store_on_a_file_system_without_links(tmp_path: Path) -> None:
    """ "no hard links, modes or O_TMPFILE: tested fallback": exFAT through FUSE"""
    image = tmp_path / "image"
    image.write_bytes(b"")
    os.truncate(image, 32 << 20)
    made = subprocess.run(["mkfs.exfat", image], capture_output=True, text=True, check=False)
    if made.returncode or shutil.which("mount.exfat-fuse") is None:
        pytest.skip("exfatprogs or exfat-fuse is not installed")
    point = tmp_path / "m"
    point.mkdir()
    loop = subprocess.run(["losetup", "-f", "--show", image], capture_output=True, text=True, check=False)
    done = subprocess.run(
        ["mount.exfat-fuse", "-o", "umask=022", loop.stdout.strip(), point], capture_output=True, text=True, check=False
    )
    if loop.returncode or done.returncode:
        pytest.skip(f"mount.exfat-fuse: {loop.stderr.strip()} {done.stderr.strip()}")
    try:
        kit = Kit(tmp_path, "m/store")
        kit.offer("a.bin", GOOD)
        kit.offer("b.bin", b"wrong")
        bundles = (
            kit.bundle("a.bin", GOOD),
            kit.bundle("same.bin", GOOD, version="6.2.0"),
            kit.bundle("b.bin", b"right"),
        )
        result = kit.add(*bundles)
        assert [r.status for r in result.rows] == ["added", "same bytes", "quarantined"]
        assert [row.way_in for row in kit.stored()] == ["copy", "copy"]
        assert not any(verification.trustworthy for verification in kit.verifications().values())
        again = kit.add(*bundles)
        assert [r.status for r in again.rows] == ["already there", "already there", "quarantined"]
        assert again.read_bytes == 2 * len(GOOD) + len(b"wrong")  # nothing is trusted there
        (point / "store/blade/6.1.0/a.bin").rename(point / "store/blade/6.1.0/A.BIN")
        with pytest.raises(RefusedError, match="differs only by case"):
            kit.add(*bundles)
    finally:
        subprocess.run(["umount", "-l", point], check=True)
        subprocess.run(["losetup", "-d", loop.stdout.strip()], check=True)


@pytest.mark.root
@root_only
def test_a_reflink_on_a_file_system_that_has_them(tmp_path: Path) -> None:
    """XFS shares blocks (FICLONE, ioctl_ficlone(2)): the clone is hashed and is ours alone."""
    image = tmp_path / "image"
    image.write_bytes(b"")
    os.truncate(image, 400 << 20)
    made = subprocess.run(["mkfs.xfs", "-q", "-m", "reflink=1", image], capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"mkfs.xfs: {made.stderr.strip()}")
    with mounted(tmp_path / "m", "xfs", str(image), "loop") as point:
        kit = Kit(point)
        path = kit.offer("a.bin", GOOD)
        kit.offer("b.bin", GOOD[::-1])
        result = kit.add(kit.bundle("a.bin", GOOD), kit.bundle("b.bin", b"x" * len(GOOD)), link="reflink")
        assert [(r.status, r.way_in, r.note) for r in result.rows] == [
            ("added", "reflink", ""),
            ("quarantined", "", ""),
        ]
        path.write_bytes(b"changed later")
        assert kit.tree()["blade/6.1.0/a.bin"] == GOOD
        assert kit.verifications()["blade/6.1.0/a.bin"].trustworthy
        assert kit.add(kit.bundle("a.bin", GOOD), kit.bundle("b.bin", GOOD[::-1]), manifest=2).counts == {
            "already there": 1,
            "added": 1,
        }


@pytest.mark.root
@root_only
@pytest.mark.parametrize("link", ["hard", "reflink"])
def test_a_link_to_another_file_system_is_a_copy_that_says_so(tmp_path: Path, link: str) -> None:
    """A source on another disk cannot be shared."""
    with mounted(tmp_path / "m", "tmpfs", "none", "size=4m") as point:
        kit = Kit(tmp_path)
        kit.source = point
        kit.offer("a.bin", GOOD)
        row = kit.add(kit.bundle("a.bin", GOOD), link=link).rows[0]
        assert (row.status, row.way_in) == ("added", "copy")
        assert "not possible here" in row.note


# Two at once


@pytest.mark.fault(76)
def test_two_processes_that_add_at_once(tmp_path: Path) -> None:
    """ "two runs with one file: one wins; equal bytes succeed": the second waits for the lock"""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    rows = [["a.bin", len(GOOD), hashlib.sha256(GOOD).hexdigest(), "6.1.0"]]
    (tmp_path / "bundles.json").write_text(json.dumps(rows))
    started = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.kits.store_child", tmp_path, "60"],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(4)
    ]
    said = [json.loads(process.communicate()[0]) for process in started]
    assert sorted(each["statuses"][0] for each in said) == ["added"] + ["already there"] * 3
    assert sum(each["read"] for each in said) == len(GOOD)


@pytest.mark.fault(77)
def test_a_dead_process_frees_the_lock_and_its_parts_are_swept(tmp_path: Path) -> None:
    """ "lock of a dead process: flock, freed by the kernel"; a living one's components stay"""
    kit = Kit(tmp_path)
    kit.add()
    (kit.root / ".keeper/lock").write_text('{"pid": 1, "host": "gone", "command": "store add", "since": "then"}')
    incoming = kit.root / ".keeper/incoming"
    (incoming / ".part-0123456789abcdef").write_bytes(b"left by the dead")
    (incoming / "somebody's file").write_bytes(b"not ours")
    code = (
        "import fcntl, os, sys; fd = os.open(sys.argv[1], os.O_CREAT | os.O_RDWR); fcntl.flock(fd, fcntl.LOCK_EX);"
        "print('locked', flush=True); sys.stdin.read()"
    )
    living = subprocess.Popen(
        [sys.executable, "-c", code, incoming / ".part-living"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert living.stdout is not None
    assert living.stdout.readline() == "locked\n"
    kit.add()
    assert sorted(litter(kit.root)) == [".part-living", "somebody's file"]
    living.communicate("")
    kit.add()
    assert litter(kit.root) == ["somebody's file"]


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """ "peak memory < 100 MB whatever the file size" (issue: speed and memory)"""
    kit = Kit(tmp_path)
    path = kit.offer("a.bin", b"")
    size = 256 << 20
    os.truncate(path, size)
    digest = hashlib.sha256()
    for _ in range(size >> 20):
        digest.update(bytes(1 << 20))
    (tmp_path / "bundles.json").write_text(json.dumps([["a.bin", size, digest.hexdigest(), "6.1.0"]]))
    code = (
        "import sys; from pathlib import Path; import tests.kits.store_child as c; c.main(Path(sys.argv[1]));"
        "from tests.kits.memory import peak_bytes; print(peak_bytes())"
    )
    done = subprocess.run([sys.executable, "-c", code, tmp_path], cwd=ROOT, capture_output=True, text=True, check=True)
    said, peak = done.stdout.splitlines()
    assert json.loads(said)["statuses"] == ["added"]
    assert int(peak) < 100_000_000
