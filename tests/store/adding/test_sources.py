"""Sources: links to them, things in them that are no files, sources that fail or change while they are read."""

from __future__ import annotations

import os
import socket
import stat
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import InputError, KeeperError
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.adding.add import add_bundles
from bundlekeeper.store.adding.sources import FolderSource
from tests.kits.store_kit import GOOD, Kit, codes, message, now, unclosable

# Links to the source


@pytest.mark.fault(23)
def test_a_hard_link_is_marked_shared_and_never_trusted(tmp_path: Path) -> None:
    """`--link=hard` is opt-in, marked `shared`, its mode is left alone and `--quick` never trusts it."""
    kit = Kit(tmp_path)
    path = kit.offer("a.bin", GOOD)
    os.utime(path, (1, 1))  # old enough that only its being shared makes it doubtful
    path.chmod(0o640)
    result = kit.add(kit.bundle("a.bin", GOOD), link="hard")
    place = kit.root / "blade/6.1.0/a.bin"
    assert (result.rows[0].way_in, result.rows[0].note) == ("hard-link", "")
    assert place.stat().st_ino == path.stat().st_ino
    assert stat.S_IMODE(place.stat().st_mode) == 0o640
    (row,) = kit.stored()
    assert row.shared
    assert not kit.verifications()[row.place].trustworthy
    assert kit.states() == {row.place: "verified"}
    again = kit.add(kit.bundle("a.bin", GOOD))
    assert (again.counts, again.read_bytes) == ({"already there": 1}, len(GOOD))
    assert again.rows[0].note == "verified again: its file is shared with its source, and not trusted unread"
    assert not kit.verifications()[row.place].trustworthy
    path.write_bytes(GOOD[::-1])
    spoiled = kit.add(kit.bundle("a.bin", GOOD))
    assert (codes(spoiled), kit.stored()) == (["altered", "altered"], [])


def test_a_shared_file_is_copied_for_a_second_name(tmp_path: Path) -> None:
    """A link to a file that is not ours alone would pass its weakness on."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD), link="hard")
    result = kit.add(kit.bundle("b.bin", GOOD, version="6.2.0"), manifest=2)
    assert (result.rows[0].status, result.rows[0].way_in) == ("same bytes", "copy")
    assert (kit.root / "blade/6.2.0/b.bin").stat().st_nlink == 1


def test_a_wrong_file_is_not_shared(tmp_path: Path) -> None:
    """What a hard link brings is verified first, like everything."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD[::-1])
    assert codes(kit.add(kit.bundle("a.bin", GOOD), link="hard")) == ["altered"]
    assert kit.stored() == []


