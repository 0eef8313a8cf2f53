"""What a store remembers of a manifest it read: the same listing, or nothing."""

from __future__ import annotations

import hashlib
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.verifying import expected as listing_module
from bundlekeeper.store.verifying.expected import read_listing

DAY = date(2026, 8, 20)
TEXT = """manifest = 1
platform = "marram"
sequence = 14
issued = 2026-08-14
expires = 2027-02-14
families = ["blade"]

[[bundle]]
family = "blade"
version = "6.1.0 beta"
file = "a.bin"
size = 3
sha256 = "{digest}"
digest_from = "own copy"
signature = {{ file = "a.bin.sig", form = "sshsig", key = "marram-2026" }}

[[bundle]]
family = "blade"
version = "6.0.0"
file = "b.bin"
size = 4
sha256 = "{other}"
lifecycle = "withdrawn"
reason = "it breaks fans"

[kind.tide-gauge]  # which nothing uses
order = "natural"
"""
DATA = TEXT.format(digest="AB" * 32, other="cd" * 32).encode()


def cached_listings(root: Path) -> list[Path]:
    """What lies in the store's memory."""
    return sorted((root / ".keeper" / "listings").glob("*"))


def test_the_second_reading_parses_nothing_and_says_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bundles, dates, signatures, problems with their places in the file of this time's name."""
    with Store.open(tmp_path / "store", write=True) as store:
        first = read_listing(DATA, name="m.toml", today=DAY, store=store)
        assert [(b.place, b.sha256) for b in first.bundles] == [
            ("blade/6.1.0 beta/a.bin", "ab" * 32),
            ("blade/6.0.0/b.bin", "cd" * 32),
        ]
        assert (first.expires, first.signatures) == (date(2027, 2, 14), frozenset({"a.bin.sig"}))
        assert first.problems
        monkeypatch.setitem(sys.modules, "bundlekeeper.model.lint.read_manifest", None)  # importing it now would fail
        again = read_listing(DATA, name="other.toml", today=DAY, store=store)
    assert replace(again, problems=()) == replace(first, problems=())
    moved = [replace(p, where=p.where.replace("m.toml", "other.toml")) for p in first.problems]
    assert list(again.problems) == moved


def test_without_a_store_or_the_right_to_write_nothing_is_cached(tmp_path: Path) -> None:
    """Reading works all the same."""
    read_listing(DATA, name="m.toml", today=DAY, store=None)
    Store.open(tmp_path / "store", write=True).close()
    with Store.open(tmp_path / "store", write=False) as store:
        assert len(read_listing(DATA, name="m.toml", today=DAY, store=store).bundles) == 2
    assert cached_listings(tmp_path / "store") == []


def test_errors_are_reported_each_time(tmp_path: Path) -> None:
    """A manifest with errors is never remembered."""
    with Store.open(tmp_path / "store", write=True) as store:
        for _ in range(2):
            with pytest.raises(InputError):
                read_listing(b"manifest = 1", name="m.toml", today=DAY, store=store)
    assert cached_listings(tmp_path / "store") == []


def test_other_bytes_are_another_manifest(tmp_path: Path) -> None:
    """One digit more is not the manifest that was remembered."""
    with Store.open(tmp_path / "store", write=True) as store:
        read_listing(DATA, name="m.toml", today=DAY, store=store)
        other = read_listing(DATA.replace(b"size = 3", b"size = 30"), name="m.toml", today=DAY, store=store)
    assert other.bundles[0].size == 30


def test_only_the_last_few_are_kept(tmp_path: Path) -> None:
    """The memory stays small."""
    with Store.open(tmp_path / "store", write=True) as store:
        for sequence in range(9):
            data = DATA.replace(b"sequence = 14", b"sequence = %d" % sequence)
            read_listing(data, name="m.toml", today=DAY, store=store)
    assert len(cached_listings(tmp_path / "store")) == 4


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.integers(1, 255), st.booleans())
def test_damage_to_the_cache_is_never_believed(
    tmp_path_factory: pytest.TempPathFactory, at: int, flip: int, cut: bool
) -> None:
    """A flipped byte or a cut end: the manifest is read again, and the answer is the right one."""
    root = tmp_path_factory.mktemp("memory") / "store"
    with Store.open(root, write=True) as store:
        right = read_listing(DATA, name="m.toml", today=DAY, store=store)
        [path] = cached_listings(root)
        data = bytearray(path.read_bytes())
        at %= len(data)
        path.chmod(0o600)
        path.write_bytes(data[:at] if cut else data[:at] + bytes([data[at] ^ flip]) + data[at + 1 :])
        assert read_listing(DATA, name="m.toml", today=DAY, store=store) == right
        assert read_listing(DATA, name="m.toml", today=DAY, store=store) == right


def test_another_programs_memory_is_not_believed(tmp_path: Path) -> None:
    """A right checksum over something else: read again."""
    with Store.open(tmp_path / "store", write=True) as store:
        right = read_listing(DATA, name="m.toml", today=DAY, store=store)
        [path] = cached_listings(tmp_path / "store")
        for body in (b"[]", b"null", b'{"bundles": [[1]], "problems": []}', b"{}", b'{"problems": 3}'):
            path.chmod(0o600)
            path.write_bytes(hashlib.sha256(body).hexdigest().encode() + b"\n" + body)
            assert read_listing(DATA, name="m.toml", today=DAY, store=store) == right


def test_that_it_is_past_its_date_is_not_cached(tmp_path: Path) -> None:
    """Expiry depends on the day; the check judges it by today's."""
    with Store.open(tmp_path / "store", write=True) as store:
        listing = read_listing(DATA, name="m.toml", today=date(2028, 1, 1), store=store)
    assert "expired" not in {p.code for p in listing.problems}
    assert listing.expires == date(2027, 2, 14)
    assert listing_module.NOTHING.expires is None
