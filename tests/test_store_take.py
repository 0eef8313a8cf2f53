"""`take`: bundles from a folder into the store, by the library's own functions, with real files."""

from __future__ import annotations

import hashlib
import os
import socket
import stat
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import InputError, KeeperError, RefusedError, StoppedError, UnfinishedError
from bundlekeeper.model.findings import Level
from bundlekeeper.model.progress import Silent
from bundlekeeper.proof.reading import Stop
from bundlekeeper.store.intake import TakeResult, take
from bundlekeeper.store.sources import FolderSource
from tests.store_kit import Kit, now

GOOD = b"good bytes" * 1000


def codes(result: TakeResult) -> list[str]:
    """The codes found, in order."""
    return [found.code for found in result.findings]


def says(result: TakeResult, code: str) -> str:
    """What the one finding of this code says."""
    (text,) = [found.says for found in result.findings if found.code == code]
    return text


# Once, and not again


def test_a_bundle_is_taken_once_and_proven(tmp_path: Path) -> None:
    """ "idempotent; resumable (what is in and proven is not read again)" (issue: take)"""
    kit = Kit(tmp_path)
    kit.offer("deep/er/a.fwb", GOOD)
    first = kit.take(kit.bundle("a.fwb", GOOD))
    assert (first.counts, first.read_bytes, first.findings) == ({"taken": 1}, len(GOOD), ())
    again = kit.take(kit.bundle("a.fwb", GOOD))
    assert (again.counts, again.read_bytes, again.findings) == ({"already held": 1}, 0, ())
    assert kit.tree()["blade/6.1.0/a.fwb"] == GOOD
    (row,) = kit.held()
    assert (row.way_in, row.taken_from) == ("copy", str(kit.source / "deep/er/a.fwb"))
    assert [(i.kind, i.models, i.version) for i in row.images] == [("bios", ("MB-2",), "6.1.0")]
    proof = kit.proofs()[row.place]
    assert proof.sha256 == hashlib.sha256(GOOD).hexdigest()
    assert proof.trustworthy


def test_nothing_but_the_source_is_needed_and_it_may_go(tmp_path: Path) -> None:
    """A store that holds everything needs no source file any more, and the source keeps its own as they were."""
    kit = Kit(tmp_path)
    path = kit.offer("a.fwb", GOOD)
    before = path.stat()
    kit.take(kit.bundle("a.fwb", GOOD))
    after = path.stat()
    assert (before.st_mtime_ns, before.st_ctime_ns, before.st_nlink) == (after.st_mtime_ns, after.st_ctime_ns, 1)
    path.unlink()
    assert kit.take(kit.bundle("a.fwb", GOOD)).counts == {"already held": 1}


@pytest.mark.parametrize("size", [0, 1, (1 << 20) - 1, 1 << 20, (1 << 20) + 1])
def test_any_size(tmp_path: Path, size: int) -> None:
    """Empty files and sizes around the block of a read."""
    kit = Kit(tmp_path)
    data = bytes(i % 251 for i in range(size))
    kit.offer("a.fwb", data)
    assert kit.take(kit.bundle("a.fwb", data)).counts == {"taken": 1}
    assert kit.tree()["blade/6.1.0/a.fwb"] == data


def test_a_touched_file_is_proven_again_in_place(tmp_path: Path) -> None:
    """A fingerprint that changed means reading the file in place, not its source."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD))
    os.utime(kit.root / "blade/6.1.0/a.fwb")
    kit.offer("a.fwb", b"x")
    again = kit.take(kit.bundle("a.fwb", GOOD))
    assert (again.counts, again.read_bytes, again.rows[0].note) == ({"already held": 1}, len(GOOD), "proven again")
    assert kit.take(kit.bundle("a.fwb", GOOD)).read_bytes == 0


def test_a_file_in_place_without_a_row_is_proven_in_place(tmp_path: Path) -> None:
    """ "cut between publish and catalogue commit: reconcile at start, prove again" (faults.md 5)"""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD))
    place = kit.root / "blade/6.1.0/b.fwb"
    place.write_bytes(b"laid there by hand")
    result = kit.take(kit.bundle("b.fwb", b"laid there by hand"), kit.bundle("a.fwb", GOOD), manifest=2)
    assert [(r.status, r.way_in) for r in result.rows] == [("already held", "found"), ("already held", "copy")]


def test_a_file_gone_from_the_store_is_taken_again(tmp_path: Path) -> None:
    """A row whose file is gone claims nothing."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD))
    (kit.root / "blade/6.1.0/a.fwb").unlink()
    assert kit.take(kit.bundle("a.fwb", GOOD)).counts == {"taken": 1}
    assert kit.take(kit.bundle("a.fwb", GOOD)).read_bytes == 0


# Wrong bytes


