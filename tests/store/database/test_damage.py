"""A store database that is damaged, or older than the kept manifests: it judges no file, and nothing is forgotten."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import DamagedError, RefusedError
from bundlekeeper.findings import Finding, exit_status
from bundlekeeper.model.lint.read_manifest import read
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.adding.add import AddResult
from bundlekeeper.store.contents.repair import consulted, repaired
from bundlekeeper.store.contents.right_now import Holding, findings_of, holdings
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database.row_checksums import checksum
from bundlekeeper.store.database.store_database import DATABASE, StoreDatabase
from bundlekeeper.store.verifying.verify import CheckMeans, ReadingLimits, VerifyResult, check_store
from tests.conftest import MARRAM, Keeper, World
from tests.kits.store_kit import Kit, now

A, B, C = b"a" * 50, b"b" * 60, b"c" * 70
PLACE_B = "blade/6.2.0/b.bin"


class Place(Kit):
    """A store with manifest 14 and, withdrawing b.bin, 15; and what it answers."""

    def __init__(self, base: Path) -> None:
        super().__init__(base)
        for name, data in (("a", A), ("b", B), ("c", C)):
            self.offer(f"{name}.bin", data)
        self.database = self.root / ".keeper/store.sqlite"
        self.numbered(14)
        self.before = base / "keeper-before"  # as a backup of that day would have it
        shutil.copytree(self.root / ".keeper", self.before)
        self.numbered(15)

    def numbered(self, sequence: int, **options: Any) -> AddResult:
        """Take the manifest of that number; from 15 on it withdraws b.bin."""
        gone = {"lifecycle": "withdrawn", "reason": "memory errors"} if sequence >= 15 else {}
        bundles = [self.bundle("a.bin", A), self.bundle("b.bin", B, version="6.2.0", **gone)]
        bundles.append(self.bundle("c.bin", C, family="rack", version="6.3.0"))
        said = self.loaded(*bundles, sequence=sequence)
        return self.add_loaded(read(said.data, name="marram.toml", today=date(2026, 9, 1)), **options)

    def edit(self, statement: str, *values: object) -> None:
        """Change rows behind the store database's back, as turned bits do: no checksum and no total follows."""
        fresh = sqlite3.connect(":memory:")
        fresh.executescript(DATABASE.schema.read_text("utf-8"))
        triggers = fresh.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        fresh.close()
        with sqlite3.connect(self.database) as raw:
            raw.execute("PRAGMA ignore_check_constraints = ON")
            for name, _ in triggers:
                raw.execute(f"DROP TRIGGER {name}")
            assert raw.execute(statement, values).rowcount > 0
            for _, sql in triggers:
                raw.execute(sql)
        raw.close()

    def files(self) -> dict[str, tuple[int, int]]:
        """Every bundle's file by its place: inode and modification time."""
        paths = [p for family in ("blade", "rack", "quarantine") for p in (self.root / family).rglob("*")]
        return {str(p): (p.stat().st_ino, p.stat().st_mtime_ns) for p in paths if p.is_file()}

    def looked(self) -> tuple[list[Holding], list[Finding]]:
        """What `store list` says."""
        with Store.open(self.root, write=False) as store, consulted(store) as (database, found):
            rows = holdings(store, database, now())
        return rows, [*found, *findings_of(rows, now())]

    def check(self, *, quick: bool = False) -> tuple[VerifyResult, list[Finding]]:
        """What `verify` says."""
        means = CheckMeans(now, Silent(), today=date(2026, 9, 1))
        with (
            Store.open(self.root, write=True) as store,
            repaired(store, now, lock_for="verify") as (database, found),
        ):
            result = check_store(store, database, None, means, ReadingLimits(quick=quick))
        return result, [*found, *result.findings]


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """A fresh one."""
    return Place(tmp_path)


def codes(found: Sequence[Finding]) -> set[str]:
    """The codes."""
    return {each.code for each in found}


