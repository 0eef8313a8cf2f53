"""The store database: what goes in comes out, one call is one transaction, what is not ours is refused."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import DamagedError, KeeperError, LockedError, UnfinishedError
from bundlekeeper.formats.sqlite import FORMAT
from bundlekeeper.model.lint.read_manifest import read
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database import store_database as module
from bundlekeeper.store.database.rows import Admitted, StoredBundle, StoredImage, Verification
from bundlekeeper.store.database.store_database import DATABASE, StoreDatabase
from bundlekeeper.store.disk.files import Fingerprint
from tests.conftest import World
from tests.kits.fresh_database import fresh
from tests.kits.store_kit import Kit, now

ROOT = Path(__file__).parents[3]
AT = datetime(2026, 8, 20, 12, 0, 0, 1, tzinfo=UTC)
STORED = StoredBundle(
    place="blade/6.1.0/a.bin",
    family="blade",
    version="6.1.0",
    name="a.bin",
    size=5,
    sha256="a" * 64,
    platform="marram",
    sequence=14,
    digest_from="publisher",
    lifecycle="current",
    reason="",
    variant="managed-servers",
    added_at=AT,
    added_from="/media/stick/a.bin",
    way_in="copy",
    images=(StoredImage("bios", ("Tern-2", "Tern-4"), "6.1.0"),),
    released=date(2026, 8, 1),
)
VERIFICATION = Verification("a" * 64, AT, Fingerprint(5, 1, 2, 3, 4), True)


def opened(folder: Path, *, write: bool = True) -> StoreDatabase:
    """The store database of `fresh`, opened again."""
    return StoreDatabase.open(folder / "store.sqlite", write=write)


texts = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20)
# File names that are not UTF-8, as os.fsdecode gives them (PEP 383).
paths = st.binary(max_size=20).map(os.fsdecode).filter(lambda text: "\0" not in text)
times = st.datetimes(timezones=st.just(UTC))
number = st.integers(0, 2**63 - 1)
unsigned = st.integers(0, 2**64 - 1)
digests = st.text("0123456789abcdef", min_size=64, max_size=64)
images = st.lists(st.builds(StoredImage, texts, st.lists(texts).map(tuple), texts), max_size=3).map(tuple)
stored_rows = st.builds(
    StoredBundle,
    place=paths,
    family=texts,
    version=texts,
    name=texts,
    size=number,
    sha256=digests,
    platform=texts,
    sequence=number,
    digest_from=texts,
    lifecycle=texts,
    reason=texts,
    variant=texts,
    added_at=times,
    added_from=paths,
    way_in=texts,
    images=images,
    released=st.none() | st.dates(),
)
prints = st.builds(Fingerprint, number, st.integers(-(2**63), 2**63 - 1), number, unsigned, unsigned)
verifications = st.builds(Verification, digests, times, prints, st.booleans())


@settings(max_examples=60)
@given(rows=st.lists(stored_rows, max_size=4), verified=st.dictionaries(paths, verifications, max_size=4))
def test_what_goes_in_comes_out(
    tmp_path_factory: pytest.TempPathFactory, rows: list[StoredBundle], verified: dict[str, Verification]
) -> None:
    """Every row that a store can make, hostile names and 64-bit inodes among them, is read back as it was."""
    folder = tmp_path_factory.mktemp("store database")
    with fresh(folder) as database:
        for row in rows:
            database.record_stored(row, None)
        database.record_verifications(verified)
    with opened(folder, write=False) as database:
        expected = {row.place: row for row in rows}
        assert {row.place: row for row in database.stored()} == expected
        assert database.verifications() == verified
    shutil.rmtree(folder)


def test_stored_files_by_family_and_in_order(tmp_path: Path) -> None:
    """`store list --family`"""
    rows = [replace(STORED, place=f"{family}/1/{name}", family=family) for family in ("rack", "blade") for name in "ba"]
    with fresh(tmp_path) as database:
        for row in rows:
            database.record_stored(row, VERIFICATION)
        assert [row.place for row in database.stored()] == ["blade/1/a", "blade/1/b", "rack/1/a", "rack/1/b"]
        assert [row.place for row in database.stored("rack")] == ["rack/1/a", "rack/1/b"]
        assert database.stored("infrastructure") == []


def test_a_row_without_a_verification_removes_the_old_one(tmp_path: Path) -> None:
    """What was not read is unverified, whatever was verified there before."""
    with fresh(tmp_path) as database:
        database.record_verifications({"other": VERIFICATION})
        database.record_stored(STORED, VERIFICATION)
        assert set(database.verifications()) == {STORED.place, "other"}
        database.record_stored(STORED, None)
        assert set(database.verifications()) == {"other"}
        database.record_verifications({STORED.place: VERIFICATION})
        database.forget(STORED.place)
        assert (database.stored(), set(database.verifications())) == ([], {"other"})


def test_one_call_is_one_transaction(tmp_path: Path) -> None:
    """A row and its verification come together or not at all."""
    with fresh(tmp_path) as database:
        bad = replace(VERIFICATION, sha256="short")
        with pytest.raises(UnfinishedError):
            database.record_stored(STORED, bad)
        with pytest.raises(UnfinishedError):
            database.record_linked([STORED], lambda: {STORED.place: VERIFICATION, "other": bad})
        assert (database.stored(), database.verifications()) == ([], {})
        database.record_stored(STORED, VERIFICATION)
        assert len(database.stored()) == 1


def test_nothing_is_linked_where_it_cannot_be_recorded(tmp_path: Path) -> None:
    """The link comes when the row is written and the journal stands, and what it raises undoes the row."""
    path = tmp_path / "store.sqlite"
    with fresh(tmp_path) as database:

        def link() -> dict[str, Verification]:
            assert path.with_name(path.name + "-journal").stat().st_size > 0
            raise OSError(errno.EMLINK, "Too many links")

        with pytest.raises(OSError, match="Too many links"):
            database.record_linked([STORED], link)
        assert (database.stored(), database.verifications()) == ([], {})
        database.record_linked([STORED], lambda: {STORED.place: VERIFICATION, "other": VERIFICATION})
        assert ([row.place for row in database.stored()], set(database.verifications())) == (
            [STORED.place],
            {STORED.place, "other"},
        )


def test_manifests_in_the_order_of_admission(tmp_path: Path) -> None:
    """ "highest sequence kept", and which one counts now"""
    one = Admitted("marram", 1, "1" * 64, "manifests/marram-1.toml", date(2026, 1, 1), None, AT)
    two = Admitted("marram", 2, "2" * 64, "manifests/marram-2.toml", date(2026, 2, 1), date(2027, 1, 1), AT)
    with fresh(tmp_path) as database:
        database.admit(one, ())
        database.admit(two, ())
        assert database.admitted() == [one, two]
        database.admit(one, ())
        assert database.admitted() == [two, one]


# Not ours, damaged, newer


def test_it_says_what_it_is(tmp_path: Path) -> None:
    """ "application_id and user_version set"; file(1) and others can tell, too"""
    fresh(tmp_path).close()
    head = (tmp_path / "store.sqlite").read_bytes()[:100]
    assert int.from_bytes(head[68:72], "big") == DATABASE.application_id  # sqlite.org/fileformat2.html
    assert int.from_bytes(head[60:64], "big") == FORMAT
    assert head[18:20] == b"\x01\x01"  # rollback journal, not WAL


@pytest.mark.fault(81)
@pytest.mark.parametrize("write", [False, True])
@pytest.mark.parametrize(
    "data", [b"", b"garbage", b"SQLite format 3\0" + bytes(84), bytes(4096)], ids=["empty", "garbage", "head", "zeros"]
)
def test_what_is_no_database_is_refused_with_a_way_out(tmp_path: Path, data: bytes, write: bool) -> None:
    """Replaced by an empty file (opens as fine: ran): application_id and user_version checked."""
    path = tmp_path / "store.sqlite"
    path.write_bytes(data)
    with pytest.raises(DamagedError) as caught:
        StoreDatabase.open(path, write=write)
    assert "rename it" in caught.value.hint
    assert path.read_bytes() == data


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    """A good database that is not a store database."""
    path = tmp_path / "store.sqlite"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE bundle (place TEXT)")
    other.commit()
    other.close()
    with pytest.raises(DamagedError, match="not a store database"):
        StoreDatabase.open(path, write=True)


@pytest.mark.fault(51)
@pytest.mark.parametrize(("number", "hint"), [(FORMAT + 1, "the bundlekeeper that wrote it"), (0, "rename it")])
def test_another_format_is_refused(tmp_path: Path, number: int, hint: str) -> None:
    """Unknown or newer format: refused, versions named."""
    fresh(tmp_path).close()
    with sqlite3.connect(tmp_path / "store.sqlite") as raw:
        raw.execute(f"PRAGMA user_version = {number}")
    raw.close()
    with pytest.raises(DamagedError, match=f"format {number}.* knows format {FORMAT}") as caught:
        opened(tmp_path, write=False)
    assert hint in caught.value.hint


def test_an_absent_database_is_not_made_by_opening(tmp_path: Path) -> None:
    """Only `create` makes a file."""
    with pytest.raises(DamagedError, match="missing"):
        opened(tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.fault(80)
def test_damage_anywhere_never_becomes_a_foreign_exception(tmp_path: Path) -> None:
    """ "ledger page damaged: detected; no writing; a way out": 300 bytes zeroed at every place"""
    with fresh(tmp_path) as database:
        for i in range(40):
            database.record_stored(replace(STORED, place=f"blade/{i}/a.bin"), VERIFICATION)
    path = tmp_path / "store.sqlite"
    whole = path.read_bytes()
    refused = 0
    for start in range(0, len(whole), 300):
        path.write_bytes(whole[:start] + bytes(len(whole[start : start + 300])) + whole[start + 300 :])
        for write in (False, True):
            try:
                with opened(tmp_path, write=write) as database:
                    database.stored()
                    database.verifications()
                    database.admitted()
                    database.exceptions()
            except KeeperError as error:
                refused += 1
                assert error.hint, error.message
    assert refused > 40


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("bundle", "added_at", "yesterday"),
        ("bundle", "images", "{"),
        ("bundle", "images", "[[1]]"),
        ("bundle", "released", "32.13."),
        ("verification", "verified_at", None),
        ("verification", "inode", "many"),
        ("manifest", "issued", 7),
    ],
)
def test_a_value_that_we_never_wrote(tmp_path: Path, table: str, column: str, value: object) -> None:
    """A store database edited by hand is damage, not our bug."""
    with fresh(tmp_path) as database:
        database.record_stored(STORED, VERIFICATION)
        database.admit(Admitted("marram", 1, "1" * 64, "manifests/marram-1.toml", date(2026, 1, 1), None, AT), ())
    with sqlite3.connect(tmp_path / "store.sqlite") as raw:
        raw.execute("PRAGMA ignore_check_constraints = ON")
        raw.execute(f"CREATE TABLE t AS SELECT * FROM {table}")  # noqa: S608 - names of this test
        raw.execute(f"UPDATE t SET {column} = ?", (value,))  # noqa: S608
        raw.execute(f"DROP TABLE {table}")
        raw.execute(f"ALTER TABLE t RENAME TO {table}")
    raw.close()
    with opened(tmp_path, write=False) as database, pytest.raises(DamagedError) as caught:
        database.stored()
        database.verifications()
        database.admitted()
    assert "rename it" in caught.value.hint


def test_a_table_that_is_gone_is_damage(tmp_path: Path) -> None:
    """The right identity and the wrong contents."""
    fresh(tmp_path).close()
    with sqlite3.connect(tmp_path / "store.sqlite") as raw:
        raw.execute("DROP TABLE verification")
    raw.close()
    with opened(tmp_path, write=False) as database, pytest.raises(DamagedError):
        database.verifications()


# Two processes


def test_a_reader_beside_a_writer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader waits for a commit; a writer that never ends is named as what it is."""
    monkeypatch.setattr(module, "DATABASE", replace(DATABASE, busy_s=0.1))
    fresh(tmp_path).close()
    other = sqlite3.connect(tmp_path / "store.sqlite", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(LockedError, match="another process"):
            opened(tmp_path, write=False).stored()
    finally:
        other.execute("ROLLBACK")
        other.close()
    with opened(tmp_path, write=False) as database:
        assert database.stored() == []


@pytest.mark.fault(18)
def test_a_reader_writes_nothing(tmp_path: Path) -> None:
    """Opened for reading, every write is refused."""
    fresh(tmp_path).close()
    with opened(tmp_path, write=False) as database, pytest.raises(UnfinishedError):
        database.record_stored(STORED, VERIFICATION)


def kill_a_writer(path: Path) -> None:
    """Leave a journal beside the database, of a transaction that was cut off with half its pages written."""
    code = (
        "import os, sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "c.execute('PRAGMA cache_size = 1'); c.execute('BEGIN'); c.execute('UPDATE bundle SET size = 6');"
        "q = 'INSERT INTO exception (at, what, subject, reason, checksum) VALUES (1, 1, 1, ?, 1)';"
        "[c.execute(q, ('x' * 4000,)) for _ in range(50)];"
        "os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", code, path], check=False)
    assert path.with_name(path.name + "-journal").stat().st_size > 0


