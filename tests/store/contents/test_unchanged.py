"""`--quick`: what it trusts, and every way to change bytes behind its back that we know of."""

from __future__ import annotations

import mmap
import os
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from bundlekeeper.model.progress import Silent
from bundlekeeper.store.contents import unchanged
from bundlekeeper.store.disk.files import fingerprint_of
from bundlekeeper.store.disk.filesystem import UNKNOWN, describe
from bundlekeeper.store.disk.walk import walk
from bundlekeeper.store.verifying.read import Candidate, How, ReadingLimits, Verifier
from tests.kits.checking import Known, check, fill, found, listing, listing_for, now
from tests.kits.mounts import mounted, stable_folder
from tests.kits.sure import wait_until

A, B, X = b"a" * 5000, b"b" * 6000, b"x" * 5000
FILES = {"a.bin": A, "b.bin": B}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A folder of two right files where identities are stable."""
    return fill(stable_folder(tmp_path) / "root", FILES)


def test_unchanged_files_are_trusted_and_counted(root: Path) -> None:
    """ "`--quick` trusts an unchanged ... and says how many it trusted"; right after the full verification, too."""
    ledger = Known()
    full = check(root, listing_for(FILES), known=ledger)
    assert (full.verified, full.trusted) == (2, 0)
    quick = check(root, listing_for(FILES), known=ledger, quick=True)
    assert (quick.verified, quick.trusted, quick.bytes_read) == (0, 2, 0)
    assert {r.status for r in quick.rows} == {"trusted"}
    assert [r.verified_at for r in quick.rows] == [r.verified_at for r in full.rows]


def test_nothing_is_trusted_without_a_verification(root: Path) -> None:
    """The first quick check reads everything, and its reads are verifications."""
    ledger = Known()
    assert check(root, listing_for(FILES), known=ledger, quick=True).verified == 2
    assert check(root, listing_for(FILES), known=ledger, quick=True).trusted == 2
    assert check(root, listing_for(FILES), quick=True).verified == 2


def test_a_verification_of_another_digest_is_not_trusted(root: Path) -> None:
    """A new manifest with another digest for the name: the file is read, and altered."""
    ledger = Known()
    check(root, listing_for(FILES), known=ledger)
    result = check(root, listing_for({**FILES, "a.bin": X}), known=ledger, quick=True)
    assert found(result) == {("altered", "a.bin")}
    assert (result.trusted, result.bytes_read) == (1, len(A))


def _rewrite(path: Path) -> None:
    path.write_bytes(X)


def _rewrite_and_restore(path: Path) -> None:
    old = path.stat()
    path.write_bytes(X)
    os.utime(path, ns=(old.st_atime_ns, old.st_mtime_ns))


def _replace(path: Path) -> None:
    old = path.stat()
    new = path.parent / "new"
    new.write_bytes(X)
    os.utime(new, ns=(old.st_atime_ns, old.st_mtime_ns))
    new.rename(path)


def _map(path: Path) -> None:
    old = path.stat()
    with path.open("r+b") as file, mmap.mmap(file.fileno(), len(X)) as view:
        view[:] = X
    os.utime(path, ns=(old.st_atime_ns, old.st_mtime_ns))


def _unlink_and_write(path: Path) -> None:
    old = path.stat()
    path.unlink()
    path.write_bytes(X)  # the inode's number is often given again at once
    os.utime(path, ns=(old.st_atime_ns, old.st_mtime_ns))


CHANGES: list[Callable[[Path], None]] = [_rewrite, _rewrite_and_restore, _replace, _map, _unlink_and_write]


@pytest.mark.parametrize("change", CHANGES)
def test_every_change_is_found(root: Path, change: Callable[[Path], None]) -> None:
    """Same size, modification time restored, same inode number, through a memory map: all of it shows."""
    ledger = Known()
    check(root, listing_for(FILES), known=ledger)
    change(root / "a.bin")
    result = check(root, listing_for(FILES), known=ledger, quick=True)
    assert found(result) == {("altered", "a.bin")}
    assert result.trusted == 1


@pytest.mark.parametrize("change", [_rewrite_and_restore, _map])
def test_a_change_in_the_same_tick_as_the_verification(root: Path, change: Callable[[Path], None]) -> None:
    """ "safe against a change in the same clock tick as the verification", many times, as fast as it goes.

    Each round writes the right bytes, verifies them and changes them at once; a quick check must never trust them.
    """
    path, wanted = root / "a.bin", listing(*listing_for(FILES).bundles[:1])
    (root / "b.bin").unlink()
    for _ in range(20):
        ledger = Known()
        path.write_bytes(A)
        assert check(root, wanted, known=ledger).verified == 1
        change(path)
        assert found(check(root, wanted, known=ledger, quick=True)) == {("altered", "a.bin")}


@pytest.mark.root
def test_the_same_tick_where_ticks_are_long(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The attack has teeth: with times of whole seconds it succeeds as soon as the rule about ticks is switched off."""
    with mounted("ext4-whole-seconds", tmp_path) as point:
        path, wanted = point / "a.bin", listing(*listing_for(FILES).bundles[:1])

        def attack() -> set[tuple[str, str]]:
            ledger = Known()
            wait_until(lambda: time.time() % 1 < 0.1, "the beginning of a second")
            path.write_bytes(A)
            assert check(point, wanted, known=ledger).verified == 1
            _rewrite_and_restore(path)
            return found(check(point, wanted, known=ledger, quick=True))

        assert attack() == {("altered", "a.bin")}
        monkeypatch.setattr(unchanged, "margin_ns", lambda stamp_ns: 0)
        wait_until(lambda: attack() == set(), "an attack within one second, which goes unseen")


