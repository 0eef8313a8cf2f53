"""What is said where a store cannot be used: inodes, sizes of files, a store that moves, is being made, is half a copy.

Check values: the file systems and limits are the kernel's own (tmpfs(5) nr_inodes, setrlimit(2) RLIMIT_FSIZE).
"""

from __future__ import annotations

import fcntl
import json
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.ledger.event import database
from bundlekeeper.store.adding import sources
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.disk import files, lock
from bundlekeeper.verification.hashing import door
from tests.conftest import Keeper, World
from tests.kits.full_disks import litter, mounted, root_only
from tests.kits.store_kit import GOOD, Kit, now

# No inodes, no large files


@pytest.mark.root
@root_only
def test_no_inodes_and_no_bytes_have_different_messages(tmp_path: Path) -> None:
    """`df` shows room, and the kernel answers "No space left on device": which of the two it is must be said."""
    with mounted(tmp_path / "m", "tmpfs", "none", "size=20m,nr_inodes=24"):
        kit = Kit(tmp_path, "m/store")
        names = [f"{number}.bin" for number in range(12)]
        for name in names:
            kit.offer(name, name.encode() * 100)
        with pytest.raises(UnfinishedError) as caught:
            kit.add(*(kit.bundle(name, name.encode() * 100, version=name[:-4]) for name in names))
        assert "df -i" in caught.value.hint
        assert litter(kit.root) == []
        kit.offer("big.bin", bytes(40 << 20))
        with pytest.raises(UnfinishedError, match="short by") as bytes_too:
            kit.add(kit.bundle("big.bin", bytes(40 << 20)), manifest=2)
        assert "inodes" not in bytes_too.value.hint
        with pytest.raises(UnfinishedError) as none_left, files.wrapped("a file cannot be made", str(kit.root)):
            for number in range(24):
                (tmp_path / f"m/{number}").write_bytes(b"")
        assert "no inodes are left" in none_left.value.hint


def limited(limit: int) -> Callable[[], None]:
    """What makes a child's files at most so large; Python ignores SIGXFSZ, so that the call fails (EFBIG)."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))


def run_limited(
    limit: int, *words: str | Path, out: Path | None = None, store: Path
) -> subprocess.CompletedProcess[str]:
    """Our command line under RLIMIT_FSIZE."""
    with out.open("wb") if out is not None else open(os.devnull, "wb") as stream:
        done = subprocess.run(
            [sys.executable, "-m", "bundlekeeper", *map(str, words), "--store", str(store)],
            stdout=stream,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=limited(limit),
            check=False,
        )
    assert "Traceback" not in done.stderr, done.stderr
    return done


@pytest.mark.parametrize("limit", [8 * 1024, 600 * 1024])
def test_a_limit_on_the_size_of_files_while_adding(world: World, tmp_path: Path, limit: int) -> None:
    """A small limit stops the store database, a larger one the bundles; both are reported, and nothing is left."""
    store = tmp_path / "store"
    done = run_limited(limit, "store", "add", world.manifest, "--from", world.downloads, "--quiet", store=store)
    assert done.returncode == 3, done.stderr
    assert "ulimit -f" in done.stderr
    assert litter(store) == []
    assert not list(store.rglob("*.bin"))


def test_a_limit_on_the_size_of_files_while_recording(office: Keeper, tmp_path: Path) -> None:
    words = ("observe", "HOLMA-B1:bios", "--active", "6.0.1", "--reported-by", "kim")
    done = run_limited(4096, *words, store=tmp_path / "store")
    assert done.returncode == 3, done.stderr
    assert "ulimit -f" in done.stderr
    assert office("ledger", "verify").status == 0


@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_limit_on_the_size_of_files_under_the_output(
    office: Keeper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, unbuffered: str
) -> None:
    """Half a JSON document and status 0 would be an answer that nobody gave."""
    monkeypatch.setenv("PYTHONUNBUFFERED", unbuffered)
    done = run_limited(1024, "store", "list", "--json", out=tmp_path / "out", store=tmp_path / "store")
    assert (done.returncode, done.stderr) == (3, "error: the output could not be written: File too large\n")


# A store that moves away


@pytest.mark.parametrize("put_another", [False, True])
def test_a_store_that_is_moved_away_while_adding(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, put_another: bool
) -> None:
    """It is held by its descriptors, so nothing lands elsewhere; the database's journal has a path, and cannot be."""
    kit = Kit(tmp_path)
    kit.add()
    kit.offer("a.bin", GOOD)
    real, moved = door.copy_fd, tmp_path / "moved"

    def copy(*given: object, **named: object) -> object:
        kit.root.rename(moved)
        if put_another:
            shutil.copytree(moved, kit.root)
        return real(*given, **named)  # type: ignore[arg-type]  # whatever it takes

    monkeypatch.setattr(sources, "copy_fd", copy)
    with pytest.raises(UnfinishedError, match="moved away") as caught:
        kit.add(kit.bundle("a.bin", GOOD), manifest=2)
    assert "where it is now" in caught.value.hint
    assert litter(moved) == []
    monkeypatch.undo()
    again = Kit(tmp_path, "moved")
    again.add(again.bundle("a.bin", GOOD), manifest=2)
    assert again.states() == {"blade/6.1.0/a.bin": "verified"}
    if put_another:
        assert not list(kit.root.rglob("*.bin"))


