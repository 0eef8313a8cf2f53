"""What a take tells of each bundle: nothing that is not in its place goes without an error."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.model.findings import Level, exit_status
from tests.store_kit import Kit, codes, says

SETTLED = {"taken", "already held", "same bytes"}


def test_a_missing_bundle_is_told_although_others_of_its_size_were_read(tmp_path: Path) -> None:
    """ "missing: named by the manifest, not there" (design.md): looking under other names in vain changes nothing."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"aaaaa")
    bundles = [
        kit.bundle(n, d, version=n[0]) for n, d in (("a.bin", b"aaaaa"), ("b.bin", b"bbbb"), ("c.bin", b"ccccc"))
    ]
    result = kit.take(*bundles)
    assert [r.status for r in result.rows] == ["taken", "missing", "missing"]
    assert [(f.code, f.subject, f.level) for f in result.findings] == [
        ("missing", "b.bin", Level.ERROR),
        ("missing", "c.bin", Level.ERROR),
    ]
    assert "b.bin" not in result.findings[1].says


def test_a_link_among_files_of_one_size_is_told(tmp_path: Path) -> None:
    """ "symlink as leaf: refused" (faults.md 22), and said, also where others of the size are there."""
    kit = Kit(tmp_path)
    for name in "abc":
        kit.offer(f"{name}.fwb", name.encode())
    (kit.source / "d.fwb").symlink_to(kit.source / "a.fwb")
    result = kit.take(*(kit.bundle(f"{n}.fwb", n.encode(), version=n) for n in "abcd"))
    assert (result.counts, codes(result)) == ({"taken": 3, "missing": 1}, ["missing"])
    assert "d.fwb is a symbolic link" in says(result, "missing")


NAMES = ("a.fwb", "b.fwb", "c.fwb", "d.fwb")
BYTES = st.sampled_from((b"", b"one", b"two", b"six", b"other"))
KINDS = st.one_of(BYTES, st.sampled_from(("link", "fifo", "folder")))
worlds = st.tuples(
    st.dictionaries(st.sampled_from([*NAMES, "sub/a.fwb", "sub/x.bin", "y.bin"]), KINDS),
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


@settings(max_examples=40, deadline=None)
@given(world=worlds)
def test_no_bundle_is_open_without_an_error(
    tmp_path_factory: pytest.TempPathFactory,
    world: tuple[dict[str, bytes | str], dict[str, bytes], list[dict[str, bytes]]],
) -> None:
    """ "ok is false, and the exit status 1, when there is an error or a warning" (design.md): a bundle that is not in
    its place has an error that names it, for any source, any files lying in the store, one manifest after another."""
    offered, lying, manifests = world
    kit = Kit(tmp_path_factory.mktemp("world"))
    for name, what in offered.items():
        _lay(kit, name, what)
    kit.take(manifest=0)
    (kit.root / "blade/6.1.0").mkdir(parents=True)
    for name, data in lying.items():
        (kit.root / "blade/6.1.0" / name).write_bytes(data)
    for sequence, wanted in enumerate(manifests, 1):
        bundles = [kit.bundle(name, data) for name, data in wanted.items()]
        for _ in range(2):
            result = kit.take(*bundles, manifest=sequence)
            told = {f.subject for f in result.findings if f.level is Level.ERROR}
            open_still = {row.name for row in result.rows if row.status not in SETTLED}
            assert open_still == told, result
            assert bool(exit_status(result.findings)) >= bool(open_still)
    shutil.rmtree(kit.source.parent)