def test_wrong_bytes_go_to_quarantine_and_the_rest_goes_on(tmp_path: Path) -> None:
    """ "a mismatch goes to quarantine with a note and the rest goes on" (issue: take)"""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", b"wrong bytes" + GOOD[11:])
    kit.offer("b.fwb", GOOD[:-1])
    kit.offer("c.fwb", GOOD + b"!")
    kit.offer("d.fwb", b"right")
    bundles = [kit.bundle(name, GOOD, version=name[0]) for name in ("a.fwb", "b.fwb", "c.fwb")]
    result = kit.take(*bundles, kit.bundle("d.fwb", b"right"))
    assert codes(result) == ["altered", "truncated", "extended"]
    assert [r.status for r in result.rows] == ["quarantined", "quarantined", "quarantined", "taken"]
    tree = kit.tree()
    digest = hashlib.sha256(GOOD[:-1]).hexdigest()[:12]
    assert tree[f"quarantine/b.fwb.{digest}"] == GOOD[:-1]
    note = tree[f"quarantine/b.fwb.{digest}.note.txt"].decode()
    assert f"expected: {len(GOOD)} bytes, SHA-256 {hashlib.sha256(GOOD).hexdigest()}" in note
    assert f"found:    {len(GOOD) - 1} bytes, SHA-256 {digest}" in note
    assert f"from:     {kit.source}/b.fwb" in note
    assert "manifest: marram, sequence 1" in note
    assert not any(name.startswith("blade/6") for name in tree if "d.fwb" not in name)