def test_a_reader_rolls_back_what_a_killed_writer_left(tmp_path: Path) -> None:
    """Killed mid-transaction: integrity_check ok, acknowledged events there."""
    with fresh(tmp_path) as database:
        database.record_stored(STORED, VERIFICATION)
    kill_a_writer(tmp_path / "store.sqlite")
    with opened(tmp_path, write=False) as database:
        assert database.stored() == [STORED]
        assert database.exceptions() == []


def test_store_list_costs_few_imports() -> None:
    """Asking *where* must not pay for pydantic, httpx or cryptography."""
    code = (
        "import sys; import bundlekeeper.store.contents.store, bundlekeeper.store.contents.right_now;"
        "print([m for m in ('pydantic', 'httpx', 'cryptography', 'rich', 'typer', 'hashlib', 'ctypes', 'socket',"
        " 'subprocess', 'tempfile', 'logging', 'concurrent') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


# Missing and damaged: rebuilt


def real_store(world: World, base: Path) -> Kit:
    """A store with the tour's world in it, by its real manifest."""
    kit = Kit(base)
    kit.source = world.downloads
    loaded = read(world.manifest.read_bytes(), name="marram.toml", today=date(2026, 9, 1))
    assert set(kit.add_loaded(loaded).counts) == {"added"}
    return kit


def test_a_missing_database_is_rebuilt_by_the_next_run(world: World, tmp_path: Path) -> None:
    """Can be rebuilt from the tree (every file then counts as unverified)."""
    kit = real_store(world, tmp_path)
    rows, admitted = kit.stored(), kit.admitted()
    (kit.root / ".keeper/store.sqlite").unlink()
    with pytest.raises(DamagedError, match="missing") as caught:
        kit.stored()
    assert "bundlekeeper store add" in caught.value.hint
    (kit.root / "blade/strange.bin").write_bytes(b"nobody's")
    cut = kit.root / rows[0].place
    whole = cut.read_bytes()
    cut.unlink()
    cut.write_bytes(whole[:-1])  # a file of another size is not even claimed to be there
    with Store.open(kit.root, write=True) as store, store.database(write=True) as database:
        rebuilt = database.stored()
        assert database.verifications() == {}
        assert [replace(each, admitted_at=AT) for each in database.admitted()] == [
            replace(each, admitted_at=AT) for each in admitted
        ]
    cut.write_bytes(whole)
    assert [row.way_in for row in rebuilt] == ["found"] * (len(rows) - 1)
    said, expected = ([replace(r, way_in="", added_from="", added_at=AT) for r in each] for each in (rebuilt, rows[1:]))
    assert said == expected
    loaded = read(world.manifest.read_bytes(), name="marram.toml", today=date(2026, 9, 1))
    result = kit.add_loaded(loaded)
    assert set(result.counts) == {"already there"}
    assert result.read_bytes == sum(row.size for row in rows)
    assert kit.add_loaded(loaded).read_bytes == 0


@pytest.mark.fault(80)
def test_a_damaged_database_is_renamed_and_rebuilt(world: World, tmp_path: Path) -> None:
    """The way out that the hint names, as one call; what was renamed is kept."""
    kit = real_store(world, tmp_path)
    count = len(kit.stored())
    path = kit.root / ".keeper/store.sqlite"
    path.write_bytes(b"garbage")
    (kit.root / ".keeper/store.sqlite-journal").write_bytes(b"of another life")
    with Store.open(kit.root, write=True) as store:
        with pytest.raises(DamagedError):
            store.database(write=True)
        renamed, _ = store.rebuild(clock=now)
        assert renamed is not None
        assert renamed.read_bytes() == b"garbage"
        with store.database(write=True) as database:
            assert len(database.stored()) == count
    assert not (kit.root / ".keeper/store.sqlite-journal").exists()


def test_a_stale_journal_never_meets_a_new_database(tmp_path: Path) -> None:
    """SQLite would roll a journal of the lost database back into the new one (sqlite.org/howtocorrupt.html §1.4)."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"a")
    kit.add(kit.bundle("a.bin", b"a"))
    path = kit.root / ".keeper/store.sqlite"
    kill_a_writer(path)
    path.unlink()
    kit.add(kit.bundle("a.bin", b"a"), manifest=2)
    assert not path.with_name("store.sqlite-journal").exists()
    assert [a.sequence for a in kit.admitted()] == [1, 2]


def test_of_two_rebuilds_at_once_the_first_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A store database is linked into place and never replaces one that another process has just made."""
    kit = Kit(tmp_path)
    kit.add()
    path = kit.root / ".keeper/store.sqlite"
    first = path.read_bytes()
    path.unlink()
    monkeypatch.setattr("bundlekeeper.store.database.rebuild.fill", lambda *_: path.write_bytes(first))
    with Store.open(kit.root, write=True) as store, store.database(write=True) as database:
        assert len(database.admitted()) == 1
    assert path.read_bytes() == first


def test_a_kept_file_that_is_no_manifest_is_passed_over(tmp_path: Path) -> None:
    """A rebuild reads what it can and leaves the rest where it is."""
    kit = Kit(tmp_path)
    kit.add(kit.bundle("a.bin", b"a"))
    for name, data in (("a.toml", b"\xff"), ("b.toml", b"manifest = 99"), ("readme.txt", b"x")):
        (kit.root / "manifests" / name).write_bytes(data)
    os.mkfifo(kit.root / "manifests/pipe.toml")
    (kit.root / ".keeper/store.sqlite").unlink()
    with Store.open(kit.root, write=True) as store, store.database(write=True) as database:
        assert ([each.sequence for each in database.admitted()], database.stored()) == ([1], [])
    assert (kit.root / "manifests/a.toml").exists()
