"""`store add`: bundles from a folder into the store, by the library's own functions, with real files."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import StoppedError, UnfinishedError
from bundlekeeper.findings import Level
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.adding.add import add_bundles
from bundlekeeper.store.adding.sources import FolderSource
from bundlekeeper.store.contents import place as placing
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database import store_database as database
from bundlekeeper.store.database.row_checksums import VERIFICATION, RowTable
from bundlekeeper.store.database.rows import BundleFacts
from bundlekeeper.verification.hashing.read import Stop
from tests.kits.store_kit import GOOD, Kit, codes, message, now

# Once, and not again


@pytest.mark.fault(23)
def test_a_bundle_is_added_once_and_verified(tmp_path: Path) -> None:
    """ "idempotent; resumable (what is in and verified is not read again)" (issue: store add)"""
    kit = Kit(tmp_path)
    kit.offer("deep/er/a.bin", GOOD)
    first = kit.add(kit.bundle("a.bin", GOOD))
    assert (first.counts, first.read_bytes, first.findings) == ({"added": 1}, len(GOOD), ())
    again = kit.add(kit.bundle("a.bin", GOOD))
    assert (again.counts, again.read_bytes, again.findings) == ({"already there": 1}, 0, ())
    assert kit.tree()["blade/6.1.0/a.bin"] == GOOD
    (row,) = kit.stored()
    assert (row.way_in, row.added_from) == ("copy", str(kit.source / "deep/er/a.bin"))
    assert [(i.kind, i.models, i.version) for i in row.images] == [("bios", ("Tern-2",), "6.1.0")]
    verification = kit.verifications()[row.place]
    assert verification.sha256 == hashlib.sha256(GOOD).hexdigest()
    assert verification.trustworthy


def test_nothing_but_the_source_is_needed_and_it_may_go(tmp_path: Path) -> None:
    """A store that has everything needs no source file any more, and the source keeps its own as they were."""
    kit = Kit(tmp_path)
    path = kit.offer("a.bin", GOOD)
    before = path.stat()
    kit.add(kit.bundle("a.bin", GOOD))
    after = path.stat()
    assert (before.st_mtime_ns, before.st_ctime_ns, before.st_nlink) == (after.st_mtime_ns, after.st_ctime_ns, 1)
    path.unlink()
    assert kit.add(kit.bundle("a.bin", GOOD)).counts == {"already there": 1}


@pytest.mark.parametrize("size", [0, 1, (1 << 20) - 1, 1 << 20, (1 << 20) + 1])
def test_any_size(tmp_path: Path, size: int) -> None:
    """Empty files and sizes around the block of a read."""
    kit = Kit(tmp_path)
    data = bytes(i % 251 for i in range(size))
    kit.offer("a.bin", data)
    assert kit.add(kit.bundle("a.bin", data)).counts == {"added": 1}
    assert kit.tree()["blade/6.1.0/a.bin"] == data


def test_a_touched_file_is_verified_again_in_place(tmp_path: Path) -> None:
    """A fingerprint that changed means reading the file in place, not its source."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    os.utime(kit.root / "blade/6.1.0/a.bin")
    kit.offer("a.bin", b"x")
    again = kit.add(kit.bundle("a.bin", GOOD))
    assert (again.counts, again.read_bytes, again.rows[0].note) == ({"already there": 1}, len(GOOD), "verified again")
    assert kit.add(kit.bundle("a.bin", GOOD)).read_bytes == 0