def test_the_same_wrong_file_again_adds_nothing(tmp_path: Path) -> None:
    """The name in quarantine comes from the bytes."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", b"wrong")
    kit.take(kit.bundle("a.fwb", b"right"))
    once = kit.tree()
    assert codes(kit.take(kit.bundle("a.fwb", b"right"))) == ["altered"]
    assert kit.tree() == once
    kit.offer("a.fwb", b"other")
    kit.take(kit.bundle("a.fwb", b"right"))
    assert len([name for name in kit.tree() if name.startswith("quarantine/")]) == 4


def test_a_name_in_quarantine_that_other_bytes_took_is_left_alone(tmp_path: Path) -> None:
    """ "quarantine name taken: unique name, no clobber" (faults.md 15)"""
    kit = Kit(tmp_path)
    kit.take()
    digest = hashlib.sha256(b"wrong").hexdigest()
    taken = kit.root / f"quarantine/a.fwb.{digest[:12]}"
    taken.write_bytes(b"something else")
    kit.offer("a.fwb", b"wrong")
    kit.take(kit.bundle("a.fwb", b"right"), manifest=2)
    assert taken.read_bytes() == b"something else"
    assert kit.tree()[f"quarantine/a.fwb.{digest}"] == b"wrong"


def test_a_far_too_large_file_is_noted_but_not_kept(tmp_path: Path) -> None:
    """Over twice the stated size and 64 MiB, only the note is kept; nothing of it is read."""
    kit = Kit(tmp_path)
    path = kit.offer("a.fwb", b"")
    size = 2 * 5 + 64 * 1024 * 1024 + 1
    os.truncate(path, size)
    result = kit.take(kit.bundle("a.fwb", b"right"))
    assert (codes(result), result.read_bytes) == (["extended"], 0)
    assert f"{size} bytes, the manifest says 5" in says(result, "extended")
    assert [n for n in kit.tree() if n.startswith("quarantine/")] == [f"quarantine/a.fwb.size-{size}.note.txt"]


def test_bytes_of_another_bundle_are_named_as_such(tmp_path: Path) -> None:
    """ "the right file twice" (trade.md): two files swapped are both taken, and both findings say what happened."""
    kit = Kit(tmp_path)
    kit.offer("old.fwb", b"bytes of the new")
    kit.offer("new.fwb", b"bytes of the old")
    old = kit.bundle("old.fwb", b"bytes of the old", version="5.4.2")
    new = kit.bundle("new.fwb", b"bytes of the new")
    result = kit.take(old, new)
    assert result.counts == {"taken": 2}
    assert codes(result) == ["misnamed", "altered", "misnamed", "altered"]
    assert {f.level for f in result.findings} == {Level.WARNING}
    assert "these are the bytes of blade 6.1.0 (new.fwb)" in result.findings[1].says
    assert kit.tree()["blade/5.4.2/old.fwb"] == b"bytes of the old"


def test_last_quarters_file_under_this_quarters_name(tmp_path: Path) -> None:
    """ "A stick that holds last quarter's file under this quarter's name" (trade.md): held bytes are known."""
    kit = Kit(tmp_path)
    kit.offer("old.fwb", b"old bytes")
    kit.take(kit.bundle("old.fwb", b"old bytes", version="5.4.2"))
    kit.offer("new.fwb", b"old bytes")
    result = kit.take(kit.bundle("new.fwb", b"new bytes"), manifest=2)
    assert "these are the bytes of blade 5.4.2 (old.fwb), held" in says(result, "altered")


def test_the_right_bytes_under_another_name(tmp_path: Path) -> None:
    """ "`misnamed` = the right bytes under another name" (issue: check)"""
    kit = Kit(tmp_path)
    kit.offer("download (1).bin", GOOD)
    kit.offer("same size.bin", GOOD[::-1])
    result = kit.take(kit.bundle("a.fwb", GOOD))
    assert (result.counts, codes(result)) == ({"taken": 1}, ["misnamed"])
    assert kit.tree()["blade/6.1.0/a.fwb"] == GOOD
    assert not [n for n in kit.tree() if n.startswith("quarantine/")]


def test_one_of_several_with_the_name_is_right(tmp_path: Path) -> None:
    """The right size is tried first; what was wrong on the way is told as a warning."""
    kit = Kit(tmp_path)
    kit.offer("a/a.fwb", GOOD[::-1])
    kit.offer("b/a.fwb", GOOD)
    kit.offer("c/a.fwb", b"short")
    result = kit.take(kit.bundle("a.fwb", GOOD))
    assert result.counts == {"taken": 1}
    assert [(f.code, f.level) for f in result.findings] == [("altered", Level.WARNING)]


def test_a_wrong_file_in_place_is_moved_and_the_right_one_taken(tmp_path: Path) -> None:
    """ "bit flip at rest: found, quarantined, bytes kept" (faults.md 12)"""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD))
    place = kit.root / "blade/6.1.0/a.fwb"
    flipped = bytes([GOOD[0] ^ 1]) + GOOD[1:]
    place.chmod(0o644)
    place.write_bytes(flipped)
    result = kit.take(kit.bundle("a.fwb", GOOD))
    assert (result.counts, codes(result)) == ({"taken": 1}, ["altered"])
    tree = kit.tree()
    assert tree["blade/6.1.0/a.fwb"] == GOOD
    assert tree[f"quarantine/a.fwb.{hashlib.sha256(flipped).hexdigest()[:12]}"] == flipped


def test_a_wrong_file_in_place_and_no_other(tmp_path: Path) -> None:
    """Both are told: what lay there was wrong, and no source has the right one."""
    kit = Kit(tmp_path)
    kit.take()
    place = kit.root / "blade/6.1.0/a.fwb"
    place.parent.mkdir(parents=True)
    place.write_bytes(b"wrong")
    result = kit.take(kit.bundle("a.fwb", b"right"), manifest=2)
    assert (codes(result), result.rows[0].status) == (["altered", "missing"], "quarantined")
    assert kit.held() == []


# The same bytes


def test_equal_bytes_are_held_once(tmp_path: Path) -> None:
    """ "Equal bytes are held once: a second name is a hard link inside the store" (design.md)"""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    bundles = (kit.bundle("a.fwb", GOOD), kit.bundle("b.fwb", GOOD, version="6.2.0"))
    result = kit.take(*bundles)
    assert [r.status for r in result.rows] == ["taken", "same bytes"]
    assert result.read_bytes == len(GOOD)
    one, two = kit.root / "blade/6.1.0/a.fwb", kit.root / "blade/6.2.0/b.fwb"
    assert one.stat().st_ino == two.stat().st_ino
    assert [row.way_in for row in kit.held()] == ["copy", "same-bytes"]
    again = kit.take(*bundles)
    assert (again.counts, again.read_bytes) == ({"already held": 2}, 0)


def test_equal_bytes_are_copied_where_links_are_not_possible(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "a copy where links don't exist (`held` says so)" (design.md)"""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)

    def no_link(*_: Any, **__: Any) -> os.stat_result:
        raise OSError(31, "Too many links")

    monkeypatch.setattr("bundlekeeper.store.placing.put_again", no_link)
    result = kit.take(kit.bundle("a.fwb", GOOD), kit.bundle("b.fwb", GOOD, version="6.2.0"))
    assert [r.status for r in result.rows] == ["taken", "same bytes"]
    assert [row.way_in for row in kit.held()] == ["copy", "copy"]
    assert kit.tree()["blade/6.2.0/b.fwb"] == GOOD


