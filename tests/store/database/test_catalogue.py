"""The catalogue: what goes in comes out, one call is one transaction, what is not ours is refused."""

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
from bundlekeeper.store.database import catalogue as module
from bundlekeeper.store.database.catalogue import DATABASE, Catalogue
from bundlekeeper.store.database.rows import Accepted, Held, HeldImage, Proof
from bundlekeeper.store.disk.files import Fingerprint
from tests.conftest import World
from tests.kits.fresh_catalogue import fresh
from tests.kits.store_kit import Kit, now

ROOT = Path(__file__).parents[3]
AT = datetime(2026, 8, 20, 12, 0, 0, 1, tzinfo=UTC)
HELD = Held(
    place="blade/6.1.0/a.fwb",
    family="blade",
    version="6.1.0",
    name="a.fwb",
    size=5,
    sha256="a" * 64,
    platform="marram",
    sequence=14,
    digest_from="publisher",
    standing="current",
    why="",
    variant="managed-servers",
    taken_at=AT,
    taken_from="/media/stick/a.fwb",
    way_in="copy",
    images=(HeldImage("bios", ("MB-2", "MB-4"), "6.1.0"),),
    released=date(2026, 8, 1),
)
PROOF = Proof("a" * 64, AT, Fingerprint(5, 1, 2, 3, 4), True)


def opened(folder: Path, *, write: bool = True) -> Catalogue:
    """The catalogue of `fresh`, opened again."""
    return Catalogue.open(folder / "catalogue.sqlite", write=write)


texts = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20)
# File names that are not UTF-8, as os.fsdecode gives them (PEP 383).
paths = st.binary(max_size=20).map(os.fsdecode).filter(lambda text: "\0" not in text)
times = st.datetimes(timezones=st.just(UTC))
number = st.integers(0, 2**63 - 1)
unsigned = st.integers(0, 2**64 - 1)
digests = st.text("0123456789abcdef", min_size=64, max_size=64)
images = st.lists(st.builds(HeldImage, texts, st.lists(texts).map(tuple), texts), max_size=3).map(tuple)
held_rows = st.builds(
    Held,
    place=paths,
    family=texts,
    version=texts,
    name=texts,
    size=number,
    sha256=digests,
    platform=texts,
    sequence=number,
    digest_from=texts,
    standing=texts,
    why=texts,
    variant=texts,
    taken_at=times,
    taken_from=paths,
    way_in=texts,
    images=images,
    released=st.none() | st.dates(),
)
prints = st.builds(Fingerprint, number, st.integers(-(2**63), 2**63 - 1), number, unsigned, unsigned)
proofs = st.builds(Proof, digests, times, prints, st.booleans())


@settings(max_examples=60)
@given(rows=st.lists(held_rows, max_size=4), proven=st.dictionaries(paths, proofs, max_size=4))
def test_what_goes_in_comes_out(
    tmp_path_factory: pytest.TempPathFactory, rows: list[Held], proven: dict[str, Proof]
) -> None:
    """Every row that a store can make, hostile names and 64-bit inodes among them, is read back as it was."""
    folder = tmp_path_factory.mktemp("catalogue")
    with fresh(folder) as catalogue:
        for row in rows:
            catalogue.record_held(row, None)
        catalogue.record_proofs(proven)
    with opened(folder, write=False) as catalogue:
        expected = {row.place: row for row in rows}
        assert {row.place: row for row in catalogue.held()} == expected
        assert catalogue.proofs() == proven
    shutil.rmtree(folder)


def test_held_by_family_and_in_order(tmp_path: Path) -> None:
    """`held --family`"""
    rows = [replace(HELD, place=f"{family}/1/{name}", family=family) for family in ("rack", "blade") for name in "ba"]
    with fresh(tmp_path) as catalogue:
        for row in rows:
            catalogue.record_held(row, PROOF)
        assert [row.place for row in catalogue.held()] == ["blade/1/a", "blade/1/b", "rack/1/a", "rack/1/b"]
        assert [row.place for row in catalogue.held("rack")] == ["rack/1/a", "rack/1/b"]
        assert catalogue.held("infrastructure") == []


def test_a_row_without_a_proof_drops_the_old_proof(tmp_path: Path) -> None:
    """What was not read is unproven, whatever was proven there before."""
    with fresh(tmp_path) as catalogue:
        catalogue.record_proofs({"other": PROOF})
        catalogue.record_held(HELD, PROOF)
        assert set(catalogue.proofs()) == {HELD.place, "other"}
        catalogue.record_held(HELD, None)
        assert set(catalogue.proofs()) == {"other"}
        catalogue.record_proofs({HELD.place: PROOF})
        catalogue.forget(HELD.place)
        assert (catalogue.held(), set(catalogue.proofs())) == ([], {"other"})