def test_a_reflink_that_is_not_possible_is_a_copy_that_says_so(tmp_path: Path) -> None:
    """ext4 and tmpfs know no reflinks; on a file system that does, the row says reflink."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    row = kit.add(kit.bundle("a.bin", GOOD), link="reflink").rows[0]
    assert row.status == "added"
    assert (row.way_in, row.note) == ("reflink", "") or (row.way_in == "copy" and "reflink is not possible" in row.note)
    assert kit.tree()["blade/6.1.0/a.bin"] == GOOD


# Things that are no files


@pytest.mark.fault(22)
@pytest.mark.fault(24)
def test_links_fifos_and_sockets_of_the_name(tmp_path: Path) -> None:
    """ "symlink as leaf: refused"; "FIFO, device, socket: refused without hanging" """
    kit = Kit(tmp_path)
    outside = tmp_path / "outside.bin"
    outside.write_bytes(GOOD)
    (kit.source / "a.bin").symlink_to(outside)
    os.mkfifo(kit.source / "b.bin")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(os.path.relpath(kit.source / "c.bin"))
        result = kit.add(*(kit.bundle(n, GOOD, version=n[0]) for n in ("a.bin", "b.bin", "c.bin")))
    assert result.counts == {"missing": 3}
    assert [f.code for f in result.findings] == ["missing"] * 3
    assert "a.bin is a symbolic link" in result.findings[0].message
    assert "b.bin is a named pipe" in result.findings[1].message
    assert "c.bin is a socket" in result.findings[2].message


@pytest.mark.fault(22)
def test_no_link_to_a_folder_is_followed(tmp_path: Path) -> None:
    """Symlink ... as parent: refused."""
    kit = Kit(tmp_path)
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "a.bin").write_bytes(GOOD)
    (kit.source / "sub").symlink_to(outside)
    assert kit.add(kit.bundle("a.bin", GOOD)).counts == {"missing": 1}


def test_a_source_that_is_not_there(tmp_path: Path) -> None:
    """A mistyped folder is an input error, and the store keeps no manifest for it."""
    kit = Kit(tmp_path)
    kit.source.rmdir()
    with pytest.raises(InputError):
        kit.add(kit.bundle("a.bin", GOOD))
    assert kit.admitted() == []


def test_the_store_inside_the_source_is_passed_over(tmp_path: Path) -> None:
    """`--from` a folder that contains the store must not offer the store its own quarantine."""
    kit = Kit(tmp_path)
    kit.source = tmp_path
    (tmp_path / "a.bin").write_bytes(b"wrong")
    kit.add(kit.bundle("a.bin", b"right"))
    (tmp_path / "a.bin").unlink()
    assert codes(kit.add(kit.bundle("a.bin", b"right"))) == ["missing"]


# Sources that fail or change


@pytest.mark.fault(21)
def test_a_source_that_changes_while_it_is_read(tmp_path: Path) -> None:
    """Source changes while hashed: the copied bytes are hashed; fstat before and after compared."""
    kit = Kit(tmp_path)
    data = bytes(4 << 20)
    path = kit.offer("a.bin", data)

    class Writing(Silent):
        def advance(self, count: int) -> None:
            with path.open("r+b") as file:
                file.seek(len(data) - 1)
                file.write(b"!")

    result = kit.add(kit.bundle("a.bin", data), progress=Writing())
    assert (result.counts, codes(result)) == ({"failed": 1}, ["unreadable"])
    assert "changed while it was read" in message(result, "unreadable")
    assert not [n for n in kit.tree() if n.startswith("quarantine/")]


@pytest.mark.fault(21)
def test_right_bytes_are_right_whatever_happens_to_their_source(tmp_path: Path) -> None:
    """What was copied was hashed; a touch meanwhile takes nothing from that."""
    kit = Kit(tmp_path)
    path = kit.offer("a.bin", GOOD)

    class Touching(Silent):
        def advance(self, count: int) -> None:
            os.utime(path)

    assert kit.add(kit.bundle("a.bin", GOOD), progress=Touching()).counts == {"added": 1}
    other = kit.offer("b.bin", b"b")

    class TouchingB(Silent):
        def advance(self, count: int) -> None:
            os.utime(other)

    shared = kit.add(kit.bundle("b.bin", b"b"), manifest=2, link="hard", progress=TouchingB())
    assert codes(shared) == ["unreadable"]


@pytest.mark.fault(21)
def test_a_file_that_shrinks_while_it_is_read(tmp_path: Path) -> None:
    """Hashing survives a file that shrinks, and nothing half is kept."""
    kit = Kit(tmp_path)
    data = bytes(8 << 20)
    path = kit.offer("a.bin", data)

    class Cutting(Silent):
        def advance(self, count: int) -> None:
            os.truncate(path, 1 << 20)

    result = kit.add(kit.bundle("a.bin", data), progress=Cutting())
    assert codes(result) == ["unreadable"]
    assert kit.tree().keys() == {"manifests/marram-1.toml"}


@pytest.mark.parametrize("link", ["none", "hard"])
def test_a_file_that_grows_without_end(tmp_path: Path, link: str) -> None:
    """It is given up when it can be no bundle any more, and not kept."""
    kit = Kit(tmp_path)
    path = kit.offer("a.bin", bytes(8 << 20))

    class Growing(Silent):
        def advance(self, count: int) -> None:
            os.truncate(path, path.stat().st_size + 2 * count)

    result = kit.add(kit.bundle("a.bin", bytes(8 << 20)), progress=Growing(), link=link)
    assert codes(result) == ["extended"]
    assert kit.tree().keys() == {"manifests/marram-1.toml", "quarantine/a.bin.size-unknown.note.txt"}


def test_an_unreadable_source_is_one_bundles_trouble(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """EIO while verifying: 'unreadable', not 'altered'; go on."""
    kit = Kit(tmp_path)
    bad = kit.offer("a.bin", b"a").stat().st_ino
    kit.offer("b.bin", b"b")
    from bundlekeeper.verification.hashing.door import copy_fd as real

    def failing(fd: int, *arguments: Any, **options: Any) -> Any:
        if os.fstat(fd).st_ino == bad:
            raise OSError(5, "Input/output error")
        return real(fd, *arguments, **options)

    monkeypatch.setattr("bundlekeeper.store.adding.sources.copy_fd", failing)
    result = kit.add(kit.bundle("a.bin", b"a"), kit.bundle("b.bin", b"b"))
    assert (result.counts, codes(result)) == ({"failed": 1, "added": 1}, ["unreadable"])

    # A file system of a program that died answers the close with an error too (close(2): flush of FUSE).
    monkeypatch.setattr(os, "close", unclosable({bad}))
    again = kit.add(kit.bundle("a.bin", b"a"), kit.bundle("b.bin", b"b"))
    assert (again.counts, codes(again)) == ({"failed": 1, "already there": 1}, ["unreadable"])
    assert message(again, "unreadable").endswith("Input/output error")


def test_a_source_that_cannot_be_closed_gave_its_bytes_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was copied was hashed; that the device went afterwards is no failure of the store."""
    kit = Kit(tmp_path)
    monkeypatch.setattr(os, "close", unclosable({kit.offer("a.bin", GOOD).stat().st_ino}))
    assert kit.add(kit.bundle("a.bin", GOOD)).counts == {"added": 1}