def test_a_spoiled_copy_is_never_given_a_second_name(tmp_path: Path) -> None:
    """Bytes that changed since their proof are read before they are linked; then the source serves."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD))
    place = kit.root / "blade/6.1.0/a.fwb"
    place.chmod(0o644)
    place.write_bytes(GOOD[::-1])
    result = kit.take(kit.bundle("b.fwb", GOOD, version="6.2.0"), manifest=2)
    assert result.counts == {"taken": 1}
    assert kit.tree()["blade/6.2.0/b.fwb"] == GOOD


# Links to the source


def test_a_hard_link_is_marked_shared_and_never_trusted(tmp_path: Path) -> None:
    """ "`--link=hard` is opt-in, marked `shared`, its mode is left alone and `--quick` never trusts it" (design.md)"""
    kit = Kit(tmp_path)
    path = kit.offer("a.fwb", GOOD)
    path.chmod(0o640)
    result = kit.take(kit.bundle("a.fwb", GOOD), link="hard")
    place = kit.root / "blade/6.1.0/a.fwb"
    assert (result.rows[0].way_in, result.rows[0].note) == ("hard-link", "")
    assert place.stat().st_ino == path.stat().st_ino
    assert stat.S_IMODE(place.stat().st_mode) == 0o640
    (row,) = kit.held()
    assert row.shared
    assert not kit.proofs()[row.place].trustworthy
    again = kit.take(kit.bundle("a.fwb", GOOD))
    assert (again.counts, again.read_bytes) == ({"already held": 1}, len(GOOD))
    assert not kit.proofs()[row.place].trustworthy
    path.write_bytes(GOOD[::-1])
    spoiled = kit.take(kit.bundle("a.fwb", GOOD))
    assert (codes(spoiled), kit.held()) == (["altered", "altered"], [])


def test_a_shared_file_is_copied_for_a_second_name(tmp_path: Path) -> None:
    """A link to a file that is not ours alone would pass its weakness on."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD), link="hard")
    result = kit.take(kit.bundle("b.fwb", GOOD, version="6.2.0"), manifest=2)
    assert (result.rows[0].status, result.rows[0].way_in) == ("same bytes", "copy")
    assert (kit.root / "blade/6.2.0/b.fwb").stat().st_nlink == 1


def test_a_wrong_file_is_not_shared(tmp_path: Path) -> None:
    """What a hard link brings is proven first, like everything."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD[::-1])
    assert codes(kit.take(kit.bundle("a.fwb", GOOD), link="hard")) == ["altered"]
    assert kit.held() == []


def test_a_reflink_that_is_not_possible_is_a_copy_that_says_so(tmp_path: Path) -> None:
    """ext4 and tmpfs know no reflinks; on a file system that does, the row says reflink."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    row = kit.take(kit.bundle("a.fwb", GOOD), link="reflink").rows[0]
    assert row.status == "taken"
    assert (row.way_in, row.note) == ("reflink", "") or (row.way_in == "copy" and "reflink is not possible" in row.note)
    assert kit.tree()["blade/6.1.0/a.fwb"] == GOOD


# Things that are no files


def test_links_fifos_and_sockets_of_the_name(tmp_path: Path) -> None:
    """ "symlink as leaf: refused"; "FIFO, device, socket: refused without hanging" (faults.md 22, 24)"""
    kit = Kit(tmp_path)
    outside = tmp_path / "outside.fwb"
    outside.write_bytes(GOOD)
    (kit.source / "a.fwb").symlink_to(outside)
    os.mkfifo(kit.source / "b.fwb")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(os.path.relpath(kit.source / "c.fwb"))
        result = kit.take(*(kit.bundle(n, GOOD, version=n[0]) for n in ("a.fwb", "b.fwb", "c.fwb")))
    assert result.counts == {"missing": 3}
    assert [f.code for f in result.findings] == ["missing"] * 3
    assert "a.fwb is a symbolic link" in result.findings[0].says
    assert "b.fwb is a named pipe" in result.findings[1].says
    assert "c.fwb is a socket" in result.findings[2].says


def test_no_link_to_a_folder_is_followed(tmp_path: Path) -> None:
    """ "symlink ... as parent: refused" (faults.md 22)"""
    kit = Kit(tmp_path)
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "a.fwb").write_bytes(GOOD)
    (kit.source / "sub").symlink_to(outside)
    assert kit.take(kit.bundle("a.fwb", GOOD)).counts == {"missing": 1}


def test_a_source_that_is_not_there(tmp_path: Path) -> None:
    """A mistyped folder is an input error, and the store keeps no manifest for it."""
    kit = Kit(tmp_path)
    kit.source.rmdir()
    with pytest.raises(InputError):
        kit.take(kit.bundle("a.fwb", GOOD))
    assert kit.accepted() == []


def test_the_store_inside_the_source_is_passed_over(tmp_path: Path) -> None:
    """`--from` a folder that holds the store must not offer the store its own quarantine."""
    kit = Kit(tmp_path)
    kit.source = tmp_path
    (tmp_path / "a.fwb").write_bytes(b"wrong")
    kit.take(kit.bundle("a.fwb", b"right"))
    (tmp_path / "a.fwb").unlink()
    assert codes(kit.take(kit.bundle("a.fwb", b"right"))) == ["missing"]


# The manifest's own weaknesses