@pytest.mark.fault(5)
def test_a_file_in_place_without_a_row_is_verified_in_place(tmp_path: Path) -> None:
    """Cut between publish and store database commit: reconcile at start, verify again."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    place = kit.root / "blade/6.1.0/b.bin"
    place.write_bytes(b"laid there by hand")
    result = kit.add(kit.bundle("b.bin", b"laid there by hand"), kit.bundle("a.bin", GOOD), manifest=2)
    assert [(r.status, r.way_in) for r in result.rows] == [("already there", "found"), ("already there", "copy")]


def test_a_file_gone_from_the_store_is_added_again(tmp_path: Path) -> None:
    """A row whose file is gone claims nothing."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    (kit.root / "blade/6.1.0/a.bin").unlink()
    assert kit.add(kit.bundle("a.bin", GOOD), dry_run=True).counts == {"to add": 1}
    assert kit.add(kit.bundle("a.bin", GOOD)).counts == {"added": 1}
    assert kit.add(kit.bundle("a.bin", GOOD)).read_bytes == 0


def test_a_verification_of_other_bytes_does_not_count(tmp_path: Path) -> None:
    """What a check found altered is read again, however unchanged it looks since."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    (place,) = kit.verifications()
    with Store.open(kit.root, write=True) as store, store.database(write=True) as database:
        database.record_verifications({place: replace(kit.verifications()[place], sha256="0" * 64)})
    assert kit.add(kit.bundle("a.bin", GOOD)).read_bytes == len(GOOD)
    assert kit.add(kit.bundle("a.bin", GOOD)).read_bytes == 0


def test_a_file_of_the_store_that_changes_while_it_is_read(tmp_path: Path) -> None:
    """Neither verified nor called wrong, and left where it is."""
    kit = Kit(tmp_path)
    kit.add()
    place = kit.root / "blade/6.1.0/a.bin"
    place.parent.mkdir(parents=True)
    place.write_bytes(GOOD)

    class Touching(Silent):
        def advance(self, count: int) -> None:
            os.utime(place, (2, 2))

    result = kit.add(kit.bundle("a.bin", GOOD), manifest=2, progress=Touching())
    assert (result.counts, codes(result)) == ({"failed": 1}, ["unreadable"])
    assert (kit.stored(), place.read_bytes()) == ([], GOOD)


# Wrong bytes


@pytest.mark.fault(46)
@pytest.mark.attack("arbitrary installation")
def test_wrong_bytes_go_to_quarantine_and_the_rest_goes_on(tmp_path: Path) -> None:
    """ "a mismatch goes to quarantine with a note and the rest goes on" (issue: store add)"""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"wrong bytes" + GOOD[11:])
    kit.offer("b.bin", GOOD[:-1])
    kit.offer("c.bin", GOOD + b"!")
    kit.offer("d.bin", b"right")
    bundles = [kit.bundle(name, GOOD, version=name[0]) for name in ("a.bin", "b.bin", "c.bin")]
    result = kit.add(*bundles, kit.bundle("d.bin", b"right"))
    assert codes(result) == ["altered", "truncated", "extended"]
    assert [r.status for r in result.rows] == ["quarantined", "quarantined", "quarantined", "added"]
    tree = kit.tree()
    digest = hashlib.sha256(GOOD[:-1]).hexdigest()[:12]
    assert tree[f"quarantine/b.bin.{digest}"] == GOOD[:-1]
    note = tree[f"quarantine/b.bin.{digest}.note.txt"].decode()
    assert f"expected: {len(GOOD)} bytes, SHA-256 {hashlib.sha256(GOOD).hexdigest()}" in note
    assert f"found:    {len(GOOD) - 1} bytes, SHA-256 {digest}" in note
    assert f"from:     {kit.source}/b.bin" in note
    assert "manifest: marram, sequence 1" in note
    assert not any(name.startswith("blade/6") for name in tree if "d.bin" not in name)


def test_the_same_wrong_file_again_adds_nothing(tmp_path: Path) -> None:
    """The name in quarantine comes from the bytes."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"wrong")
    kit.add(kit.bundle("a.bin", b"right"))
    once = kit.tree()
    assert codes(kit.add(kit.bundle("a.bin", b"right"))) == ["altered"]
    assert kit.tree() == once
    kit.offer("a.bin", b"other")
    kit.add(kit.bundle("a.bin", b"right"))
    assert len([name for name in kit.tree() if name.startswith("quarantine/")]) == 4


