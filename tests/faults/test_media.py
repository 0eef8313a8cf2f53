"""Media: what a second guard behind the first would hide, each met alone."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest

from bundlekeeper.errors import RefusedError, UnfinishedError
from bundlekeeper.media.volume.read_back import read_back
from tests.kits.media_kit import Bundle, Site, make_set, manifest_text, no_room, write_set

BUNDLES = (Bundle("infrastructure", "6.1.0", b"i" * 900), Bundle("blade", "6.1.0", b"b" * 900))
SPLIT = Bundle("rack", "6.1.0", b"r" * 3_000_017, (1, 2, 3))


def test_an_older_set_of_the_same_manifest_is_refused(tmp_path: Path) -> None:
    """ "half a set or an older set lying there: never merged" (60): by the set's own number, whatever it carries"""
    site, manifest = Site(tmp_path / "skerry"), manifest_text([*BUNDLES, SPLIT], 5)
    newer = write_set(make_set(BUNDLES[:1], sequence=5, manifest=manifest), tmp_path / "new")
    older = write_set(make_set(BUNDLES[1:], sequence=4, manifest=manifest), tmp_path / "old")
    site.receive(*newer)
    with pytest.raises(RefusedError, match="older"):
        site.receive(*older)
    assert list(site.bundles().values()) == [BUNDLES[0].data]


def test_no_space_for_a_part_is_reported_before_the_first_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A part of a split file is copied before any run could count the space for the whole."""
    site, folders = (
        Site(tmp_path / "skerry"),
        write_set(make_set([SPLIT], manifest=manifest_text([*BUNDLES, SPLIT])), tmp_path),
    )
    no_room(monkeypatch)
    with pytest.raises(UnfinishedError, match="not enough space"):
        site.receive(folders[0])
    incoming = site.root / ".keeper/incoming"
    assert not incoming.exists() or list(incoming.iterdir()) == []
    monkeypatch.undo()
    assert site.receive(*folders).complete


def test_memory_is_never_called_a_medium() -> None:
    """ "a check that reads the page cache" (54): where there is nothing but memory, that is what is said"""
    if not os.access("/dev/shm", os.W_OK):
        pytest.skip("there is no /dev/shm")
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        Path(folder, "a.bin").write_bytes(b"abc")
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            found = read_back(fd, "a.bin", algorithms=["sha256"], flushed=True)
        finally:
            os.close(fd)
    assert (found.evicted, found.reason) == (False, "tmpfs is memory, not a medium")
    assert found.digest.size == 3