def test_one_call_is_one_transaction(tmp_path: Path) -> None:
    """A row and its proof come together or not at all."""
    with fresh(tmp_path) as catalogue:
        bad = replace(PROOF, sha256="short")
        with pytest.raises(UnfinishedError):
            catalogue.record_held(HELD, bad)
        with pytest.raises(UnfinishedError):
            catalogue.record_linked([HELD], lambda: {HELD.place: PROOF, "other": bad})
        assert (catalogue.held(), catalogue.proofs()) == ([], {})
        catalogue.record_held(HELD, PROOF)
        assert len(catalogue.held()) == 1


def test_nothing_is_linked_where_it_cannot_be_recorded(tmp_path: Path) -> None:
    """The link comes when the row is written and the journal stands, and what it raises undoes the row."""
    path = tmp_path / "catalogue.sqlite"
    with fresh(tmp_path) as catalogue:

        def link() -> dict[str, Proof]:
            assert path.with_name(path.name + "-journal").stat().st_size > 0
            raise OSError(errno.EMLINK, "Too many links")

        with pytest.raises(OSError, match="Too many links"):
            catalogue.record_linked([HELD], link)
        assert (catalogue.held(), catalogue.proofs()) == ([], {})
        catalogue.record_linked([HELD], lambda: {HELD.place: PROOF, "other": PROOF})
        assert ([row.place for row in catalogue.held()], set(catalogue.proofs())) == (
            [HELD.place],
            {HELD.place, "other"},
        )


def test_manifests_in_the_order_of_acceptance(tmp_path: Path) -> None:
    """ "highest serial remembered", and which one counts now"""
    one = Accepted("marram", 1, "1" * 64, "manifests/marram-1.toml", date(2026, 1, 1), None, AT)
    two = Accepted("marram", 2, "2" * 64, "manifests/marram-2.toml", date(2026, 2, 1), date(2027, 1, 1), AT)
    with fresh(tmp_path) as catalogue:
        catalogue.accept(one, ())
        catalogue.accept(two, ())
        assert catalogue.accepted() == [one, two]
        catalogue.accept(one, ())
        assert catalogue.accepted() == [two, one]


# Not ours, damaged, newer


def test_it_says_what_it_is(tmp_path: Path) -> None:
    """ "application_id and user_version set"; file(1) and others can tell, too"""
    fresh(tmp_path).close()
    head = (tmp_path / "catalogue.sqlite").read_bytes()[:100]
    assert int.from_bytes(head[68:72], "big") == DATABASE.application_id  # sqlite.org/fileformat2.html
    assert int.from_bytes(head[60:64], "big") == FORMAT
    assert head[18:20] == b"\x01\x01"  # rollback journal, not WAL


@pytest.mark.fault(81)
@pytest.mark.parametrize("write", [False, True])
@pytest.mark.parametrize(
    "data", [b"", b"garbage", b"SQLite format 3\0" + bytes(84), bytes(4096)], ids=["empty", "garbage", "head", "zeros"]
)
def test_what_is_no_catalogue_is_refused_with_a_way_out(tmp_path: Path, data: bytes, write: bool) -> None:
    """Replaced by an empty file (opens as fine: ran): application_id and user_version checked."""
    path = tmp_path / "catalogue.sqlite"
    path.write_bytes(data)
    with pytest.raises(DamagedError) as caught:
        Catalogue.open(path, write=write)
    assert "move it aside" in caught.value.hint
    assert path.read_bytes() == data


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    """A good database that is not a catalogue."""
    path = tmp_path / "catalogue.sqlite"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE held (place TEXT)")
    other.commit()
    other.close()
    with pytest.raises(DamagedError, match="not a catalogue"):
        Catalogue.open(path, write=True)


@pytest.mark.fault(51)
@pytest.mark.parametrize(("number", "hint"), [(FORMAT + 1, "the bundlekeeper that wrote it"), (0, "move it aside")])
def test_another_format_is_refused(tmp_path: Path, number: int, hint: str) -> None:
    """Unknown or newer format: refused, versions named."""
    fresh(tmp_path).close()
    with sqlite3.connect(tmp_path / "catalogue.sqlite") as raw:
        raw.execute(f"PRAGMA user_version = {number}")
    raw.close()
    with pytest.raises(DamagedError, match=f"format {number}.* knows format {FORMAT}") as caught:
        opened(tmp_path, write=False)
    assert hint in caught.value.hint