@pytest.mark.fault(15)
def test_a_name_in_quarantine_that_other_bytes_have_is_left_alone(tmp_path: Path) -> None:
    """Quarantine name taken: unique name, no clobber."""
    kit = Kit(tmp_path)
    kit.add()
    digest = hashlib.sha256(b"wrong").hexdigest()
    taken = kit.root / f"quarantine/a.bin.{digest[:12]}"
    taken.write_bytes(b"something else")
    kit.offer("a.bin", b"wrong")
    kit.add(kit.bundle("a.bin", b"right"), manifest=2)
    assert taken.read_bytes() == b"something else"
    assert kit.tree()[f"quarantine/a.bin.{digest}"] == b"wrong"


@pytest.mark.attack("endless data")
def test_a_far_too_large_file_is_noted_but_not_kept(tmp_path: Path) -> None:
    """Over twice the stated size and 64 MiB, only the note is kept; nothing of it is read."""
    kit = Kit(tmp_path)
    path = kit.offer("a.bin", b"")
    size = 2 * 5 + 64 * 1024 * 1024 + 1
    os.truncate(path, size)
    result = kit.add(kit.bundle("a.bin", b"right"))
    assert (codes(result), result.read_bytes) == (["extended"], 0)
    reported = message(result, "extended")
    assert f"{size} bytes, the manifest says 5" in reported
    assert reported.endswith(f"; not kept; see quarantine/a.bin.size-{size}.note.txt")
    assert [n for n in kit.tree() if n.startswith("quarantine/")] == [f"quarantine/a.bin.size-{size}.note.txt"]


@pytest.mark.fault(46)
@pytest.mark.attack("wrong software")
def test_bytes_of_another_bundle_are_named_as_such(tmp_path: Path) -> None:
    """ "the right file twice": two files swapped are both taken, and both findings say what happened."""
    kit = Kit(tmp_path)
    kit.offer("old.bin", b"bytes of the new")
    kit.offer("new.bin", b"bytes of the old")
    old = kit.bundle("old.bin", b"bytes of the old", version="5.4.2")
    new = kit.bundle("new.bin", b"bytes of the new")
    result = kit.add(old, new)
    assert result.counts == {"added": 2}
    assert codes(result) == ["misnamed", "altered", "misnamed", "altered"]
    assert {f.level for f in result.findings} == {Level.WARNING}
    assert "these are the bytes of blade 6.1.0 (new.bin)" in result.findings[1].message
    assert kit.tree()["blade/5.4.2/old.bin"] == b"bytes of the old"


@pytest.mark.attack("wrong software")
def test_last_quarters_file_under_this_quarters_name(tmp_path: Path) -> None:
    """ "A stick that holds last quarter's file under this quarter's name": stored bytes are known."""
    kit = Kit(tmp_path)
    kit.offer("old.bin", b"old bytes")
    kit.add(kit.bundle("old.bin", b"old bytes", version="5.4.2"))
    kit.offer("new.bin", b"old bytes")
    result = kit.add(kit.bundle("new.bin", b"new bytes"), manifest=2)
    assert "these are the bytes of blade 5.4.2 (old.bin), which is in the store" in message(result, "altered")


def test_the_right_bytes_under_another_name(tmp_path: Path) -> None:
    """ "`misnamed` = the right bytes under another name" (issue: check)"""
    kit = Kit(tmp_path)
    kit.offer("download (1).bin", GOOD)
    kit.offer("same size.bin", GOOD[::-1])
    result = kit.add(kit.bundle("a.bin", GOOD))
    assert (result.counts, codes(result)) == ({"added": 1}, ["misnamed"])
    assert kit.tree()["blade/6.1.0/a.bin"] == GOOD
    assert not [n for n in kit.tree() if n.startswith("quarantine/")]


