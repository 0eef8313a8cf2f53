"""What `store add` reports of each bundle: nothing that is not in its place goes without an error."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.findings import Level, exit_status
from tests.kits.store_kit import Kit, codes, message

SETTLED = {"added", "already there", "same bytes"}


def test_a_missing_bundle_is_reported_although_others_of_its_size_were_read(tmp_path: Path) -> None:
    """ "missing: named by the manifest, not there": looking under other names in vain changes nothing."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"aaaaa")
    bundles = [
        kit.bundle(n, d, version=n[0]) for n, d in (("a.bin", b"aaaaa"), ("b.bin", b"bbbb"), ("c.bin", b"ccccc"))
    ]
    result = kit.add(*bundles)
    assert [r.status for r in result.rows] == ["added", "missing", "missing"]
    assert [(f.code, f.subject, f.level) for f in result.findings] == [
        ("missing", "b.bin", Level.ERROR),
        ("missing", "c.bin", Level.ERROR),
    ]
    assert "b.bin" not in result.findings[1].message


def test_a_link_among_files_of_one_size_is_reported(tmp_path: Path) -> None:
    """ "symlink as leaf: refused", and said, also where others of the size are there."""
    kit = Kit(tmp_path)
    for name in "abc":
        kit.offer(f"{name}.bin", name.encode())
    (kit.source / "d.bin").symlink_to(kit.source / "a.bin")
    result = kit.add(*(kit.bundle(f"{n}.bin", n.encode(), version=n) for n in "abcd"))
    assert (result.counts, codes(result)) == ({"added": 3, "missing": 1}, ["missing"])
    assert "d.bin is a symbolic link" in message(result, "missing")


NAMES = ("a.bin", "b.bin", "c.bin", "d.bin")
BYTES = st.sampled_from((b"", b"one", b"two", b"six", b"other"))
KINDS = st.one_of(BYTES, st.sampled_from(("link", "fifo", "folder")))
worlds = st.tuples(
    st.dictionaries(st.sampled_from([*NAMES, "sub/a.bin", "sub/x.bin", "y.bin"]), KINDS),
    st.dictionaries(st.sampled_from(NAMES), BYTES),
    st.lists(st.dictionaries(st.sampled_from(NAMES), BYTES, min_size=1), min_size=1, max_size=2),
)


def _lay(kit: Kit, name: str, what: bytes | str) -> None:
    path = kit.source / name
    path.parent.mkdir(exist_ok=True)
    if isinstance(what, bytes):
        path.write_bytes(what)
    elif what == "link":
        path.symlink_to("/dev/null")
    elif what == "fifo":
        os.mkfifo(path)
    else:
        path.mkdir()


@settings(max_examples=40)
@given(world=worlds)
def test_no_bundle_is_open_without_an_error(
    tmp_path_factory: pytest.TempPathFactory,
    world: tuple[dict[str, bytes | str], dict[str, bytes], list[dict[str, bytes]]],
) -> None:
    """ "ok is false, and the exit status 1, when there is an error or a warning": a bundle that is not in
    its place has an error that names it, for any source, any files lying in the store, one manifest after another."""
    offered, lying, manifests = world
    kit = Kit(tmp_path_factory.mktemp("world"))
    for name, what in offered.items():
        _lay(kit, name, what)
    kit.add(manifest=0)
    (kit.root / "blade/6.1.0").mkdir(parents=True)
    for name, data in lying.items():
        (kit.root / "blade/6.1.0" / name).write_bytes(data)
    for sequence, wanted in enumerate(manifests, 1):
        bundles = [kit.bundle(name, data) for name, data in wanted.items()]
        for _ in range(2):
            result = kit.add(*bundles, manifest=sequence)
            reported = {f.subject for f in result.findings if f.level is Level.ERROR}
            open_still = {row.name for row in result.rows if row.status not in SETTLED}
            assert open_still == reported, result
            assert bool(exit_status(result.findings)) >= bool(open_still)
    shutil.rmtree(kit.source.parent)


def test_verified_files_are_not_read_again_to_look_for_a_missing_bundle(tmp_path: Path) -> None:
    """A bundle that is in and verified is not read again, nor are the files in the source of its name."""
    kit = Kit(tmp_path)
    for name in "abc":
        kit.offer(f"{name}.bin", name.encode() * 1000)
    bundles = [kit.bundle(f"{n}.bin", n.encode() * 1000, version=n) for n in "abcd"]
    assert kit.add(*bundles).read_bytes == 3000
    rehearsed = kit.add(*bundles, dry_run=True)
    assert rehearsed.counts == {"already there": 3, "missing": 1}
    again = kit.add(*bundles)
    assert (again.counts, again.read_bytes) == ({"already there": 3, "missing": 1}, 0)
    assert "3 files of its size were not read" in message(again, "missing") == message(rehearsed, "missing")
    kit.offer("sub/copy of b.bin", b"b" * 1000)
    assert kit.add(*bundles).read_bytes == 1000


def test_a_name_that_a_stored_and_a_missing_bundle_share_is_read(tmp_path: Path) -> None:
    """Its file may be either; the missing one is looked for under its own name first."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"one")
    first, second = kit.bundle("a.bin", b"one", version="1"), kit.bundle("a.bin", b"two", version="2")
    kit.add(first)
    kit.offer("a.bin", b"two")
    result = kit.add(first, second, manifest=2)
    assert (result.counts, result.read_bytes) == ({"already there": 1, "added": 1}, 3)


def test_a_stored_bundle_that_was_touched_is_no_reason_to_pass_over_its_name(tmp_path: Path) -> None:
    """Any doubt means reading: only what may be relied on unread stands for the file in the source."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"one")
    bundles = [kit.bundle("a.bin", b"one", version="1"), kit.bundle("b.bin", b"two", version="2")]
    kit.add(*bundles)
    kit.offer("a.bin", b"two")
    os.utime(kit.root / "blade/1/a.bin")
    result = kit.add(*bundles)
    assert (result.counts, codes(result)) == ({"already there": 1, "added": 1}, ["misnamed"])
