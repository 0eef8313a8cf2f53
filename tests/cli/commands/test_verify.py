"""`verify` on a store that real runs made: against what was admitted, and against a manifest in hand."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import threading
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.findings import Level
from bundlekeeper.model.progress import Silent
from bundlekeeper.model.verify_result import VerifyResult
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.disk import lock
from bundlekeeper.store.verifying.read import ReadingLimits
from bundlekeeper.store.verifying.verify import CheckMeans, check_store
from tests.kits.checking import found
from tests.kits.mounts import stable_folder
from tests.kits.store_kit import Kit, now

A, B, C = b"a" * 3000, b"b" * 3000, b"c" * 4000
VERSIONS = {"a": "6.1.0", "b": "6.1.1", "c": "6.1.2"}
PLACE_A, PLACE_B, PLACE_C = (f"blade/{version}/{name}.bin" for name, version in VERSIONS.items())


def manifest_of(*bundles: dict[str, Any], sequence: int = 1, expires: str = "") -> bytes:
    """A manifest's text, as a person would write it."""
    lines = [f'manifest = 1\nplatform = "marram"\nsequence = {sequence}\nissued = 2026-08-14\nfamilies = ["blade"]']
    if expires:
        lines.append(f"expires = {expires}")
    for bundle in bundles:
        lines.append("[[bundle]]")
        lines += [f"{key} = {json.dumps(value)}" for key, value in bundle.items()]
    return "\n".join(lines).encode()


@pytest.fixture
def kit(tmp_path: Path) -> Kit:
    """A store that has a, b and c by manifest 1, which it keeps."""
    kit = Kit(tmp_path)
    for name, data in (("a", A), ("b", B), ("c", C)):
        kit.offer(f"{name}.bin", data)
    add(kit, "abc")
    return kit


def loaded(kit: Kit, names: str, sequence: int = 1, **more: str) -> Any:
    """A manifest of these bundles, read from its text."""
    from bundlekeeper.model.lint.read_manifest import read

    bundles = []
    for name, data in zip("abc", (A, B, C), strict=True):
        if name in names:
            plain = kit.bundle(f"{name}.bin", data, version=VERSIONS[name])
            fields = ("family", "version", "file", "size", "sha256", "digest_from")
            bundles.append({key: getattr(plain, key) for key in fields})
    return read(manifest_of(*bundles, sequence=sequence, **more), name="marram.toml", today=date(2026, 8, 14))


def add(kit: Kit, names: str, sequence: int = 1) -> None:
    """Take these bundles by a manifest that names no other."""
    kit.add_loaded(loaded(kit, names, sequence))


def check(kit: Kit, against: Any = None, *, write: bool = True, record: bool = True, **limits: Any) -> VerifyResult:
    """A check of the kit's store."""
    with Store.open(kit.root, write=write) as store, store.database(write=write) as database:
        means = CheckMeans(now, Silent(), record=record, today=date(2026, 9, 1))
        return check_store(store, database, against, means, ReadingLimits(**limits))


