"""The store's folder: made whole where there is none, never made out of something else; its lock."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from bundlekeeper.errors import DamagedError, InputError, LockedError, RefusedError, StoppedError, UnfinishedError
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.disk import files, lock
from bundlekeeper.store.disk.temp_files import PREFIX, Incoming
from bundlekeeper.verification.hashing.read import Stop
from tests.kits.store_kit import Kit, now

ROOT = Path(__file__).parents[3]


def test_no_store_and_none_to_be_made(tmp_path: Path) -> None:
    """Reading makes nothing; the hint names --store and `store add`."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_bytes(b"")
    for name in ("absent", "empty", "file"):
        with pytest.raises(InputError, match="no store") as caught:
            Store.open(tmp_path / name, write=False)
        assert "--store" in caught.value.hint
        assert "store add" in caught.value.hint
    assert sorted(os.listdir(tmp_path)) == ["empty", "file"]


def test_a_store_is_made_with_its_parents(tmp_path: Path) -> None:
    """The first writing command makes the tree."""
    root = tmp_path / "a/b/store"
    with Store.open(root, write=True):
        assert sorted(os.listdir(root)) == [".keeper", "manifests", "quarantine"]
    with Store.open(root, write=False) as store, pytest.raises(DamagedError, match="store database is missing"):
        store.database(write=False)


def test_a_folder_with_other_things_never_becomes_a_store(tmp_path: Path) -> None:
    """`--store ~` by mistake."""
    (tmp_path / "letters").mkdir()
    with pytest.raises(InputError, match="letters"):
        Store.open(tmp_path, write=True)
    assert os.listdir(tmp_path) == ["letters"]


def test_a_store_that_lost_its_keeper_is_one_again(tmp_path: Path) -> None:
    """The tree alone, and a store.toml put there before the first run, are no strange things."""
    (tmp_path / "blade").mkdir()
    (tmp_path / "store.toml").write_text("")
    (tmp_path / "lost+found").mkdir()
    with Store.open(tmp_path, write=True) as store, store.database(write=True) as database:
        assert database.stored() == []


def test_a_file_at_the_stores_path(tmp_path: Path) -> None:
    """A path that is a file, or a link into nothing."""
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "nowhere").symlink_to(tmp_path / "gone")
    for name in ("file", "nowhere", "file/store"):
        with pytest.raises((InputError, UnfinishedError)):
            Store.open(tmp_path / name, write=True)


def test_the_root_itself_may_be_a_link_that_the_user_named(tmp_path: Path) -> None:
    """Links are refused below the folder that the user named, not above it."""
    kit = Kit(tmp_path)
    kit.add()
    (tmp_path / "link").symlink_to(kit.root)
    with Store.open(tmp_path / "link", write=True) as store, store.database(write=True) as database:
        assert len(database.admitted()) == 1


@pytest.mark.fault(30)
def test_a_name_that_is_no_utf8(tmp_path: Path) -> None:
    """A store and a source under undecodable names work like any other."""
    base = Path(os.fsdecode(os.fsencode(tmp_path) + b"/st\xf6re ?#%41"))
    base.mkdir()
    kit = Kit(base)
    kit.offer("a.bin", b"a")
    assert kit.add(kit.bundle("a.bin", b"a")).counts == {"added": 1}
    assert kit.stored()[0].added_from == f"{kit.source}/a.bin"