def test_a_change_just_before_the_verification_is_waited_out(root: Path) -> None:
    """Not only is such a verification not trusted: the reader waits for the next tick, so that it can be."""
    ledger = Known()
    for _ in range(10):
        (root / "a.bin").write_bytes(A)
        check(root, listing_for(FILES), known=ledger)
        assert check(root, listing_for(FILES), known=ledger, quick=True).trusted == 2


def test_a_file_open_for_writing_gives_no_trust(root: Path) -> None:
    """A long write call is stamped once, when it begins: whoever writes during the verification may go on after it."""
    ledger = Known()
    with (root / "a.bin").open("r+b"):
        assert check(root, listing_for(FILES), known=ledger).verified == 2
    result = check(root, listing_for(FILES), known=ledger, quick=True)
    assert (result.verified, result.trusted) == (1, 1)


def test_a_writable_map_that_is_older_than_the_verification(root: Path) -> None:
    """A map's page is stamped once, at its first write; later writes to it leave no trace until write-back."""
    path, ledger = root / "a.bin", Known()
    with path.open("r+b") as file, mmap.mmap(file.fileno(), len(A)) as view:
        view[0] = A[0]  # stamped now; the page stays writable
        stamp = fingerprint_of(path.stat())
        wait_until(
            lambda: unchanged.is_settled(stamp, unchanged.file_clock_ns()), "a stamp that no tick makes doubtful"
        )
        assert check(root, listing_for(FILES), known=ledger).verified == 2
        view[1] = X[1]
        assert fingerprint_of(path.stat()) == stamp, (
            "this kernel stamps every mapped write; the case needs another setting"
        )
        assert found(check(root, listing_for(FILES), known=ledger, quick=True)) == {("altered", "a.bin")}


def test_a_writer_that_comes_while_the_lease_is_asked_for(root: Path) -> None:
    """Asking who writes must neither kill us by a signal nor fail an ordinary writer."""
    path = root / "a.bin"
    child = os.fork()
    if child == 0:
        fd = os.open(path, os.O_RDONLY)
        for _ in range(30_000):
            unchanged.nobody_writes(fd)
        os._exit(0)
    ended = 0
    while not ended:
        with path.open("r+b") as file:  # an OSError here fails the test
            file.write(A[:1])
        ended, status = os.waitpid(child, os.WNOHANG)
    assert status == 0


def test_the_kind_of_file_system_decides_whatever_the_verification_is(root: Path) -> None:
    """A verification that was recorded as trustworthy is not trusted where identities are not stable."""
    ledger = Known()
    check(root, listing_for(FILES), known=ledger)
    verification = ledger.kept[str(root.resolve() / "a.bin")]
    assert unchanged.may_trust(verification, verification.fingerprint, describe(root), now())
    assert not unchanged.may_trust(verification, verification.fingerprint, UNKNOWN, now())


def test_a_file_shared_with_others_is_never_trusted(root: Path) -> None:
    """Neither by an earlier trustworthy verification nor by the one that is made."""
    ledger = Known()
    check(root, listing_for(FILES), known=ledger)
    [entry] = [e for e in walk(root) if e.name == "a.bin"]
    shared = Candidate(entry, str(root.resolve() / "a.bin"), describe(root), never_trust=True)
    for _ in range(2):
        verifier = Verifier(
            ReadingLimits(quick=True), known=ledger, record=True, clock=now, progress=Silent(), stop=None
        )
        assert verifier.run([shared]).known["a.bin"].how is How.READ
    assert not ledger.kept[shared.key].trustworthy


def test_touching_a_mode_makes_it_read_again(root: Path) -> None:
    """A change of mode or owner stamps the ctime: it costs a read and nothing else."""
    ledger = Known()
    check(root, listing_for(FILES), known=ledger)
    (root / "a.bin").chmod(0o400)
    result = check(root, listing_for(FILES), known=ledger, quick=True)
    assert (result.verified, result.trusted, result.findings) == (1, 1, [])


def test_a_clock_that_was_set_back(root: Path) -> None:
    """A verification from the future is not trusted."""
    ledger = Known()
    check(root, listing_for(FILES), known=ledger)
    ledger.age(timedelta(seconds=-30), "a.bin")
    result = check(root, listing_for(FILES), known=ledger, quick=True)
    assert (result.verified, result.trusted) == (1, 1)