BROKEN: dict[str, tuple[str, object]] = {
    "lifecycle": ("UPDATE bundle SET lifecycle = ? WHERE place = ?", "wiuhdrawn"),
    "digest": ("UPDATE bundle SET sha256 = ? WHERE place = ?", "0" * 64),
    "no digest": ("UPDATE bundle SET sha256 = ? WHERE place = ?", "x" * 64),
    "size": ("UPDATE bundle SET size = ? WHERE place = ?", 7),
    "text for a size": ("UPDATE bundle SET size = ? WHERE place = ?", "many"),
    "name": ("UPDATE bundle SET name = ? WHERE place = ?", "q.bin"),
    "family": ("UPDATE bundle SET family = ? WHERE place = ?", "blbde"),
    "platform": ("UPDATE bundle SET platform = ? WHERE place = ?", "marrbm"),
    "date without a zone": ("UPDATE bundle SET added_at = ? WHERE place = ?", "2026-08-20T12:00:00"),
    "no date": ("UPDATE bundle SET released = ? WHERE place = ?", "2026-0\x01-01"),
    "images": ("UPDATE bundle SET images = ? WHERE place = ?", '[["bios"'),
    "no text": ("UPDATE bundle SET reason = CAST(? AS TEXT) WHERE place = ?", b"memory \xe5rrors"),
    "place": ("UPDATE bundle SET place = ? WHERE place = ?", "blade/6.2.0/b.fwc"),
    "verification's digest": ("UPDATE verification SET sha256 = ? WHERE place = ?", "0" * 64),
    "verification's date": ("UPDATE verification SET verified_at = ? WHERE place = ?", "2062-08-20T12:00:00+00:00"),
}


@pytest.mark.fault(88)
@pytest.mark.parametrize("what", BROKEN)
def test_a_broken_row_is_damage_of_the_row_and_heals(place: Place, what: str) -> None:
    """It is reported; no file is moved or called wrong; the next check is clean, and still says withdrawn."""
    statement, value = BROKEN[what]
    files = place.files()
    place.edit(statement, value, PLACE_B)
    with pytest.raises(DamagedError) as caught:  # what stage, gaps and every other command meets
        place.stored()
        place.verifications()
    assert "bundlekeeper verify" in caught.value.hint
    rows, found = place.looked()
    assert (exit_status(found), {"damaged", "withdrawn"} <= codes(found)) == (3, True)
    assert [row.stored.place for row in rows if row.state != "verified"] == [PLACE_B]
    result, found = place.check(quick=True)
    assert (exit_status(found), codes(found)) == (3, {"damaged", "withdrawn"})
    assert {row.status.value for row in result.rows} <= {"ok", "trusted"}
    assert all(each.hint for each in found if each.code == "damaged")
    assert place.files() == files
    result, found = place.check(quick=True)
    assert codes(found) == {"withdrawn"}
    rows, found = place.looked()
    assert (codes(found), {row.state for row in rows}) == ({"withdrawn"}, {"verified"})


def test_commands_report_a_broken_row_with_status_3(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """One turned bit in a standing; by the command line, with the code and the way out."""
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "-q").status == 0
    with sqlite3.connect(tmp_path / "store/.keeper/store.sqlite") as raw:
        raw.execute("UPDATE bundle SET lifecycle = 'curqent' WHERE name = 'marram-blade-6.1.0.bin'")
    raw.close()
    gaps = keeper("gaps", "holm-a", "--to", "6.1", "--json", "--inventory", MARRAM)
    assert (gaps.status, gaps.codes) == (3, ["damaged"])
    assert "bundlekeeper verify" in gaps.json["error"]["hint"]
    with (tmp_path / "store/.keeper/store.sqlite").open("r+b") as file:
        file.seek(4096)
        file.write(bytes(300))
    gaps = keeper("gaps", "holm-a", "--to", "6.1", "--json", "--inventory", MARRAM)
    assert (gaps.status, gaps.codes) == (3, ["damaged"])
    for words in (["store", "list"], ["verify", "--quick", "-q"]):
        reported = keeper(*words, "--json")
        assert (reported.status, "damaged" in reported.codes) == (3, True), reported.out
    assert keeper("store", "list", "--json").status == 0


def test_adding_heals_as_well(place: Place) -> None:
    """The kept manifests say what the row said."""
    place.edit("DELETE FROM bundle WHERE place = ?", PLACE_B)
    files = place.files()
    found = place.numbered(15).findings
    assert [each.level.value for each in found if each.code == "damaged"] == ["warning"]
    assert place.files() == files
    assert "damaged" not in codes(place.numbered(15).findings)


@pytest.mark.fault(88)
def test_a_right_row_that_calls_a_file_wrong_moves_it_only_with_a_manifest(place: Place) -> None:
    """No kept manifest can be read, so nobody but the row says what the bytes should be."""
    for kept in (place.root / "manifests").iterdir():
        kept.chmod(0o644)
        kept.write_bytes(b"#" + kept.read_bytes())
    file = place.root / PLACE_B
    file.chmod(0o644)
    file.write_bytes(B[::-1][:-1] + b"!")
    _, found = place.check()
    assert "altered" in codes(found)
    assert str(file) in place.files()
    assert any("stays where it is" in each.message for each in found)