def test_closing_twice_and_leaking_nothing(tmp_path: Path) -> None:
    """Every descriptor is given back, after good ends and bad ones."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"a")
    kit.offer("b.bin", b"wrong")
    bundles = (kit.bundle("a.bin", b"a"), kit.bundle("b.bin", b"right"), kit.bundle("c.bin", b"a", version="7"))
    kit.add(*bundles)
    before = os.listdir("/proc/self/fd")
    for link in ("none", "hard", "reflink"):
        kit.add(*bundles, link=link)
        kit.add(*bundles, dry_run=True)
        with pytest.raises(RefusedError):
            kit.add_loaded(kit.loaded(platform="other", sequence=5))
    store = Store.open(kit.root, write=False)
    store.close()
    store.close()
    assert set(os.listdir("/proc/self/fd")) <= set(before)  # fewer: what earlier tests left was collected meanwhile


# The lock


def test_one_at_a_time_and_the_holder_is_named(tmp_path: Path) -> None:
    """ "say who holds them": pid, host, command, since"""
    kit = Kit(tmp_path)
    kit.add()
    with Store.open(kit.root, write=True) as store, lock.held(store.fd, "verify", clock=now):
        said = json.loads((kit.root / ".keeper/lock").read_text())
        assert (said["pid"], said["command"]) == (os.getpid(), "verify")
        with pytest.raises(LockedError, match=rf"process {os.getpid()} on .*: verify, since 20") as caught:
            kit.add()
        assert caught.value.exit_code == 3
        assert kit.stored() == []  # reading needs no lock
    assert (kit.root / ".keeper/lock").read_bytes() == b""
    kit.add()


def test_a_holder_without_a_name(tmp_path: Path) -> None:
    """Whatever the file says, the message is one line and harmless."""
    kit = Kit(tmp_path)
    kit.add()
    path = kit.root / ".keeper/lock"
    with Store.open(kit.root, write=True) as store, lock.held(store.fd, "verify", clock=now):
        for said in (
            b"",
            b"{",
            b"[]",
            b"\xff\xfe",
            b'{"pid": "\\u001b[2J", "host": "h", "command": "c", "since": "s"}',
        ):
            path.write_bytes(said)
            with pytest.raises(LockedError) as caught:
                kit.add()
            assert caught.value.message.isprintable()


def test_waiting_for_the_lock(tmp_path: Path) -> None:
    """It is had as soon as the holder ends."""
    kit = Kit(tmp_path)
    kit.add()
    code = (
        "import fcntl, os, sys; fd = os.open(sys.argv[1], os.O_RDWR); fcntl.flock(fd, fcntl.LOCK_EX);"
        "print('locked', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, kit.root / ".keeper/lock"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    assert holder.stdout.readline() == b"locked\n"
    with pytest.raises(LockedError):
        kit.add(wait_s=0.2)
    threading.Timer(0.2, holder.kill).start()  # however it ends
    kit.add(wait_s=60.0)
    holder.wait()
    holder.stdin.close()
    holder.stdout.close()


def test_stopped_while_waiting(tmp_path: Path) -> None:
    """Ctrl-C ends the waiting, too."""
    kit = Kit(tmp_path)
    kit.add()
    stop = Stop()
    stop.set()
    with (
        Store.open(kit.root, write=True) as store,
        lock.held(store.fd, "verify", clock=now),
        pytest.raises(StoppedError),
    ):
        kit.add(wait_s=60.0, stop=stop)


def test_an_error_inside_is_not_the_locks(tmp_path: Path) -> None:
    """What fails while the lock is held comes out as it is."""
    kit = Kit(tmp_path)
    kit.add()
    with Store.open(kit.root, write=True) as store:
        with pytest.raises(ZeroDivisionError), lock.held(store.fd, "verify", clock=now):
            raise ZeroDivisionError
        with lock.held(store.fd, "verify", clock=now):
            pass


def test_a_lock_that_is_no_file(tmp_path: Path) -> None:
    """A link or a FIFO in its place is neither followed nor waited for."""
    kit = Kit(tmp_path)
    kit.add()
    path = kit.root / ".keeper/lock"
    path.unlink()
    victim = tmp_path / "victim"
    victim.write_bytes(b"precious")
    path.symlink_to(victim)
    with pytest.raises(UnfinishedError):
        kit.add()
    assert victim.read_bytes() == b"precious"
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(RefusedError, match="no regular file"):
        kit.add()


# Files


def test_a_bounded_read(tmp_path: Path) -> None:
    """Bound every read before parsing."""
    (tmp_path / "f").write_bytes(b"12345")
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        assert files.read_bounded(fd, "f", 5) == b"12345"
        with pytest.raises(RefusedError, match="larger than 4 bytes"):
            files.read_bounded(fd, "f", 4)
    finally:
        os.close(fd)


@pytest.mark.fault(11)
def test_short_writes_are_continued(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short write, EINTR: loop to the end."""
    got = bytearray()

    def short(fd: int, data: memoryview) -> int:
        got.extend(data[:3])
        return len(data[:3])

    monkeypatch.setattr(os, "write", short)
    files.write_all(1, b"0123456789")
    monkeypatch.undo()
    assert bytes(got) == b"0123456789"


@pytest.mark.fault(33)
def test_a_link_never_replaces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "`linkat` into place (it never replaces)": with and without a temporary name"""
    (tmp_path / "incoming").mkdir()
    (tmp_path / "added").write_bytes(b"first")
    home, folder = os.open(tmp_path / "incoming", os.O_RDONLY), os.open(tmp_path, os.O_RDONLY)
    try:
        room = Incoming(home)
        for make in (room.temp, room.named):
            with make() as temp:
                files.write_all(temp.fd, b"second")
                with pytest.raises(FileExistsError):
                    temp.publish(folder, "added")
        assert (tmp_path / "added").read_bytes() == b"first"
        assert os.listdir(home) == []

        def no_links(*_: object, **__: object) -> None:
            raise PermissionError(1, "Operation not permitted")

        monkeypatch.setattr(os, "link", no_links)  # as on FAT, where a rename must do
        with room.named() as temp:
            with pytest.raises(FileExistsError):
                temp.publish(folder, "added")
            temp.publish(folder, "free")
        monkeypatch.undo()
        assert (tmp_path / "added").read_bytes() == b"first"
        assert (tmp_path / "free").exists()
        with room.resumable("ab" * 32) as temp:
            files.write_all(temp.fd, b"component")
            temp.keep()
            with pytest.raises(BlockingIOError):
                room.resumable("ab" * 32)
        assert os.listdir(home) == [PREFIX + "ab" * 32]
        assert room.sweep(but=frozenset({"ab" * 32})) == 0
        assert room.sweep() == 1
    finally:
        os.close(home)
        os.close(folder)
