"""The safe walk against real trees: every kind of entry, folders swapped in the middle, bounds."""

from __future__ import annotations

import errno
import os
import socket
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.store.disk.walk import EntryKind, WalkEntry, walk
from tests.kits.mounts import mounted


def kinds(root: Path) -> dict[str, EntryKind]:
    """Path to kind of everything that the walk reports."""
    return {e.path: e.kind for e in walk(root)}


@pytest.mark.fault(24)
def test_every_kind_of_entry_is_reported_and_none_hangs(tmp_path: Path) -> None:
    """Links are refused, a FIFO does not hang the walk."""
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "a" / "b" / "file").write_bytes(b"x")
    (tmp_path / "link").symlink_to("a/b/file")
    (tmp_path / "dangling").symlink_to("nowhere")
    (tmp_path / "linked-folder").symlink_to("a")
    os.mkfifo(tmp_path / "fifo")
    with socket.socket(socket.AF_UNIX) as sock:
        here = Path.cwd()
        os.chdir(tmp_path)  # a socket's path is limited to 108 bytes
        try:
            sock.bind("socket")
        finally:
            os.chdir(here)
        assert kinds(tmp_path) == {
            "a/b/file": EntryKind.FILE,
            "dangling": EntryKind.SYMLINK,
            "fifo": EntryKind.FIFO,
            "link": EntryKind.SYMLINK,
            "linked-folder": EntryKind.SYMLINK,
            "socket": EntryKind.SOCKET,
        }


def test_the_root_may_be_a_link_because_the_user_named_it(tmp_path: Path) -> None:
    """Only components below the named root are held to be no links."""
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "file").write_bytes(b"x")
    (tmp_path / "link").symlink_to("real")
    [entry] = walk(tmp_path / "link")
    fd = entry.open()
    assert os.read(fd, 10) == b"x"
    os.close(fd)


def test_a_root_that_is_no_folder_is_our_own_error(tmp_path: Path) -> None:
    """A name that does not exist is wrong input, exit status 2."""
    (tmp_path / "file").write_bytes(b"")
    for name in ("nowhere", "file"):
        with pytest.raises(InputError, match="is no folder"):
            list(walk(tmp_path / name))


def without_rights(check: Callable[[], bool]) -> bool:
    """What `verify` says; where root runs this, in a child that gave its rights up."""
    if os.geteuid() != 0:
        return check()
    child = os.fork()
    if child == 0:
        try:
            os.setgid(65534)
            os.setuid(65534)
            os._exit(0 if check() else 1)
        finally:
            os._exit(2)
    return os.waitpid(child, 0)[1] == 0


def let_everybody_in(folder: Path) -> None:
    """Open the folders above, which pytest closes to other users."""
    for each in (folder, *folder.parents):
        if each.owner() == "root" and not each.stat().st_mode & 0o005:
            each.chmod(0o755)


def test_a_closed_root_is_unfinished_work(tmp_path: Path) -> None:
    """What cannot be read is exit status 3."""
    (tmp_path / "closed").mkdir(mode=0)
    let_everybody_in(tmp_path)

    def is_reported() -> bool:
        with pytest.raises(UnfinishedError, match="cannot be opened"):
            list(walk(tmp_path / "closed"))
        return True

    assert without_rights(is_reported)


def test_a_folder_that_may_be_listed_and_not_entered(tmp_path: Path) -> None:
    """Its names are there, and nobody can say what they are: entries of a kind of their own, none of them gone."""
    (tmp_path / "listed" / "below").mkdir(parents=True)
    (tmp_path / "listed" / "file").write_bytes(b"x")
    (tmp_path / "listed").chmod(0o444)
    let_everybody_in(tmp_path)
    expected = {"listed/below": EntryKind.UNREADABLE, "listed/file": EntryKind.UNREADABLE}
    assert without_rights(lambda: kinds(tmp_path) == expected)