def test_a_file_that_another_kept_manifest_calls_right_is_not_moved(place: Place) -> None:
    """The newest names other bytes for the place, and the row of what lies there is lost."""
    bundles = [place.bundle("a.bin", A[::-1].upper()), place.bundle("c.bin", C, family="rack", version="6.3.0")]
    place.add(*bundles, manifest=16)
    place.edit("DELETE FROM bundle WHERE place = ?", "blade/6.1.0/a.bin")
    files = place.files()
    place.check()
    assert place.files() == files


def test_what_a_writer_replaced_is_kept_and_named(place: Place) -> None:
    """Nothing is repaired in silence."""
    place.edit("UPDATE bundle SET reason = 'x' WHERE place = ?", PLACE_B)
    place.edit("DELETE FROM verification WHERE place = ?", PLACE_B)
    damaged = place.database.read_bytes()
    reported = [each for each in place.check()[1] if each.code == "damaged"]
    (renamed,) = place.database.parent.glob("store-before-*.sqlite")
    assert renamed.read_bytes() == damaged
    assert reported
    assert all(renamed.name in each.hint for each in reported)


def test_exceptions_survive(place: Place) -> None:
    """Rows that are whole stay as they are: exceptions, who vouched, verifications."""
    place.numbered(13, allow_rollback="the newer one broke the fans")
    before = place.exceptions(), place.admitted()
    place.edit("DELETE FROM bundle WHERE place = ?", PLACE_B)
    place.check()
    assert (place.exceptions(), place.admitted()) == before
    (row,) = (each for each in place.stored() if each.place == PLACE_B)
    assert row.lifecycle == "withdrawn"  # by 15, though 13 is in force


def test_a_database_of_a_newer_format_is_never_replaced(place: Place) -> None:
    """It is another program's to fix."""
    with sqlite3.connect(place.database) as raw:
        raw.execute("PRAGMA user_version = 7")
    raw.close()
    before = place.database.read_bytes()
    for ask in (place.looked, place.check):
        with pytest.raises(DamagedError, match="format 7"):
            ask()
    assert place.database.read_bytes() == before


@pytest.mark.parametrize("data", [b"", b"garbage", bytes(4096)], ids=["empty", "garbage", "zeros"])
def test_a_database_that_cannot_be_opened_is_made_again_by_verify(place: Place, data: bytes) -> None:
    """And looked at meanwhile."""
    place.database.write_bytes(data)
    rows, found = place.looked()
    assert ({row.state for row in rows}, codes(found)) == ({"unverified"}, {"damaged", "unverified", "withdrawn"})
    result, found = place.check(quick=True)
    assert (result.verified, codes(found)) == (3, {"damaged", "withdrawn"})
    assert codes(place.looked()[1]) == {"withdrawn"}


# Older than the kept manifests


def only_the_database(place: Place) -> None:
    """The store database of a backup, beside newer manifests."""
    shutil.copy(place.before / "store.sqlite", place.database)


def the_whole_folder(place: Place) -> None:
    """All of .keeper of a backup, beside newer manifests."""
    shutil.rmtree(place.root / ".keeper")
    shutil.copytree(place.before, place.root / ".keeper")


RESTORED: list[Callable[[Place], None]] = [only_the_database, the_whole_folder]


@pytest.mark.fault(90)
@pytest.mark.parametrize("restored", RESTORED)
@pytest.mark.parametrize("first", ["list", "verify", "add"])
def test_a_restored_database_forgets_no_withdrawal_and_no_sequence(
    place: Place, restored: Callable[[Place], None], first: str
) -> None:
    """A kept manifest without a row counts: it is reported, its sequence is the floor, its withdrawals hold."""
    restored(place)
    with pytest.raises(DamagedError, match="manifests/marram-15"):
        place.stored()
    if first == "add":
        with pytest.raises(RefusedError, match="sequence 3"):
            place.numbered(3)
        assert not (place.root / "manifests/marram-3.toml").exists()
    else:
        found = place.looked()[1] if first == "list" else place.check()[1]
        assert (exit_status(found), codes(found)) == (3, {"damaged", "withdrawn"})
        assert "manifests/marram-15.toml" in {each.subject for each in found if each.code == "damaged"}
    place.check()
    assert codes(place.looked()[1]) == {"withdrawn"}
    assert [each.sequence for each in place.admitted()] == [14, 15]