def test_an_absent_catalogue_is_not_made_by_opening(tmp_path: Path) -> None:
    """Only `create` makes a file."""
    with pytest.raises(DamagedError, match="missing"):
        opened(tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.fault(80)
def test_damage_anywhere_never_becomes_a_foreign_exception(tmp_path: Path) -> None:
    """ "ledger page damaged: detected; no writing; a way out": 300 bytes zeroed at every place"""
    with fresh(tmp_path) as catalogue:
        for i in range(40):
            catalogue.record_held(replace(HELD, place=f"blade/{i}/a.fwb"), PROOF)
    path = tmp_path / "catalogue.sqlite"
    whole = path.read_bytes()
    refused = 0
    for start in range(0, len(whole), 300):
        path.write_bytes(whole[:start] + bytes(len(whole[start : start + 300])) + whole[start + 300 :])
        for write in (False, True):
            try:
                with opened(tmp_path, write=write) as catalogue:
                    catalogue.held()
                    catalogue.proofs()
                    catalogue.accepted()
                    catalogue.exceptions()
            except KeeperError as error:
                refused += 1
                assert error.hint, error.says
    assert refused > 40


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("held", "taken_at", "yesterday"),
        ("held", "images", "{"),
        ("held", "images", "[[1]]"),
        ("held", "released", "32.13."),
        ("proof", "proven_at", None),
        ("proof", "inode", "many"),
        ("manifest", "issued", 7),
    ],
)
def test_a_value_that_we_never_wrote(tmp_path: Path, table: str, column: str, value: object) -> None:
    """A catalogue edited by hand is damage, not our bug."""
    with fresh(tmp_path) as catalogue:
        catalogue.record_held(HELD, PROOF)
        catalogue.accept(Accepted("marram", 1, "1" * 64, "manifests/marram-1.toml", date(2026, 1, 1), None, AT), ())
    with sqlite3.connect(tmp_path / "catalogue.sqlite") as raw:
        raw.execute("PRAGMA ignore_check_constraints = ON")
        raw.execute(f"CREATE TABLE t AS SELECT * FROM {table}")  # noqa: S608 - names of this test
        raw.execute(f"UPDATE t SET {column} = ?", (value,))  # noqa: S608
        raw.execute(f"DROP TABLE {table}")
        raw.execute(f"ALTER TABLE t RENAME TO {table}")
    raw.close()
    with opened(tmp_path, write=False) as catalogue, pytest.raises(DamagedError) as caught:
        catalogue.held()
        catalogue.proofs()
        catalogue.accepted()
    assert "move it aside" in caught.value.hint


def test_a_table_that_is_gone_is_damage(tmp_path: Path) -> None:
    """The right identity and the wrong contents."""
    fresh(tmp_path).close()
    with sqlite3.connect(tmp_path / "catalogue.sqlite") as raw:
        raw.execute("DROP TABLE proof")
    raw.close()
    with opened(tmp_path, write=False) as catalogue, pytest.raises(DamagedError):
        catalogue.proofs()


# Two processes