def test_a_closed_folder_is_an_entry_and_the_rest_goes_on(tmp_path: Path) -> None:
    """An unreadable folder is reported, never raised. As root, in a child that gave up its rights."""
    (tmp_path / "closed").mkdir()
    (tmp_path / "closed" / "inside").write_bytes(b"x")
    (tmp_path / "z").write_bytes(b"x")
    (tmp_path / "closed").chmod(0)
    let_everybody_in(tmp_path)
    assert without_rights(lambda: kinds(tmp_path) == {"closed": EntryKind.DIR_UNREADABLE, "z": EntryKind.FILE})


def test_a_swapped_file_is_not_opened_for_the_one_that_was_seen(tmp_path: Path) -> None:
    """`open` insists on the same inode; a link, a FIFO or another file in its place is an OSError."""
    target = tmp_path / "file"
    target.write_bytes(b"seen")
    outside = tmp_path / "outside"
    outside.write_bytes(b"secret")
    [entry] = [e for e in walk(tmp_path) if e.path == "file"]
    for swap in ("link", "fifo", "other file"):
        target.unlink()
        if swap == "link":
            target.symlink_to(outside)
        elif swap == "fifo":
            os.mkfifo(target)
        else:
            target.hardlink_to(outside)
        with pytest.raises(OSError) as caught:
            os.close(entry.open())
        assert caught.value.errno in (errno.ELOOP, errno.ESTALE)
    target.unlink()
    with pytest.raises(FileNotFoundError):
        entry.open()


def test_another_folder_in_the_roots_place_is_refused(tmp_path: Path) -> None:
    """A stick that was exchanged between walk and open is not read as the first one."""
    root = tmp_path / "stick"
    root.mkdir()
    (root / "file").write_bytes(b"x")
    [entry] = walk(root)
    root.rename(tmp_path / "first")
    root.mkdir()
    (root / "file").write_bytes(b"x")
    with pytest.raises(OSError, match="root's place"):
        entry.open()


@pytest.mark.fault(25)
def test_a_folder_swapped_for_a_link_in_the_middle_leads_nowhere(tmp_path: Path) -> None:
    """Nothing outside the root is ever listed or opened."""
    outside = tmp_path / "outside"
    (outside / "deep").mkdir(parents=True)
    for n in range(20):
        (outside / f"secret-{n}").write_bytes(b"secret")
        (outside / "deep" / f"secret-{n}").write_bytes(b"secret")
    root = tmp_path / "root"
    (root / "sub" / "deep").mkdir(parents=True)
    for n in range(20):
        (root / "sub" / f"ours-{n}").write_bytes(b"ours")
        (root / "sub" / "deep" / f"ours-{n}").write_bytes(b"ours")
    done = threading.Event()

    def swap() -> None:
        while not done.is_set():
            (root / "sub").rename(root / "aside")
            (root / "sub").symlink_to(outside)
            (root / "sub").unlink()
            (root / "aside").rename(root / "sub")

    thread = threading.Thread(target=swap)
    thread.start()
    opened = 0
    try:
        for _ in range(150):
            for entry in walk(root):
                assert "secret" not in entry.path, entry
                if entry.kind is not EntryKind.FILE:
                    continue
                try:
                    fd = entry.open()
                except OSError:
                    continue
                opened += 1
                assert os.read(fd, 10) == b"ours"
                os.close(fd)
    finally:
        done.set()
        thread.join()
    assert opened > 0


@pytest.mark.fault(25)
def test_a_folder_swapped_between_two_steps_of_the_walk(tmp_path: Path) -> None:
    """What lstat saw as a folder is not followed when it has become a link."""
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "secret").write_bytes(b"secret")
    root = tmp_path / "root"
    (root / "sub").mkdir(parents=True)
    (root / "a").write_bytes(b"")
    steps = walk(root)
    assert next(steps).path == "a"
    (root / "sub").rmdir()
    (root / "sub").symlink_to("../outside")
    assert [(e.path, e.kind) for e in steps] == [("sub", EntryKind.VANISHED)]