def test_what_the_manifest_says_against_a_bundle(tmp_path: Path) -> None:
    """self-digest, not-checked, withdrawn: told for each bundle, taken or not."""
    kit = Kit(tmp_path)
    for name in ("a.fwb", "b.fwb", "c.fwb"):
        kit.offer(name, name.encode())
    result = kit.take(
        kit.bundle("a.fwb", b"a.fwb", digest_from=" Own Copy "),
        kit.bundle("b.fwb", b"b.fwb", digest_from=None),
        kit.bundle("c.fwb", b"c.fwb", standing="withdrawn", why="loses settings"),
    )
    assert result.counts == {"taken": 3}
    assert codes(result) == ["self-digest", "not-checked", "withdrawn"]
    assert "loses settings" in says(result, "withdrawn")


def test_a_later_manifest_tells_what_is_held_that_it_was_withdrawn(tmp_path: Path) -> None:
    """ "A release withdrawn after it was downloaded" (trade.md)"""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD))
    result = kit.take(kit.bundle("a.fwb", GOOD, standing="withdrawn", why="bad flash"), manifest=2)
    assert (result.counts, codes(result), result.read_bytes) == ({"already held": 1}, ["withdrawn"], 0)
    (row,) = kit.held()
    assert (row.standing, row.why, row.sequence) == ("withdrawn", "bad flash", 2)


def test_digests_in_capitals(tmp_path: Path) -> None:
    """A manifest may write its digests in either case."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    bundle = kit.bundle("a.fwb", GOOD, sha256=hashlib.sha256(GOOD).hexdigest().upper())
    assert kit.take(bundle).counts == {"taken": 1}


@pytest.mark.parametrize(
    "name", ["../a", "/etc/a", "a\\b", "C:a", "a\0b", "", "..", "-a", "a\n", "CON", "e\u0301", "x" * 256]
)
def test_unsafe_names_are_refused_before_any_disk_access(tmp_path: Path, name: str) -> None:
    """ "`../`, absolute, `\\`, `C:`, NUL in names: refused before any disk access" (faults.md 26, 29 to 32)"""
    kit = Kit(tmp_path)
    with pytest.raises(InputError):
        kit.take(kit.bundle(name, b"x"))
    assert kit.tree() == {}


def test_names_that_are_one_on_some_file_systems(tmp_path: Path) -> None:
    """ "`A.bin` and `a.bin`: the set refused" (faults.md 27)"""
    with pytest.raises(InputError, match="one name"):
        Kit(tmp_path).take(Kit(tmp_path).bundle("A.fwb", b"x"), Kit(tmp_path).bundle("a.fwb", b"y"))


def test_the_same_name_in_another_version_is_another_file(tmp_path: Path) -> None:
    """A folder per version keeps them apart; a version that is no safe folder name is written as one."""
    kit = Kit(tmp_path)
    kit.offer("x/a.fwb", b"one")
    kit.offer("y/a.fwb", b"another")
    result = kit.take(kit.bundle("a.fwb", b"one"), kit.bundle("a.fwb", b"another", version="../6"))
    assert result.counts == {"taken": 2}
    places = [row.place for row in kit.held()]
    assert "blade/6.1.0/a.fwb" in places
    assert all(".." not in place.split("/") for place in places)


# Other bytes under a name that is taken


def test_same_name_other_bytes_is_never_overwritten(tmp_path: Path) -> None:
    """ "same name, other bytes: conflict; never overwritten" (faults.md 33)"""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", b"first")
    kit.take(kit.bundle("a.fwb", b"first"))
    kit.offer("a.fwb", b"second")
    second = kit.bundle("a.fwb", b"second")
    for _ in range(2):
        result = kit.take(second, manifest=2)
        assert (result.counts, codes(result)) == ({"failed": 1}, ["not-held"])
        assert "sequence 1" in says(result, "not-held")
    tree = kit.tree()
    assert tree["blade/6.1.0/a.fwb"] == b"first"
    assert tree[f"quarantine/a.fwb.{hashlib.sha256(b'second').hexdigest()[:12]}"] == b"second"
    (row,) = kit.held()
    assert (row.sha256, row.sequence) == (hashlib.sha256(b"first").hexdigest(), 1)


def test_a_conflict_whose_old_file_was_touched(tmp_path: Path) -> None:
    """The old file is read before it is believed; it was right, so it stays."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", b"first")
    kit.take(kit.bundle("a.fwb", b"first"))
    os.utime(kit.root / "blade/6.1.0/a.fwb")
    kit.offer("a.fwb", b"second")
    result = kit.take(kit.bundle("a.fwb", b"second"), manifest=2)
    assert codes(result) == ["not-held"]
    assert kit.tree()["blade/6.1.0/a.fwb"] == b"first"


