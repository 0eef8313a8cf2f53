"""Which manifests a store admits, and what a manifest reports about its own bundles."""

from __future__ import annotations

import hashlib
import stat
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError, RefusedError
from tests.kits.store_kit import GOOD, Kit, codes, message

# The manifest's own weaknesses


def test_what_the_manifest_reports_about_a_bundle(tmp_path: Path) -> None:
    """self-digest, not-checked, withdrawn: reported for each bundle, added or not."""
    kit = Kit(tmp_path)
    for name in ("a.bin", "b.bin", "c.bin"):
        kit.offer(name, name.encode())
    result = kit.add(
        kit.bundle("a.bin", b"a.bin", digest_from=" Own Copy "),
        kit.bundle("b.bin", b"b.bin", digest_from=None),
        kit.bundle("c.bin", b"c.bin", lifecycle="withdrawn", reason="loses settings"),
    )
    assert result.counts == {"added": 3}
    assert codes(result) == ["self-digest", "not-checked", "withdrawn"]
    assert "loses settings" in message(result, "withdrawn")


def test_a_later_manifest_withdraws_a_stored_bundle(tmp_path: Path) -> None:
    """A release withdrawn after it was downloaded."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    result = kit.add(kit.bundle("a.bin", GOOD, lifecycle="withdrawn", reason="bad flash"), manifest=2)
    assert (result.counts, codes(result), result.read_bytes) == ({"already there": 1}, ["withdrawn"], 0)
    (row,) = kit.stored()
    assert (row.lifecycle, row.reason, row.sequence) == ("withdrawn", "bad flash", 2)


def test_digests_in_capitals(tmp_path: Path) -> None:
    """A manifest may write its digests in either case."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    bundle = kit.bundle("a.bin", GOOD, sha256=hashlib.sha256(GOOD).hexdigest().upper())
    assert kit.add(bundle).counts == {"added": 1}


@pytest.mark.fault(26)
@pytest.mark.parametrize(
    "name", ["../a", "/etc/a", "a\\b", "C:a", "a\0b", "", "..", "-a", "a\n", "CON", "e\u0301", "x" * 256]
)
def test_unsafe_names_are_refused_before_any_disk_access(tmp_path: Path, name: str) -> None:
    """`../`, absolute, `\\`, `C:`, NUL in names: refused before any disk access."""
    kit = Kit(tmp_path)
    with pytest.raises(InputError):
        kit.add(kit.bundle(name, b"x"))
    assert kit.tree() == {}


@pytest.mark.fault(27)
def test_names_that_are_one_on_some_file_systems(tmp_path: Path) -> None:
    """`A.bin` and `a.bin`: the set refused."""
    with pytest.raises(InputError, match="one name"):
        Kit(tmp_path).add(Kit(tmp_path).bundle("A.bin", b"x"), Kit(tmp_path).bundle("a.bin", b"y"))


def test_the_same_name_in_another_version_is_another_file(tmp_path: Path) -> None:
    """A folder per version keeps them apart; a version that is no safe folder name is written as one."""
    kit = Kit(tmp_path)
    kit.offer("x/a.bin", b"one")
    kit.offer("y/a.bin", b"another")
    result = kit.add(kit.bundle("a.bin", b"one"), kit.bundle("a.bin", b"another", version="../6"))
    assert result.counts == {"added": 2}
    places = [row.place for row in kit.stored()]
    assert "blade/6.1.0/a.bin" in places
    assert all(".." not in place.split("/") for place in places)


# Which manifests


@pytest.mark.fault(43)
@pytest.mark.attack("rollback")
def test_rollback_is_refused_unless_a_reason_is_given(tmp_path: Path) -> None:
    """Rollback: highest sequence kept; override with a reason, recorded."""
    kit = Kit(tmp_path)
    kit.add(manifest=5)
    with pytest.raises(RefusedError, match="older"):
        kit.add(manifest=4)
    result = kit.add(manifest=4, allow_rollback="the newer one was withdrawn")
    assert codes(result) == [
        "older-manifest",
        "not-checked",
    ]  # what the newer withdrew: the kit's is no TOML to be read
    assert [a.sequence for a in kit.admitted()] == [5, 4]
    ((_, what, subject, reason),) = kit.exceptions()
    assert (what, subject, reason) == ("rollback", "marram-4", "the newer one was withdrawn")
    with pytest.raises(RefusedError):
        kit.add(manifest=4)
    kit.add(manifest=5)
    assert [a.sequence for a in kit.admitted()] == [4, 5]


