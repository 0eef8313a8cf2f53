"""`take`: bundles from a folder into the store, by the library's own functions, with real files."""

from __future__ import annotations

from pathlib import Path

from tests.store_kit import Kit


def test_a_bundle_is_taken_once_and_proven(tmp_path: Path) -> None:
    """What is in and proven is not read again."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", b"hello" * 1000)
    first = kit.take(kit.bundle("a.fwb", b"hello" * 1000))
    assert (first.counts, first.read_bytes, first.findings) == ({"taken": 1}, 5000, ())
    again = kit.take(kit.bundle("a.fwb", b"hello" * 1000))
    assert (again.counts, again.read_bytes, again.findings) == ({"already held": 1}, 0, ())
    assert (kit.root / "blade/6.1.0/a.fwb").read_bytes() == b"hello" * 1000