def test_a_conflict_goes_away_with_the_old_file(tmp_path: Path) -> None:
    """The way out that the hint names."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", b"first")
    kit.take(kit.bundle("a.fwb", b"first"))
    kit.offer("a.fwb", b"second")
    kit.take(kit.bundle("a.fwb", b"second"), manifest=2)
    (kit.root / "blade/6.1.0/a.fwb").unlink()
    assert kit.take(kit.bundle("a.fwb", b"second"), manifest=2).counts == {"taken": 1}
    assert [row.sha256 for row in kit.held()] == [hashlib.sha256(b"second").hexdigest()]


# Which manifests


def test_rollback_is_refused_unless_a_why_is_given(tmp_path: Path) -> None:
    """ "rollback: highest serial remembered; override with a why, recorded" (faults.md 43)"""
    kit = Kit(tmp_path)
    kit.take(manifest=5)
    with pytest.raises(RefusedError, match="older"):
        kit.take(manifest=4)
    result = kit.take(manifest=4, accept_rollback="the newer one was withdrawn")
    assert codes(result) == ["downgrade"]
    assert [a.sequence for a in kit.accepted()] == [5, 4]
    ((_, what, subject, why),) = kit.exceptions()
    assert (what, subject, why) == ("rollback", "marram-4", "the newer one was withdrawn")
    with pytest.raises(RefusedError):
        kit.take(manifest=4)
    kit.take(manifest=5)
    assert [a.sequence for a in kit.accepted()] == [4, 5]


def test_same_sequence_other_bytes_is_a_contradiction(tmp_path: Path) -> None:
    """ "same serial, other bytes: refused as a contradiction" (faults.md 47)"""
    kit = Kit(tmp_path)
    kit.take(kit.bundle("a.fwb", b"one"))
    with pytest.raises(RefusedError, match="same sequence") as caught:
        kit.take(kit.bundle("a.fwb", b"two"), accept_rollback="no help")
    assert "raise `sequence`" in caught.value.hint
    assert len(kit.accepted()) == 1


def test_a_kept_manifest_that_was_never_recorded(tmp_path: Path) -> None:
    """A run killed between keeping and recording: the same manifest goes on, another with its sequence does not."""
    kit = Kit(tmp_path)
    kit.take()
    loaded = kit.loaded(sequence=2)
    (kit.root / "manifests/marram-2.toml").write_bytes(b"other bytes")
    with pytest.raises(RefusedError, match="other bytes"):
        kit.take_loaded(loaded)
    (kit.root / "manifests/marram-2.toml").write_bytes(loaded.data)
    kit.take_loaded(loaded)
    assert [a.sequence for a in kit.accepted()] == [1, 2]


def test_another_platform_is_refused(tmp_path: Path) -> None:
    """A store keeps one platform."""
    kit = Kit(tmp_path)
    kit.take()
    with pytest.raises(RefusedError, match="platform"):
        kit.take_loaded(kit.loaded(sequence=9, platform="other"))


def test_manifests_are_kept_whole(tmp_path: Path) -> None:
    """ "an accepted manifest is kept whole" (issue: trust)"""
    kit = Kit(tmp_path)
    loaded = kit.loaded(sequence=14)
    kit.take_loaded(loaded)
    kept = kit.root / "manifests/marram-14.toml"
    assert kept.read_bytes() == loaded.data
    assert stat.S_IMODE(kept.stat().st_mode) == 0o444
    assert kit.accepted()[0].place == "manifests/marram-14.toml"


def test_an_expired_manifest_is_refused_unless_a_why_is_given(tmp_path: Path) -> None:
    """ "Expired (freeze): `take` ... exit 4 unless `--accept-expired "why"`, which is recorded" (issue: trust)"""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    loaded = kit.loaded(kit.bundle("a.fwb", GOOD), expires=date(2026, 9, 1))
    at = datetime(2026, 9, 2, tzinfo=UTC)
    with pytest.raises(RefusedError, match="expired on 2026-09-01") as caught:
        kit.take_loaded(loaded, clock=lambda: at)
    assert caught.value.exit_code == 4
    assert kit.held() == []
    result = kit.take_loaded(loaded, clock=lambda: at, accept_expired="no newer one before the window")
    assert (result.counts, codes(result)) == ({"taken": 1}, ["expired"])
    assert kit.exceptions()[0][1:] == ("expired", "marram-1", "no newer one before the window")


def test_the_last_day_is_not_expired(tmp_path: Path) -> None:
    """The expiry date itself is still good."""
    kit = Kit(tmp_path)
    loaded = kit.loaded(expires=date(2026, 9, 1))
    assert kit.take_loaded(loaded, clock=lambda: datetime(2026, 9, 1, 23, 59, tzinfo=UTC)).findings == ()


def test_a_clock_that_is_behind_is_doubted(tmp_path: Path) -> None:
    """ "a clock earlier than the newest accepted date is `clock-doubtful`" (issue: trust)"""
    kit = Kit(tmp_path)
    result = kit.take_loaded(kit.loaded(), clock=lambda: datetime(2020, 1, 1, tzinfo=UTC))
    assert codes(result) == ["clock-doubtful"]


# Dry run, stop, room


def test_a_dry_run_says_what_would_be_done_and_writes_nothing(tmp_path: Path) -> None:
    """ "a dry run and the real run share one plan object" (ecosystem.md)"""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD))
    kit.offer("c.fwb", b"c")
    before = {p: p.lstat() for p in sorted(kit.root.rglob("*"))}
    bundles = (
        kit.bundle("a.fwb", GOOD),
        kit.bundle("b.fwb", GOOD, version="6.2.0"),
        kit.bundle("c.fwb", b"c"),
        kit.bundle("d.fwb", b"d"),
        kit.bundle("e.fwb", b"of no file's size"),
    )
    result = kit.take(*bundles, manifest=2, dry_run=True)
    assert [r.status for r in result.rows] == ["already held", "to link", "to take", "to look for", "missing"]
    assert [(f.code, f.level) for f in result.findings] == [("missing", Level.WARNING), ("missing", Level.ERROR)]
    assert (result.read_bytes, result.dry_run) == (0, True)
    assert {p: p.lstat() for p in sorted(kit.root.rglob("*"))} == before


def test_a_dry_run_without_a_store(tmp_path: Path) -> None:
    """What would be done, before there is anything."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    loaded = kit.loaded(kit.bundle("a.fwb", GOOD))
    result = take(None, loaded, [FolderSource(kit.source)], clock=now, progress=Silent(), dry_run=True)
    assert [r.status for r in result.rows] == ["to take"]
    assert not kit.root.exists()