def test_a_file_laid_into_its_place_meanwhile(tmp_path: Path) -> None:
    """ "on EEXIST compare bytes": equal bytes are recorded, others moved away."""
    for there, expected in ((b"right", "already there"), (b"wrong", "added")):
        kit = Kit(tmp_path, store=f"store-{expected[:5]}")
        kit.offer("a.bin", b"right")

        class Laying(Silent):
            def advance(self, count: int) -> None:
                place = kit.root / "blade/6.1.0/a.bin"  # noqa: B023 - called within this turn of the loop
                if not place.exists():
                    place.parent.mkdir(parents=True)
                    place.write_bytes(there)  # noqa: B023

        result = kit.add(kit.bundle("a.bin", b"right"), progress=Laying())
        assert result.counts == {expected: 1}
        assert kit.tree()["blade/6.1.0/a.bin"] == b"right"


def test_several_sources_are_tried_in_their_order(tmp_path: Path) -> None:
    """A bundle that the first source lacks comes from the second."""
    from bundlekeeper.store.contents.store import Store

    kit = Kit(tmp_path)
    second = tmp_path / "second"
    second.mkdir()
    kit.offer("a.bin", b"a")
    (second / "b.bin").write_bytes(b"b")
    with Store.open(kit.root, write=True) as store:
        result = add_bundles(
            store,
            kit.loaded(kit.bundle("a.bin", b"a"), kit.bundle("b.bin", b"b")),
            [FolderSource(kit.source), FolderSource(second)],
            clock=now,
            progress=Silent(),
        )
    assert [r.came_from for r in result.rows] == [str(kit.source / "a.bin"), str(second / "b.bin")]


def test_errors_are_of_our_own_family(tmp_path: Path) -> None:
    """Whatever stands where a folder should be, no foreign exception comes out."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"a")
    kit.add()
    for make in (Path.touch, lambda p: p.symlink_to(tmp_path), os.mkfifo):
        place = kit.root / "blade"
        make(place)
        with pytest.raises(KeeperError):
            kit.add(kit.bundle("a.bin", b"a"), manifest=2)
        place.unlink()