def test_a_stamp_from_the_future_is_never_trusted(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A clock that was set back before the verification: C does not lie before B."""
    ledger = Known()
    real = unchanged.file_clock_ns
    monkeypatch.setattr(unchanged, "file_clock_ns", lambda: real() - 3_600_000_000_000)
    check(root, listing_for(FILES), known=ledger)
    monkeypatch.undo()
    assert check(root, listing_for(FILES), known=ledger, quick=True).trusted == 0


def test_a_whole_second_needs_a_whole_second() -> None:
    """A stamp without nanoseconds may be one that was cut off: its tick is a second."""
    from bundlekeeper.store.disk.files import Fingerprint

    second = 1_700_000_000 * 10**9
    whole, fine = Fingerprint(1, second, second, 1, 1), Fingerprint(1, second, second + 1, 1, 1)
    assert not unchanged.is_settled(whole, second + 10**9)
    assert unchanged.is_settled(whole, second + 10**9 + 100_000_000)
    assert not unchanged.is_settled(fine, second + 5_000_000)
    assert unchanged.is_settled(fine, second + 100_000_000)


def test_an_old_verification_that_is_trusted_is_reported(root: Path) -> None:
    """stale-verification: a trusted verification older than the store allows."""
    ledger = Known()
    check(root, listing_for(FILES), known=ledger)
    ledger.age(timedelta(days=40), "a.bin")
    result = check(root, listing_for(FILES), known=ledger, quick=True, max_age_s=30 * 86400)
    assert found(result) == {("stale-verification", "a.bin")}
    assert "40 days ago" in result.findings[0].message
    assert result.trusted == 2
    assert check(root, listing_for(FILES), known=ledger, max_age_s=30 * 86400).findings == []


@pytest.mark.root
@pytest.mark.parametrize("kind", ["exfat-fuse", "fat-fuse", "tmpfs"])
def test_nothing_is_trusted_without_stable_identities(tmp_path: Path, kind: str) -> None:
    """Trusting nothing on file systems without stable inode and ctime (FAT, exFAT, network)."""
    with mounted(kind, tmp_path) as point:
        fill(point, FILES)
        ledger = Known()
        assert check(point, listing_for(FILES), known=ledger).verified == 2
        result = check(point, listing_for(FILES), known=ledger, quick=True)
        assert (result.verified, result.trusted) == (2, 0)
        assert result.untrusted_because == f"{describe(point).name}: {describe(point).reason}"
        assert not any(p.trustworthy for p in ledger.kept.values())


@pytest.mark.root
@pytest.mark.parametrize(
    ("kind", "change"),
    [
        ("ext4", _map),
        ("xfs", _rewrite_and_restore),
        ("xfs", _map),
        ("overlay", _rewrite_and_restore),
        ("overlay", _map),
        ("ext4-whole-seconds", _rewrite_and_restore),
    ],
)
def test_changes_on_other_file_systems(tmp_path: Path, kind: str, change: Callable[[Path], None]) -> None:
    """The same promise where times are whole seconds and where a layer lies between."""
    with mounted(kind, tmp_path) as point:
        if not describe(point).stable_identity:
            pytest.skip(describe(point).reason)
        fill(point, FILES)
        if kind == "ext4-whole-seconds":
            assert (point / "a.bin").stat().st_ctime_ns % 10**9 == 0
        ledger = Known()
        check(point, listing_for(FILES), known=ledger)
        assert check(point, listing_for(FILES), known=ledger, quick=True).trusted == 2
        change(point / "a.bin")
        assert found(check(point, listing_for(FILES), known=ledger, quick=True)) == {("altered", "a.bin")}


@pytest.mark.root
def test_another_owners_file_gives_no_trust_to_a_plain_user(root: Path) -> None:
    """Only the owner or root may ask the kernel who writes; without the answer there is no trust."""
    if os.geteuid() != 0:
        pytest.skip("needs root, to give its rights up")
    fd = os.open(root / "a.bin", os.O_RDONLY)
    assert unchanged.nobody_writes(fd)
    child = os.fork()
    if child == 0:
        try:
            os.setgid(65534)
            os.setuid(65534)
            os._exit(1 if unchanged.nobody_writes(fd) else 0)
        finally:
            os._exit(2)
    os.close(fd)
    assert os.waitpid(child, 0)[1] == 0


def test_the_clocks_agree() -> None:
    """The coarse clock is never ahead, and by no more than a few ticks behind."""
    for _ in range(100):
        before, coarse, after = time.time_ns(), unchanged.file_clock_ns(), time.time_ns()
        assert before - 10**8 < coarse <= after
    before, seen, after = time.time_ns(), now().timestamp() * 10**9, time.time_ns()
    assert before - 10**6 < seen < after + 10**6