def test_one_of_several_with_the_name_is_right(tmp_path: Path) -> None:
    """The right size is tried first; what was wrong on the way is reported as a warning."""
    kit = Kit(tmp_path)
    kit.offer("a/a.bin", GOOD[::-1])
    kit.offer("b/a.bin", GOOD)
    kit.offer("0/a.bin", b"short")
    result = kit.add(kit.bundle("a.bin", GOOD))
    assert result.counts == {"added": 1}
    assert [(f.code, f.level) for f in result.findings] == [("altered", Level.WARNING)]


def test_a_wrong_file_in_place_is_moved_and_the_right_one_added(tmp_path: Path) -> None:
    """Bit flip at rest: found, quarantined, bytes kept."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    place = kit.root / "blade/6.1.0/a.bin"
    flipped = bytes([GOOD[0] ^ 1]) + GOOD[1:]
    place.chmod(0o644)
    place.write_bytes(flipped)
    result = kit.add(kit.bundle("a.bin", GOOD))
    assert (result.counts, codes(result)) == ({"added": 1}, ["altered"])
    tree = kit.tree()
    assert tree["blade/6.1.0/a.bin"] == GOOD
    assert tree[f"quarantine/a.bin.{hashlib.sha256(flipped).hexdigest()[:12]}"] == flipped


def test_a_wrong_file_in_place_and_no_other(tmp_path: Path) -> None:
    """Both are reported: what lay there was wrong, and no source has the right one."""
    kit = Kit(tmp_path)
    kit.add()
    place = kit.root / "blade/6.1.0/a.bin"
    place.parent.mkdir(parents=True)
    place.write_bytes(b"wrong")
    result = kit.add(kit.bundle("a.bin", b"right"), manifest=2)
    assert (codes(result), result.rows[0].status) == (["altered", "missing"], "quarantined")
    assert kit.stored() == []


# The same bytes


@pytest.mark.fault(34)
def test_equal_bytes_are_stored_once(tmp_path: Path) -> None:
    """Equal bytes are stored once: a second name is a hard link inside the store."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    bundles = (kit.bundle("a.bin", GOOD), kit.bundle("b.bin", GOOD, version="6.2.0"))
    result = kit.add(*bundles)
    assert [r.status for r in result.rows] == ["added", "same bytes"]
    assert result.read_bytes == len(GOOD)
    one, two = kit.root / "blade/6.1.0/a.bin", kit.root / "blade/6.2.0/b.bin"
    assert one.stat().st_ino == two.stat().st_ino
    assert [row.way_in for row in kit.stored()] == ["copy", "same-bytes"]
    assert set(kit.states().values()) == {"verified"}
    again = kit.add(*bundles)
    assert (again.counts, again.read_bytes) == ({"already there": 2}, 0)