def spoil(path: Path, data: bytes | None = None) -> None:
    """Flip one bit in the middle, or put other bytes there; what a failing disk does to a file of mode 0444."""
    path.chmod(0o644)
    old = bytearray(path.read_bytes())
    old[len(old) // 2] ^= 1
    path.write_bytes(old if data is None else data)
    path.chmod(0o444)


def test_a_good_store(kit: Kit) -> None:
    """Every stored file is read against the manifest that it was added by; the verifications are new."""
    before = kit.verifications()
    result = check(kit)
    assert (result.findings, result.verified, result.bytes_read) == ([], 3, 10_000)
    assert {r.place: r.status.value for r in result.rows} == dict.fromkeys([PLACE_A, PLACE_B, PLACE_C], "ok")
    after = kit.verifications()
    assert all(after[p].verified_at > before[p].verified_at for p in (PLACE_A, PLACE_B, PLACE_C))


def test_a_full_run_makes_the_quick_one_quick(kit: Kit, tmp_path: Path) -> None:
    """Nothing is read, and that is said in numbers."""
    stable_folder(tmp_path)
    check(kit)
    result = check(kit, quick=True)
    assert (result.trusted, result.verified, result.bytes_read) == (3, 0, 0)


@pytest.mark.fault(12)
def test_a_bit_flip_is_found_and_moved_to_quarantine(kit: Kit) -> None:
    """Found, quarantined, bytes kept."""
    spoil(kit.root / PLACE_A)
    wrong = (kit.root / PLACE_A).read_bytes()
    result = check(kit)
    assert found(result) == {("altered", PLACE_A)}
    [reported] = result.findings
    moved = reported.message.partition("moved to ")[2]
    assert moved.startswith("quarantine/a.bin.")
    tree = kit.tree()
    assert tree[moved] == wrong
    assert "blade 6.1.0: a.bin" in tree[moved + ".note.txt"].decode()
    assert PLACE_A not in tree
    assert PLACE_A not in {row.place for row in kit.stored()}
    again = check(kit)
    assert found(again) == {("missing", PLACE_A)}
    assert again.verified == 2
    add(kit, "abc")
    assert check(kit).findings == []


@pytest.mark.fault(13)
@pytest.mark.parametrize(("data", "code"), [(A[:-1], "truncated"), (A + b"!", "extended"), (b"", "truncated")])
def test_a_wrong_size_goes_there_too(kit: Kit, data: bytes, code: str) -> None:
    """The bytes were not read, so the name in quarantine has the size."""
    spoil(kit.root / PLACE_A, data)
    result = check(kit)
    assert found(result) == {(code, PLACE_A)}
    [moved] = [
        path for path, kept in kit.tree().items() if path.startswith("quarantine/") and not path.endswith(".txt")
    ]
    assert kit.tree()[moved] == data


def test_wrong_files_of_one_size_are_all_kept(kit: Kit) -> None:
    """Cut to the same length twice, with other bytes: neither pushes the other out of quarantine."""
    for data in (b"1" * 10, b"2" * 10):
        spoil(kit.root / PLACE_A, data)
        assert found(check(kit)) == {("truncated", PLACE_A)}
        add(kit, "abc")
    stored = [d for p, d in kit.tree().items() if p.startswith("quarantine/") and not p.endswith(".txt")]
    assert sorted(stored) == [b"1" * 10, b"2" * 10]


def test_both_names_of_one_wrong_file_are_moved(tmp_path: Path) -> None:
    """Equal bytes are stored once, so they rot at both places at once."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", A)
    kit.add(kit.bundle("a.bin", A), kit.bundle("a2.bin", A, version="6.2.0"))
    spoil(kit.root / PLACE_A)
    result = check(kit)
    places = {PLACE_A, "blade/6.2.0/a2.bin"}
    assert {f.subject for f in result.findings if f.code == "altered"} == places
    assert all("moved to quarantine/" in f.message for f in result.findings if f.code == "altered")
    assert not places & set(kit.tree())


def test_two_swapped_files_in_the_store(kit: Kit) -> None:
    """Each is at the other's place: both are wrong there and are moved to quarantine."""
    a, b = kit.root / PLACE_A, kit.root / PLACE_B
    a.rename(kit.root / "blade/x")
    b.rename(a)
    (kit.root / "blade/x").rename(b)
    result = check(kit)
    assert found(result) == {("misnamed", PLACE_A), ("misnamed", PLACE_B)}
    assert sorted(d for p, d in kit.tree().items() if p.startswith("quarantine/") and not p.endswith(".txt")) == [A, B]


def test_a_bundle_whose_folder_was_renamed_is_put_back_by_what_is_printed(kit: Kit) -> None:
    """Its name is right: it lies in another folder, and its own is not there any more."""
    folder = (kit.root / PLACE_A).parent
    folder.rename(kit.root / "b611")
    result = check(kit)
    (reported,) = [each for each in result.findings if each.code == "misnamed"]
    assert "in another folder" in reported.message
    assert "Unicode" not in reported.message
    assert os.system(reported.hint.partition(": ")[2]) == 0  # noqa: S605
    (kit.root / "b611").rmdir()
    assert found(check(kit)) == set()


def test_nothing_is_moved_without_the_right_to_write(kit: Kit) -> None:
    """Reading works; only reported."""
    spoil(kit.root / PLACE_A)
    before = kit.tree()
    for write, record in ((False, True), (True, False)):
        result = check(kit, write=write, record=record)
        assert found(result) == {("altered", PLACE_A)}
        assert kit.tree() == before


def test_nothing_is_moved_while_another_command_has_the_lock(kit: Kit) -> None:
    """The finding has the reason why the file is still there."""
    spoil(kit.root / PLACE_A)
    with Store.open(kit.root, write=True) as store, lock.held(store.fd, "store add", clock=now):
        result = check(kit)
    [reported] = result.findings
    assert "not moved to quarantine: the store is locked by process" in reported.message
    assert PLACE_A in kit.tree()


@pytest.mark.fault(16)
def test_unknown_files_are_reported_and_left(kit: Kit) -> None:
    """ "reported, never deleted"; a copy under another name says whose bytes it has."""
    (kit.root / "rack" / "1.0").mkdir(parents=True)
    (kit.root / "rack" / "1.0" / "stray").write_bytes(b"?")
    (kit.root / "blade" / "6.1.0" / "copy").write_bytes(A)
    (kit.root / "notes.txt").write_bytes(b"mine")
    (kit.root / "store.toml").write_bytes(b"")
    result = check(kit)
    assert found(result) == {("extra", "rack/1.0/stray"), ("extra", "blade/6.1.0/copy"), ("extra", "notes.txt")}
    assert {f.level for f in result.findings} == {Level.WARNING}
    assert (kit.root / "rack" / "1.0" / "stray").exists()
    assert result.verified == 3


def test_stored_by_an_older_manifest_and_no_longer_named(kit: Kit) -> None:
    """The newest manifest decides; what it removed is verified all the same, and a note."""
    add(kit, "ab", sequence=2)
    result = check(kit)
    assert [(f.code, f.subject, f.level) for f in result.findings] == [("extra", PLACE_C, Level.NOTE)]
    assert result.verified == 3
    (kit.root / PLACE_C).unlink()
    assert [(f.code, f.level) for f in check(kit).findings if f.code == "missing"] == [("missing", Level.NOTE)]


def test_named_by_the_newest_manifest_and_never_added(kit: Kit) -> None:
    """A bundle that should be in the store and is not is missing."""
    (kit.source / "c.bin").unlink()
    (kit.root / PLACE_C).unlink()
    with Store.open(kit.root, write=True) as store, store.database(write=True) as database:
        database.forget(PLACE_C)
    assert found(check(kit)) == {("missing", PLACE_C)}


def test_a_stored_file_that_is_gone(kit: Kit) -> None:
    """The store database knows it, the disk does not."""
    (kit.root / PLACE_B).unlink()
    result = check(kit)
    assert found(result) == {("missing", PLACE_B)}
    assert result.verified == 2


def test_a_link_at_a_bundles_place_is_not_followed(kit: Kit, tmp_path: Path) -> None:
    """A link, inside the store."""
    (kit.root / PLACE_B).unlink()
    (tmp_path / "outside").write_bytes(B)
    (kit.root / PLACE_B).symlink_to(tmp_path / "outside")
    result = check(kit)
    assert found(result) == {("missing", PLACE_B)}
    assert "a symbolic link is under this name" in result.findings[0].message


def test_against_a_manifest_in_hand_nothing_is_moved(kit: Kit) -> None:
    """An explicit manifest is judged and no more; other stored files are a note and not read."""
    spoil(kit.root / PLACE_A)
    before = kit.tree()
    result = check(kit, loaded(kit, "ab", sequence=9))
    assert found(result) == {("altered", PLACE_A), ("extra", PLACE_C)}
    assert {f.code: f.level for f in result.findings}["extra"] is Level.NOTE
    assert kit.tree() == before
    assert result.bytes_read == 6000


def test_expiry_and_the_manifests_own_faults(kit: Kit) -> None:
    """Today is an argument."""
    result = check(kit, loaded(kit, "abc", expires="2026-08-31"))
    assert found(result) == {("expired", "manifest marram 1")}


def test_an_altered_kept_manifest(kit: Kit) -> None:
    """The ground of "missing" is verified too; the files are still compared with the store database."""
    [kept] = (kit.root / "manifests").iterdir()
    spoil(kept)
    result = check(kit)
    assert [(f.code, f.subject) for f in result.findings] == [("altered", f"manifests/{kept.name}")]
    assert result.verified == 3
    (kit.root / PLACE_B).unlink()
    assert {(f.code, f.subject, f.level) for f in check(kit).findings} == {
        ("altered", f"manifests/{kept.name}", Level.ERROR),
        ("missing", PLACE_B, Level.ERROR),
    }


def test_the_hint_for_an_altered_kept_manifest_works(kit: Kit) -> None:
    """ "add manifest marram 1 again": the bytes that were admitted heal the copy, and the altered one is kept."""
    [kept] = (kit.root / "manifests").iterdir()
    whole = kept.read_bytes()
    for altered in (whole + b"#", whole[:-1] + b"#", b""):
        kept.chmod(0o644)
        kept.write_bytes(altered)
        result = kit.add_loaded(loaded(kit, "abc"))
        (healed,) = result.findings
        assert (healed.code, healed.level, healed.subject) == ("altered", Level.WARNING, f"manifests/{kept.name}")
        assert kept.read_bytes() == whole
        moved = f"quarantine/{kept.name}.{hashlib.sha256(altered).hexdigest()[:12]}"
        assert moved in healed.message
        assert kit.tree()[moved] == altered
        note = kit.tree()[moved + ".note.txt"].decode()
        assert f"{len(whole)} bytes, SHA-256 {hashlib.sha256(whole).hexdigest()}" in note
        assert check(kit).findings == []
    assert kit.add_loaded(loaded(kit, "abc")).findings == ()


def test_a_folder_is_not_verified_against_an_altered_kept_manifest(kit: Kit, tmp_path: Path) -> None:
    """Its files would be called extras for no reason."""
    [kept] = (kit.root / "manifests").iterdir()
    spoil(kept)
    command = [
        sys.executable,
        "-m",
        "bundlekeeper",
        "verify",
        "--at",
        str(kit.source),
        "--store",
        str(kit.root),
        "--json",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 4
    assert [f["code"] for f in json.loads(done.stdout)["findings"]] == ["altered"]


def test_after_the_database_was_lost(kit: Kit) -> None:
    """A rebuilt store database trusts nothing; a check verifies every file again and the rows are as before."""
    before = {row.place: row.sha256 for row in kit.stored()}
    with Store.open(kit.root, write=True) as store:
        store.rebuild(clock=now)
    assert kit.verifications() == {}
    result = check(kit, quick=True)
    assert (result.verified, result.trusted, result.findings) == (3, 0, [])
    assert {row.place: row.sha256 for row in kit.stored()} == before
    assert set(kit.verifications()) == set(before)


def test_hard_linked_files_are_never_trusted(tmp_path: Path) -> None:
    """ "`--quick` never trusts it": its other name is not ours."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", A)
    kit.add_loaded(loaded(kit, "a"), link="hard")
    assert kit.stored()[0].shared
    assert check(kit).verified == 1
    result = check(kit, quick=True)
    assert (result.verified, result.trusted) == (1, 0)


def test_the_same_bytes_under_two_places_are_read_once(tmp_path: Path) -> None:
    """Equal bytes are stored once, and verified once."""
    kit = Kit(stable_folder(tmp_path))
    kit.offer("a.bin", A)
    kit.add(kit.bundle("a.bin", A), kit.bundle("a.bin", A, version="6.2.0"))
    result = check(kit)
    assert (result.verified, result.bytes_read) == (2, 3000)


def test_adding_while_verifying(kit: Kit) -> None:
    """A check needs no lock until it moves something: neither waits for the other, nothing is lost."""
    kit.offer("d.bin", b"d" * 100)
    thread = threading.Thread(target=lambda: add(kit, "abc", 2))
    thread.start()
    for _ in range(5):
        assert check(kit).verified == 3
    thread.join()
    assert check(kit).findings == []


def test_the_command_line(kit: Kit, tmp_path: Path) -> None:
    """The whole way once: a spoilt file, the exit status, the JUnit file."""
    spoil(kit.root / PLACE_A)
    command = [sys.executable, "-m", "bundlekeeper", "verify", "--json", "--junit", str(tmp_path / "out.xml")]
    env = {**os.environ, "BUNDLEKEEPER_STORE": str(kit.root)}
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stderr
    assert [f["code"] for f in json.loads(done.stdout)["findings"]] == ["altered"]
    from junitparser import JUnitXml

    assert JUnitXml.fromfile(str(tmp_path / "out.xml")).failures == 1