def unreadable(kept: Path) -> None:
    """Its bytes are no manifest any more."""
    data = kept.read_bytes()
    kept.chmod(0o644)
    kept.write_bytes(data[: len(data) // 2] + b"\0")


def a_link(kept: Path) -> None:
    """A symbolic link is there."""
    kept.rename(kept.with_suffix(".away"))
    kept.symlink_to(kept.with_suffix(".away"))


def misnamed(kept: Path) -> None:
    """It holds the manifest of another number."""
    other = kept.with_name("marram-14.toml").read_bytes()
    kept.unlink()
    kept.write_bytes(other)


def of_another_platform(kept: Path) -> None:
    """Name and content agree, and it is none of this store's."""
    text = kept.read_text("utf-8").replace('platform = "marram"', 'platform = "sedge"')
    kept.unlink()
    kept.with_name("sedge-15.toml").write_text(text, "utf-8")


SPOILED: list[Callable[[Path], Any]] = [unreadable, a_link, misnamed, of_another_platform]


@pytest.mark.fault(90)
@pytest.mark.parametrize("spoiled", SPOILED)
def test_a_kept_manifest_that_cannot_be_read_is_reported_and_its_number_counts(
    place: Place, spoiled: Callable[[Path], Any]
) -> None:
    """What it withdrew is not known, so no answer is given as if it had withdrawn nothing."""
    only_the_database(place)
    spoiled(place.root / "manifests/marram-15.toml")
    for found in (place.looked()[1], place.check()[1]):
        assert (exit_status(found), "damaged" in codes(found)) == (3, True)
    with pytest.raises(DamagedError, match=r"-15\.toml"):
        place.stored()
    assert "damaged" in codes(place.numbered(16).findings)
    for odd in ("marram-15.toml", "sedge-15.toml"):
        (place.root / "manifests" / odd).unlink(missing_ok=True)
    assert codes(place.looked()[1]) == {"withdrawn"}


@pytest.mark.fault(90)
def test_the_number_of_a_kept_manifest_counts_though_it_cannot_be_read(place: Place) -> None:
    """Its name says which it is."""
    (place.root / "manifests/marram-20.toml").write_bytes(b"\0")
    with pytest.raises(RefusedError, match=r"sequence 19.*already admitted \(20\)"):
        place.numbered(19)
    assert not (place.root / "manifests/marram-19.toml").exists()
    place.numbered(21)


def test_a_run_that_was_cut_off_before_its_row_goes_on_in_silence(place: Place) -> None:
    """The kept manifest without a row is the very one that is taken."""
    only_the_database(place)
    assert "damaged" not in codes(place.numbered(15).findings)


def test_a_reader_during_a_run_believes_the_rows(place: Place) -> None:
    """Between keeping a manifest and recording it, a run holds the store's lock; nothing is damaged then."""
    only_the_database(place)
    keeper = place.root / ".keeper/lock"
    other = subprocess.Popen(["flock", "--no-fork", keeper, "sleep", "600"])  # flock(1) of util-linux: another process
    try:
        while subprocess.run(["flock", "-n", "-s", keeper, "true"], check=False).returncode == 0:
            assert other.poll() is None
        assert len(place.stored()) == 3
    finally:
        other.kill()
        other.wait()
    with pytest.raises(DamagedError):
        place.stored()


# A clock that was ahead


@pytest.mark.fault(91)
def test_a_verification_from_the_future_does_not_count(place: Place) -> None:
    """One run under a wrong clock must not make files fresh for years."""
    with StoreDatabase.open(place.database, write=True) as database:
        ahead = now() + timedelta(days=4000)
        database.record_verifications(
            {p: replace(each, verified_at=ahead) for p, each in database.verifications().items()}
        )
    rows, found = place.looked()
    assert codes(found) == {"clock-doubtful", "unverified", "withdrawn"}
    assert {(row.state, row.verification) for row in rows} == {("unverified", None)}
    result, found = place.check(quick=True)
    assert (result.trusted, result.verified, "clock-doubtful" in codes(found)) == (0, 3, True)
    assert codes(place.looked()[1]) == {"withdrawn"}


def test_the_checksum_is_the_documented_one() -> None:
    """CRC-32 of RFC 1952 §8, here bit by bit and not by zlib."""
    text, register = b"bundle\0a\x001\0None", 0xFFFFFFFF
    for byte in text:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xEDB88320 if register & 1 else 0)
    assert checksum("bundle", ["a", 1, None]) == register ^ 0xFFFFFFFF