def test_equal_bytes_are_copied_where_links_are_not_possible(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy where links don't exist (`store list` says so)."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)

    def no_link(*_: Any, **__: Any) -> os.stat_result:
        raise OSError(31, "Too many links")

    monkeypatch.setattr("bundlekeeper.store.contents.place.put_again", no_link)
    result = kit.add(kit.bundle("a.bin", GOOD), kit.bundle("b.bin", GOOD, version="6.2.0"))
    assert [r.status for r in result.rows] == ["added", "same bytes"]
    assert [row.way_in for row in kit.stored()] == ["copy", "copy"]
    assert kit.tree()["blade/6.2.0/b.bin"] == GOOD


def test_many_names_of_one_file_cost_what_they_are_and_not_their_square(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each link changes the ctime of all older names: their verifications are written again once for many links."""
    kit = Kit(tmp_path)
    kit.offer("f0.bin", GOOD)
    bundles = [kit.bundle(f"f{number}.bin", GOOD, version=f"1.{number}") for number in range(300)]
    written = []
    put = database._put

    def counting(connection: sqlite3.Connection, table: RowTable[Any], rows: Iterable[Any]) -> None:
        kept = list(rows)
        written.append(len(kept) if table is VERIFICATION else 0)
        put(connection, table, kept)

    monkeypatch.setattr(database, "_put", counting)
    result = kit.add(*bundles)
    assert result.counts == {"added": 1, "same bytes": 299}
    assert result.read_bytes == len(GOOD)
    assert sum(written) < 4 * len(bundles)
    assert set(kit.states().values()) == {"verified"}
    assert len(kit.states()) == 300


def test_a_link_that_fails_among_many_leaves_the_others_verified(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was linked before it is recorded; the bundle itself comes in its own turn, here by a copy."""
    kit = Kit(tmp_path)
    kit.offer("f0.bin", GOOD)
    link = placing.put_again

    def failing(root: int, facts: BundleFacts, fd: int) -> os.stat_result:
        if facts.name == "f3.bin":
            raise OSError(errno.EMLINK, "Too many links")
        return link(root, facts, fd)

    monkeypatch.setattr(placing, "put_again", failing)
    result = kit.add(*(kit.bundle(f"f{number}.bin", GOOD, version=f"1.{number}") for number in range(6)))
    assert [row.status for row in result.rows] == ["added", *["same bytes"] * 5]
    assert [row.way_in for row in kit.stored()] == [
        "copy",
        "same-bytes",
        "same-bytes",
        "copy",
        "same-bytes",
        "same-bytes",
    ]
    assert set(kit.states().values()) == {"verified"}


def test_a_spoiled_copy_is_never_given_a_second_name(tmp_path: Path) -> None:
    """Bytes that changed since their verification are read before they are linked; then the source serves."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    place = kit.root / "blade/6.1.0/a.bin"
    place.chmod(0o644)
    place.write_bytes(GOOD[::-1])
    result = kit.add(kit.bundle("b.bin", GOOD, version="6.2.0"), manifest=2)
    assert result.counts == {"added": 1}
    assert kit.tree()["blade/6.2.0/b.bin"] == GOOD


# Other bytes under a name that is taken


@pytest.mark.fault(33)
def test_same_name_other_bytes_is_never_overwritten(tmp_path: Path) -> None:
    """Same name, other bytes: conflict; never overwritten."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"first")
    kit.add(kit.bundle("a.bin", b"first"))
    kit.offer("a.bin", b"second")
    second = kit.bundle("a.bin", b"second")
    for _ in range(2):
        result = kit.add(second, manifest=2)
        assert (result.counts, codes(result)) == ({"failed": 1}, ["not-in-store"])
        assert "sequence 1" in message(result, "not-in-store")
    tree = kit.tree()
    assert tree["blade/6.1.0/a.bin"] == b"first"
    assert tree[f"quarantine/a.bin.{hashlib.sha256(b'second').hexdigest()[:12]}"] == b"second"
    (row,) = kit.stored()
    assert (row.sha256, row.sequence) == (hashlib.sha256(b"first").hexdigest(), 1)


def test_a_conflict_whose_old_file_was_touched(tmp_path: Path) -> None:
    """The old file is read before it is believed; it was right, so it stays."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"first")
    kit.add(kit.bundle("a.bin", b"first"))
    os.utime(kit.root / "blade/6.1.0/a.bin")
    kit.offer("a.bin", b"second")
    result = kit.add(kit.bundle("a.bin", b"second"), manifest=2)
    assert codes(result) == ["not-in-store"]
    assert kit.tree()["blade/6.1.0/a.bin"] == b"first"


def test_a_conflict_goes_away_with_the_old_file(tmp_path: Path) -> None:
    """The way out that the hint names."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"first")
    kit.add(kit.bundle("a.bin", b"first"))
    kit.offer("a.bin", b"second")
    kit.add(kit.bundle("a.bin", b"second"), manifest=2)
    (kit.root / "blade/6.1.0/a.bin").unlink()
    assert kit.add(kit.bundle("a.bin", b"second"), manifest=2).counts == {"added": 1}
    assert [row.sha256 for row in kit.stored()] == [hashlib.sha256(b"second").hexdigest()]


# Dry run, stop, room


def _written(root: Path) -> dict[Path, tuple[int, ...]]:
    """What writing changes of each thing below a folder; when it was read is no part of it."""
    found = {path: path.lstat() for path in sorted(root.rglob("*"))}
    return {p: (s.st_mode, s.st_ino, s.st_size, s.st_mtime_ns, s.st_ctime_ns) for p, s in found.items()}


def test_a_dry_run_says_what_would_be_done_and_writes_nothing(tmp_path: Path) -> None:
    """A dry run and the real run share one plan object."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    kit.offer("c.bin", b"c")
    before = _written(kit.root)
    bundles = (
        kit.bundle("a.bin", GOOD),
        kit.bundle("b.bin", GOOD, version="6.2.0"),
        kit.bundle("c.bin", b"c"),
        kit.bundle("d.bin", b"d"),
        kit.bundle("e.bin", b"of no file's size"),
    )
    result = kit.add(*bundles, manifest=2, dry_run=True)
    assert [r.status for r in result.rows] == ["already there", "to link", "to add", "to look for", "missing"]
    assert [(f.code, f.level) for f in result.findings] == [("missing", Level.WARNING), ("missing", Level.ERROR)]
    assert (result.read_bytes, result.dry_run) == (0, True)
    assert _written(kit.root) == before


def test_a_dry_run_without_a_store(tmp_path: Path) -> None:
    """What would be done, before there is anything."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    loaded = kit.loaded(kit.bundle("a.bin", GOOD))
    result = add_bundles(None, loaded, [FolderSource(kit.source)], clock=now, progress=Silent(), dry_run=True)
    assert [r.status for r in result.rows] == ["to add"]
    assert not kit.root.exists()


class _StopAfter(Silent):
    """Sets the flag when so many bytes were read."""

    def __init__(self, stop: Stop, count: int) -> None:
        self._stop, self._left = stop, count

    def advance(self, count: int) -> None:
        self._left -= count
        if self._left <= 0:
            self._stop.set()


@pytest.mark.fault(86)
def test_stopped_in_the_middle_keeps_what_was_finished(tmp_path: Path) -> None:
    """Ctrl-C, SIGTERM: temp gone, right exit code."""
    kit = Kit(tmp_path)
    data = bytes(8 << 20)
    kit.offer("a.bin", GOOD)
    kit.offer("b.bin", data)
    bundles = (kit.bundle("a.bin", GOOD), kit.bundle("b.bin", data))
    stop = Stop()
    with pytest.raises(StoppedError) as caught:
        kit.add(*bundles, stop=stop, progress=_StopAfter(stop, len(GOOD) + (1 << 20)))
    assert "1 of 2 bundles were added" in caught.value.hint
    assert os.listdir(kit.root / ".keeper/incoming") == []
    assert [row.name for row in kit.stored()] == ["a.bin"]
    result = kit.add(*bundles)
    assert result.counts == {"already there": 1, "added": 1}
    assert result.read_bytes == len(data)


def test_what_was_found_before_an_error_is_in_the_error(tmp_path: Path) -> None:
    """Nothing found is lost because the work ended early."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"wrong")
    kit.offer("b.bin", bytes(8 << 20))
    stop = Stop()
    with pytest.raises(StoppedError) as caught:
        kit.add(
            kit.bundle("a.bin", b"right"), kit.bundle("b.bin", bytes(8 << 20)), stop=stop, progress=_StopAfter(stop, 6)
        )
    assert [found.code for found in caught.value.problems] == ["altered"]


def test_space_is_counted_before_anything_is_copied(tmp_path: Path) -> None:
    """ "predict a full disk": stored files and second names need none, links to the source neither."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    huge = kit.offer("b.bin", b"")
    size = 1 << 43  # sparse; more than any disk that this will run on has free
    os.truncate(huge, size)
    bundle = kit.bundle("b.bin", b"", size=size, sha256="0" * 64)
    with pytest.raises(UnfinishedError, match=r"not enough space: .* short by"):
        kit.add(kit.bundle("a.bin", GOOD), bundle, manifest=2)
    assert [a.sequence for a in kit.admitted()] == [1]
    rehearsed = kit.add(kit.bundle("a.bin", GOOD), bundle, manifest=2, dry_run=True)
    assert codes(rehearsed) == ["not-enough-space"]


def test_progress_is_reported(tmp_path: Path) -> None:
    """Bytes to read, files, and every byte that was read."""
    reported: list[Any] = []

    class Reporting(Silent):
        def begin(self, title: str, total_bytes: int, files: int) -> None:
            reported.append((title, total_bytes, files))

        def file(self, name: str) -> None:
            reported.append(name)

        def advance(self, count: int) -> None:
            reported.append(count)

        def done(self) -> None:
            reported.append("done")

    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD), kit.bundle("b.bin", b"b"), progress=Reporting())
    assert reported == [("adding", len(GOOD), 2), "a.bin", len(GOOD), "b.bin", "done"]