class _StopAfter(Silent):
    """Sets the flag when so many bytes were read."""

    def __init__(self, stop: Stop, count: int) -> None:
        self._stop, self._left = stop, count

    def advance(self, count: int) -> None:
        self._left -= count
        if self._left <= 0:
            self._stop.set()


def test_stopped_in_the_middle_keeps_what_was_finished(tmp_path: Path) -> None:
    """ "Ctrl-C, SIGTERM: temp gone, right exit code" (faults.md 86)"""
    kit = Kit(tmp_path)
    data = bytes(8 << 20)
    kit.offer("a.fwb", GOOD)
    kit.offer("b.fwb", data)
    bundles = (kit.bundle("a.fwb", GOOD), kit.bundle("b.fwb", data))
    stop = Stop()
    with pytest.raises(StoppedError) as caught:
        kit.take(*bundles, stop=stop, progress=_StopAfter(stop, len(GOOD) + (1 << 20)))
    assert "1 of 2 bundles were taken" in caught.value.hint
    assert os.listdir(kit.root / ".keeper/incoming") == []
    assert [row.name for row in kit.held()] == ["a.fwb"]
    result = kit.take(*bundles)
    assert result.counts == {"already held": 1, "taken": 1}
    assert result.read_bytes == len(data)


def test_what_was_found_before_an_error_is_in_the_error(tmp_path: Path) -> None:
    """Nothing found is lost because the work ended early."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", b"wrong")
    kit.offer("b.fwb", bytes(8 << 20))
    stop = Stop()
    with pytest.raises(StoppedError) as caught:
        kit.take(
            kit.bundle("a.fwb", b"right"), kit.bundle("b.fwb", bytes(8 << 20)), stop=stop, progress=_StopAfter(stop, 6)
        )
    assert [found.code for found in caught.value.problems] == ["altered"]


def test_room_is_counted_before_anything_is_copied(tmp_path: Path) -> None:
    """ "predict a full disk" (ecosystem.md): held files and second names need none, links to the source neither."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD))
    huge = kit.offer("b.fwb", b"")
    size = 1 << 43  # sparse; more than any disk that this will run on has free
    os.truncate(huge, size)
    bundle = kit.bundle("b.fwb", b"", size=size, sha256="0" * 64)
    with pytest.raises(UnfinishedError, match=r"not enough room: .* short by"):
        kit.take(kit.bundle("a.fwb", GOOD), bundle, manifest=2)
    assert [a.sequence for a in kit.accepted()] == [1]


def test_progress_is_told(tmp_path: Path) -> None:
    """Bytes to read, files, and every byte that was read."""
    told: list[Any] = []

    class Telling(Silent):
        def begin(self, title: str, total_bytes: int, files: int) -> None:
            told.append((title, total_bytes, files))

        def file(self, name: str) -> None:
            told.append(name)

        def advance(self, count: int) -> None:
            told.append(count)

        def done(self) -> None:
            told.append("done")

    kit = Kit(tmp_path)
    kit.offer("a.fwb", GOOD)
    kit.take(kit.bundle("a.fwb", GOOD), kit.bundle("b.fwb", b"b"), progress=Telling())
    assert told == [("taking", len(GOOD), 2), "a.fwb", len(GOOD), "b.fwb", "done"]


# Sources that fail or change