def test_a_folder_swapped_between_walk_and_open(tmp_path: Path) -> None:
    """The same for opening: not even the very same inode is reached through a link."""
    root = tmp_path / "root"
    (root / "sub").mkdir(parents=True)
    (root / "sub" / "file").write_bytes(b"x")
    [entry] = walk(root)
    (root / "sub").rename(tmp_path / "outside")
    (root / "sub").symlink_to("../outside")
    with pytest.raises(OSError) as caught:
        entry.open()
    assert caught.value.errno in (errno.ELOOP, errno.ENOTDIR)


@pytest.mark.fault(30)
def test_names_that_are_not_utf_8_are_kept_and_opened(tmp_path: Path) -> None:
    """Undecodable bytes come as PEP 383 surrogates and lead back to the file."""
    (Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9"))).write_bytes(b"x")
    [entry] = walk(tmp_path)
    assert entry.path == "caf\udce9"
    os.close(entry.open())


def test_too_many_and_too_deep_are_reported(tmp_path: Path) -> None:
    """The bounds are reported as entries, so that nobody takes a component for the whole."""
    (tmp_path / "1" / "2" / "3").mkdir(parents=True)
    (tmp_path / "1" / "2" / "3" / "deep").write_bytes(b"")
    assert {e.path: e.kind for e in walk(tmp_path, max_depth=2)} == {"1/2/3": EntryKind.LIMIT}
    assert {e.path for e in walk(tmp_path, max_depth=3)} == {"1/2/3/deep"}
    for n in range(5):
        (tmp_path / f"f{n}").write_bytes(b"")
    found = list(walk(tmp_path, max_entries=3))
    assert [e.kind for e in found] == [EntryKind.FILE, EntryKind.FILE, EntryKind.FILE, EntryKind.LIMIT]


def test_skipped_paths_are_passed_over(tmp_path: Path) -> None:
    """`skip` names paths from the root, not names anywhere."""
    for folder in ("keep", "over", "keep/over"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "f").write_bytes(b"")
    assert [e.path for e in walk(tmp_path, skip={"over"})] == ["keep/f", "keep/over/f"]


def test_no_descriptor_is_left_open(tmp_path: Path) -> None:
    """Also when the walk is given up in the middle."""
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "a" / "b" / "f").write_bytes(b"")
    (tmp_path / "a" / "b" / "g").write_bytes(b"")

    def open_now() -> int:
        return len(os.listdir("/proc/self/fd"))

    before = open_now()
    for entry in walk(tmp_path):
        os.close(entry.open())
        break
    list(walk(tmp_path))
    assert open_now() <= before  # fewer: what earlier tests left was collected meanwhile


@pytest.mark.root
def test_a_folder_bound_into_itself_ends(tmp_path: Path) -> None:
    """A loop by bind mount is an entry, not an endless walk."""
    with mounted("tmpfs", tmp_path) as root:
        (root / "a" / "again").mkdir(parents=True)
        (root / "a" / "file").write_bytes(b"")
        import subprocess

        bound = subprocess.run(["mount", "--bind", root, root / "a" / "again"], capture_output=True, check=False)
        if bound.returncode != 0:
            pytest.skip("bind mounts do not work here")
        try:
            assert kinds(root) == {"a/again": EntryKind.LOOP, "a/file": EntryKind.FILE}
        finally:
            subprocess.run(["umount", root / "a" / "again"], check=False)


names = st.text(st.characters(blacklist_characters="/\0", blacklist_categories=["Cs"]), min_size=1, max_size=20)


@given(st.sets(names.filter(lambda n: n not in (".", "..") and len(n.encode()) < 200), max_size=6))
def test_the_walk_sees_what_os_walk_sees(tmp_path_factory: pytest.TempPathFactory, found: set[str]) -> None:
    """Oracle: os.walk of the standard library, on any names."""
    root = tmp_path_factory.mktemp("walk")
    for n, name in enumerate(sorted(found)):
        folder = root / str(n % 2)
        folder.mkdir(exist_ok=True)
        (folder / name).write_bytes(b"")
    expected = {os.path.relpath(os.path.join(top, f), root) for top, _, files in os.walk(root) for f in files}
    entries: list[WalkEntry] = list(walk(root))
    assert {e.path for e in entries} == expected
    assert [e.path.split("/") for e in entries] == sorted(e.path.split("/") for e in entries)