def test_a_reader_beside_a_writer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader waits for a commit; a writer that never ends is named as what it is."""
    monkeypatch.setattr(module, "DATABASE", replace(DATABASE, busy_s=0.1))
    fresh(tmp_path).close()
    other = sqlite3.connect(tmp_path / "catalogue.sqlite", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(LockedError, match="another process"):
            opened(tmp_path, write=False).held()
    finally:
        other.execute("ROLLBACK")
        other.close()
    with opened(tmp_path, write=False) as catalogue:
        assert catalogue.held() == []


@pytest.mark.fault(18)
def test_a_reader_writes_nothing(tmp_path: Path) -> None:
    """Opened for reading, every write is refused."""
    fresh(tmp_path).close()
    with opened(tmp_path, write=False) as catalogue, pytest.raises(UnfinishedError):
        catalogue.record_held(HELD, PROOF)


def kill_a_writer(path: Path) -> None:
    """Leave a journal beside the database, of a transaction that was cut off with half its pages written."""
    code = (
        "import os, sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "c.execute('PRAGMA cache_size = 1'); c.execute('BEGIN'); c.execute('UPDATE held SET size = 6');"
        "q = 'INSERT INTO exception (at, what, subject, why, checksum) VALUES (1, 1, 1, ?, 1)';"
        "[c.execute(q, ('x' * 4000,)) for _ in range(50)];"
        "os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", code, path], check=False)
    assert path.with_name(path.name + "-journal").stat().st_size > 0


def test_a_reader_rolls_back_what_a_killed_writer_left(tmp_path: Path) -> None:
    """Killed mid-transaction: integrity_check ok, acknowledged events there."""
    with fresh(tmp_path) as catalogue:
        catalogue.record_held(HELD, PROOF)
    kill_a_writer(tmp_path / "catalogue.sqlite")
    with opened(tmp_path, write=False) as catalogue:
        assert catalogue.held() == [HELD]
        assert catalogue.exceptions() == []


def test_held_costs_few_imports() -> None:
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
    assert set(kit.take_loaded(loaded).counts) == {"taken"}
    return kit


def test_a_missing_catalogue_is_rebuilt_by_the_next_take(world: World, tmp_path: Path) -> None:
    """Can be rebuilt from the tree (every file then counts as unproven)."""
    kit = real_store(world, tmp_path)
    rows, accepted = kit.held(), kit.accepted()
    (kit.root / ".keeper/catalogue.sqlite").unlink()
    with pytest.raises(DamagedError, match="missing") as caught:
        kit.held()
    assert "bundlekeeper take" in caught.value.hint
    (kit.root / "blade/strange.bin").write_bytes(b"nobody's")
    cut = kit.root / rows[0].place
    whole = cut.read_bytes()
    cut.unlink()
    cut.write_bytes(whole[:-1])  # a file of another size is not even claimed to be there
    with Store.open(kit.root, write=True) as store, store.catalogue(write=True) as catalogue:
        rebuilt = catalogue.held()
        assert catalogue.proofs() == {}
        assert [replace(each, accepted_at=AT) for each in catalogue.accepted()] == [
            replace(each, accepted_at=AT) for each in accepted
        ]
    cut.write_bytes(whole)
    assert [row.way_in for row in rebuilt] == ["found"] * (len(rows) - 1)
    said, expected = ([replace(r, way_in="", taken_from="", taken_at=AT) for r in each] for each in (rebuilt, rows[1:]))
    assert said == expected
    loaded = read(world.manifest.read_bytes(), name="marram.toml", today=date(2026, 9, 1))
    result = kit.take_loaded(loaded)
    assert set(result.counts) == {"already held"}
    assert result.read_bytes == sum(row.size for row in rows)
    assert kit.take_loaded(loaded).read_bytes == 0


@pytest.mark.fault(80)
def test_a_damaged_catalogue_is_moved_aside_and_rebuilt(world: World, tmp_path: Path) -> None:
    """The way out that the hint names, as one call; what was moved aside is kept."""
    kit = real_store(world, tmp_path)
    count = len(kit.held())
    path = kit.root / ".keeper/catalogue.sqlite"
    path.write_bytes(b"garbage")
    (kit.root / ".keeper/catalogue.sqlite-journal").write_bytes(b"of another life")
    with Store.open(kit.root, write=True) as store:
        with pytest.raises(DamagedError):
            store.catalogue(write=True)
        aside, _ = store.rebuild(clock=now)
        assert aside is not None
        assert aside.read_bytes() == b"garbage"
        with store.catalogue(write=True) as catalogue:
            assert len(catalogue.held()) == count
    assert not (kit.root / ".keeper/catalogue.sqlite-journal").exists()


def test_a_stale_journal_never_meets_a_new_catalogue(tmp_path: Path) -> None:
    """SQLite would roll a journal of the lost database back into the new one (sqlite.org/howtocorrupt.html §1.4)."""
    kit = Kit(tmp_path)
    kit.offer("a.fwb", b"a")
    kit.take(kit.bundle("a.fwb", b"a"))
    path = kit.root / ".keeper/catalogue.sqlite"
    kill_a_writer(path)
    path.unlink()
    kit.take(kit.bundle("a.fwb", b"a"), manifest=2)
    assert not path.with_name("catalogue.sqlite-journal").exists()
    assert [a.sequence for a in kit.accepted()] == [1, 2]


def test_of_two_rebuilds_at_once_the_first_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A catalogue is linked into place and never replaces one that another process has just made."""
    kit = Kit(tmp_path)
    kit.take()
    path = kit.root / ".keeper/catalogue.sqlite"
    first = path.read_bytes()
    path.unlink()
    monkeypatch.setattr("bundlekeeper.store.database.rebuild.fill", lambda *_: path.write_bytes(first))
    with Store.open(kit.root, write=True) as store, store.catalogue(write=True) as catalogue:
        assert len(catalogue.accepted()) == 1
    assert path.read_bytes() == first


def test_a_kept_file_that_is_no_manifest_is_passed_over(tmp_path: Path) -> None:
    """A rebuild reads what it can and leaves the rest where it is."""
    kit = Kit(tmp_path)
    kit.take(kit.bundle("a.fwb", b"a"))
    for name, data in (("a.toml", b"\xff"), ("b.toml", b"manifest = 99"), ("readme.txt", b"x")):
        (kit.root / "manifests" / name).write_bytes(data)
    os.mkfifo(kit.root / "manifests/pipe.toml")
    (kit.root / ".keeper/catalogue.sqlite").unlink()
    with Store.open(kit.root, write=True) as store, store.catalogue(write=True) as catalogue:
        assert ([each.sequence for each in catalogue.accepted()], catalogue.held()) == ([1], [])
    assert (kit.root / "manifests/a.toml").exists()