def test_a_source_that_changes_while_it_is_read(tmp_path: Path) -> None:
    """ "source changes while hashed: the copied bytes are hashed; fstat before and after compared" (faults.md 21)"""
    kit = Kit(tmp_path)
    data = bytes(4 << 20)
    path = kit.offer("a.fwb", data)

    class Writing(Silent):
        def advance(self, count: int) -> None:
            with path.open("r+b") as file:
                file.seek(len(data) - 1)
                file.write(b"!")

    result = kit.take(kit.bundle("a.fwb", data), progress=Writing())
    assert (result.counts, codes(result)) == ({"failed": 1}, ["unreadable"])
    assert "changed while it was read" in says(result, "unreadable")
    assert not [n for n in kit.tree() if n.startswith("quarantine/")]


def test_right_bytes_are_right_whatever_happens_to_their_source(tmp_path: Path) -> None:
    """What was copied was hashed; a touch meanwhile takes nothing from that."""
    kit = Kit(tmp_path)
    path = kit.offer("a.fwb", GOOD)

    class Touching(Silent):
        def advance(self, count: int) -> None:
            os.utime(path)

    assert kit.take(kit.bundle("a.fwb", GOOD), progress=Touching()).counts == {"taken": 1}
    other = kit.offer("b.fwb", b"b")

    class TouchingB(Silent):
        def advance(self, count: int) -> None:
            os.utime(other)

    shared = kit.take(kit.bundle("b.fwb", b"b"), manifest=2, link="hard", progress=TouchingB())
    assert codes(shared) == ["unreadable"]


def test_a_file_that_shrinks_while_it_is_read(tmp_path: Path) -> None:
    """Hashing survives a file that shrinks, and nothing half is kept."""
    kit = Kit(tmp_path)
    data = bytes(8 << 20)
    path = kit.offer("a.fwb", data)

    class Cutting(Silent):
        def advance(self, count: int) -> None:
            os.truncate(path, 1 << 20)

    result = kit.take(kit.bundle("a.fwb", data), progress=Cutting())
    assert codes(result) == ["unreadable"]
    assert kit.tree().keys() == {"manifests/marram-1.toml"}


def test_an_unreadable_source_is_one_bundles_trouble(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "EIO while proving: 'unreadable', not 'altered'; go on" (faults.md 10)"""
    kit = Kit(tmp_path)
    bad = kit.offer("a.fwb", b"a").stat().st_ino
    kit.offer("b.fwb", b"b")
    from bundlekeeper.proof.digests import copy_fd as real

    def failing(fd: int, *arguments: Any, **options: Any) -> Any:
        if os.fstat(fd).st_ino == bad:
            raise OSError(5, "Input/output error")
        return real(fd, *arguments, **options)

    monkeypatch.setattr("bundlekeeper.store.sources.copy_fd", failing)
    result = kit.take(kit.bundle("a.fwb", b"a"), kit.bundle("b.fwb", b"b"))
    assert (result.counts, codes(result)) == ({"failed": 1, "taken": 1}, ["unreadable"])


def test_a_file_laid_into_its_place_meanwhile(tmp_path: Path) -> None:
    """ "on EEXIST compare bytes" (faults.md, writing safely): equal bytes are recorded, others moved away."""
    for there, expected in ((b"right", "already held"), (b"wrong", "taken")):
        kit = Kit(tmp_path, store=f"store-{expected[:5]}")
        kit.offer("a.fwb", b"right")

        class Laying(Silent):
            def advance(self, count: int) -> None:
                place = kit.root / "blade/6.1.0/a.fwb"  # noqa: B023 - called within this turn of the loop
                if not place.exists():
                    place.parent.mkdir(parents=True)
                    place.write_bytes(there)  # noqa: B023

        result = kit.take(kit.bundle("a.fwb", b"right"), progress=Laying())
        assert result.counts == {expected: 1}
        assert kit.tree()["blade/6.1.0/a.fwb"] == b"right"


def test_several_sources_are_tried_in_their_order(tmp_path: Path) -> None:
    """A bundle that the first source lacks comes from the second."""
    from bundlekeeper.store.layout import Store

    kit = Kit(tmp_path)
    second = tmp_path / "second"
    second.mkdir()
    kit.offer("a.fwb", b"a")
    (second / "b.fwb").write_bytes(b"b")
    with Store.open(kit.root, write=True) as store:
        result = take(
            store,
            kit.loaded(kit.bundle("a.fwb", b"a"), kit.bundle("b.fwb", b"b")),
            [FolderSource(kit.source), FolderSource(second)],
            clock=now,
            progress=Silent(),
        )
    assert [r.came_from for r in result.rows] == [str(kit.source / "a.fwb"), str(second / "b.fwb")]


def test_errors_are_of_our_own_family(tmp_path: Path) -> None:
    """Whatever stands where a folder should be, no foreign exception comes out."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", b"a")
    kit.take()
    for make in (Path.touch, lambda p: p.symlink_to(tmp_path), os.mkfifo):
        place = kit.root / "blade"
        make(place)
        with pytest.raises(KeeperError):
            kit.take(kit.bundle("a.fwb", b"a"), manifest=2)
        place.unlink()