# Whatever lies there


NAMES = ("a.bin", "b.bin", "c.bin")
CONTENTS = (b"", b"one", b"two", b"other")
choices = st.sampled_from(CONTENTS)
worlds = st.tuples(
    st.dictionaries(st.sampled_from([*NAMES, "sub/a.bin", "sub/x.bin"]), choices),
    st.dictionaries(st.sampled_from(NAMES), choices),
    st.lists(st.dictionaries(st.sampled_from(NAMES), choices), min_size=1, max_size=3),
)


@settings(max_examples=25)
@given(world=worlds)
def test_nothing_unverified_is_ever_in_a_familys_folder(
    tmp_path_factory: pytest.TempPathFactory,
    world: tuple[dict[str, bytes], dict[str, bytes], list[dict[str, bytes]]],
) -> None:
    """ "What does not match goes to quarantine with a note beside it, never into a family folder"; "Nothing is called
    verified that was not read": for any sources, any files lying in the store, one manifest after another."""
    offered, lying, manifests = world
    kit = Kit(tmp_path_factory.mktemp("world"))
    for name, data in offered.items():
        kit.offer(name, data)
    kit.add(manifest=0)
    (kit.root / "blade/6.1.0").mkdir(parents=True)
    for name, data in lying.items():
        (kit.root / "blade/6.1.0" / name).write_bytes(data)
    right: dict[str, set[bytes]] = {name: set() for name in NAMES}
    for sequence, wanted in enumerate(manifests, 1):
        bundles = [kit.bundle(name, data) for name, data in wanted.items()]
        result = kit.add(*bundles, manifest=sequence)
        for name, data in wanted.items():
            right[name].add(data)
        tree = kit.tree()
        for row, data in zip(result.rows, wanted.values(), strict=True):
            settled = row.status in {"added", "already there", "same bytes"}
            assert settled == (tree.get(row.place) == data), row
        for name in right:
            found = tree.get(f"blade/6.1.0/{name}")
            assert found is None or found in right[name] or name not in {n for m in manifests[:sequence] for n in m}
        stored = kit.stored()
        assert {row.sha256 for row in stored} <= {
            hashlib.sha256(d).hexdigest() for each in right.values() for d in each
        }
        for each in stored:
            assert hashlib.sha256(tree[each.place]).hexdigest() == each.sha256 == kit.verifications()[each.place].sha256
        again = kit.add(*bundles, manifest=sequence)
        assert kit.tree() == tree
        assert [r.name for r in again.rows if r.status != "already there"] == [
            r.name for r in result.rows if r.status not in {"added", "already there", "same bytes"}
        ]
    kept = {hashlib.sha256(data).hexdigest() for data in kit.tree().values()}
    assert {hashlib.sha256(data).hexdigest() for data in lying.values()} <= kept, "bytes that lay there were lost"
    shutil.rmtree(kit.source.parent)