def test_a_ledger_that_is_moved_away_under_a_record(office: Keeper, tmp_path: Path) -> None:
    """SQLite sees that its file has another name now (SQLITE_READONLY_DBMOVED)."""
    path = tmp_path / "store/.keeper/ledger.sqlite"
    connection = database.DATABASE.open(path, write=True)
    connection.execute("SELECT * FROM ledger").fetchall()
    path.rename(path.with_name("moved"))
    with pytest.raises(UnfinishedError) as caught, database.DATABASE.writing(connection, str(path)):
        connection.execute("UPDATE ledger SET count = count + 1")
    connection.close()
    assert "moved away" in caught.value.hint


# No .keeper, or one that is being made


def test_a_tree_without_its_keeper_is_no_empty_folder(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """`cp -r store/* elsewhere` leaves hidden folders out."""
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    shutil.rmtree(tmp_path / "store/.keeper")
    for words in (["store", "list"], ["verify"], ["trust", "list"]):
        ran = keeper(*words)
        assert ran.status == 2, ran.err
        assert "no .keeper, but a store's infrastructure, blade, rack, manifests" in ran.err
        assert "copy the hidden folder .keeper too" in ran.err
    ran = keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet")
    assert "note: the store had no .keeper folder: a new one was made" in ran.err
    assert "no .keeper" not in keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").err
    (tmp_path / "empty").mkdir()
    assert "there is no store here" in keeper("store", "list", "--store", tmp_path / "empty").err


def hold(root: Path, pid: int) -> int:
    """The store's lock, as another process has it with this number; returns the descriptor."""
    fd = os.open(root / ".keeper/lock", os.O_RDWR | os.O_CREAT, 0o600)
    fcntl.flock(fd, fcntl.LOCK_EX)
    os.write(fd, json.dumps({"pid": pid, "host": "here", "command": "store add", "since": "2026-11-25"}).encode())
    return fd


@pytest.mark.parametrize("command", [["store", "list"], ["verify"], ["verify", "--quick"]])
def test_a_store_that_is_being_made_is_reported_as_such(keeper: Keeper, tmp_path: Path, command: list[str]) -> None:
    """The tree is there, the store database is not: "the store database is missing" would be wrong advice."""
    (tmp_path / "store/.keeper").mkdir(parents=True)
    fd = hold(tmp_path / "store", 1)
    ran = keeper(*command)
    assert ran.status == 3, ran.out + ran.err
    assert "the store is being made by process 1 on here: store add" in ran.err
    os.close(fd)
    ran = keeper("store", "list")
    assert ran.status == 3
    assert "the store database is missing" in ran.err


def test_who_makes_the_store_is_not_kept_out_by_itself(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store", write=True) as store, lock.held(store.fd, "store add", clock=now):
        assert lock.maker(store.fd) == ""
        store.database(write=True).close()