@pytest.mark.fault(47)
@pytest.mark.attack("rollback")
def test_same_sequence_other_bytes_is_a_contradiction(tmp_path: Path) -> None:
    """Same serial, other bytes: refused as a contradiction."""
    kit = Kit(tmp_path)
    kit.add(kit.bundle("a.bin", b"one"))
    with pytest.raises(RefusedError, match="same sequence") as caught:
        kit.add(kit.bundle("a.bin", b"two"), allow_rollback="no help")
    assert "raise `sequence`" in caught.value.hint
    assert len(kit.admitted()) == 1


def test_a_kept_manifest_that_was_never_recorded(tmp_path: Path) -> None:
    """A run killed between keeping and recording: the same manifest goes on, another with its sequence does not."""
    kit = Kit(tmp_path)
    kit.add()
    loaded = kit.loaded(sequence=2)
    (kit.root / "manifests/marram-2.toml").write_bytes(b"other bytes")
    with pytest.raises(RefusedError, match="other bytes"):
        kit.add_loaded(loaded)
    (kit.root / "manifests/marram-2.toml").write_bytes(loaded.data)
    kit.add_loaded(loaded)
    assert [a.sequence for a in kit.admitted()] == [1, 2]


@pytest.mark.attack("wrong software")
def test_another_platform_is_refused(tmp_path: Path) -> None:
    """A store keeps one platform."""
    kit = Kit(tmp_path)
    kit.add()
    with pytest.raises(RefusedError, match="platform"):
        kit.add_loaded(kit.loaded(sequence=9, platform="other"))


def test_manifests_are_kept_whole(tmp_path: Path) -> None:
    """ "an admitted manifest is kept whole" (issue: trust)"""
    kit = Kit(tmp_path)
    loaded = kit.loaded(sequence=14)
    kit.add_loaded(loaded)
    kept = kit.root / "manifests/marram-14.toml"
    assert kept.read_bytes() == loaded.data
    assert stat.S_IMODE(kept.stat().st_mode) == 0o444
    assert kit.admitted()[0].place == "manifests/marram-14.toml"


@pytest.mark.fault(44)
@pytest.mark.attack("indefinite freeze")
def test_an_expired_manifest_is_refused_unless_a_reason_is_given(tmp_path: Path) -> None:
    """ "Expired (freeze): `store add` ... exit 4 unless `--allow-expired "why"`, which is recorded" (issue: trust)"""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    loaded = kit.loaded(kit.bundle("a.bin", GOOD), expires=date(2026, 9, 1))
    at = datetime(2026, 9, 2, tzinfo=UTC)
    with pytest.raises(RefusedError, match="expired on 2026-09-01") as caught:
        kit.add_loaded(loaded, clock=lambda: at)
    assert caught.value.exit_code == 4
    assert kit.stored() == []
    result = kit.add_loaded(loaded, clock=lambda: at, allow_expired="no newer one before the window")
    assert (result.counts, codes(result)) == ({"added": 1}, ["expired"])
    assert kit.exceptions()[0][1:] == ("expired", "marram-1", "no newer one before the window")


@pytest.mark.attack("indefinite freeze")
def test_the_last_day_is_not_expired(tmp_path: Path) -> None:
    """The expiry date itself is still good."""
    kit = Kit(tmp_path)
    loaded = kit.loaded(expires=date(2026, 9, 1))
    assert kit.add_loaded(loaded, clock=lambda: datetime(2026, 9, 1, 23, 59, tzinfo=UTC)).findings == ()


@pytest.mark.fault(83)
@pytest.mark.attack("indefinite freeze")
def test_a_clock_that_is_behind_is_doubted(tmp_path: Path) -> None:
    """ "a clock earlier than the newest date of admission is `clock-doubtful`" (issue: trust)"""
    kit = Kit(tmp_path)
    kit.add_loaded(kit.loaded())
    result = kit.add_loaded(kit.loaded(), clock=lambda: datetime(2026, 8, 20, tzinfo=UTC))
    assert codes(result) == ["clock-doubtful"]
    with pytest.raises(RefusedError, match="issued on 2026-08-14"):
        kit.add_loaded(kit.loaded(), clock=lambda: datetime(2020, 1, 1, tzinfo=UTC))
