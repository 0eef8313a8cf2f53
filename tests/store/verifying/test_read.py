"""The reading: what is left out and said so, devices that fail, stops and kills, and a naive oracle."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import KeeperError, UnfinishedError
from bundlekeeper.findings import exit_status
from bundlekeeper.model.progress import Silent
from bundlekeeper.model.verify_result import VerifyResult
from bundlekeeper.store.database.store_database import StoreDatabase
from bundlekeeper.store.verifying import read
from bundlekeeper.store.verifying.read import ReadingLimits
from bundlekeeper.store.verifying.verify import CheckMeans, check_folder
from bundlekeeper.verification.hashing.read import Stop
from tests.kits.checking import Known, check, fill, found, listing, listing_for, now, sha256
from tests.kits.mounts import mounted, stable_folder
from tests.kits.store_kit import unclosable

ROOT = Path(__file__).parents[3]
FILES = {f"{n:02}.bin": bytes([n]) * (1000 + n) for n in range(12)}
NAMES = sorted(FILES)


def statuses(result: VerifyResult) -> dict[str, str]:
    """Name to status, of the expected bundles."""
    return {r.name: r.status.value for r in result.rows if r.expected}


class Watch(Silent):
    """Remembers which files were read, in order; may do something when one is begun."""

    def __init__(self, then: Callable[[str], None] = lambda name: None) -> None:
        self.read: list[str] = []
        self.then = then

    def file(self, name: str) -> None:
        """Remember it."""
        self.read.append(name)
        self.then(name)


def watched(
    root: Path, watch: Watch, *, limits: ReadingLimits, known: Known | None = None, stop: Stop | None = None
) -> VerifyResult:
    """A check of FILES in `root` by one worker."""
    return check_folder(root, listing_for(FILES), CheckMeans(now, watch, stop), limits, known=known)


def test_a_device_that_fails_at_the_close_leaves_the_verdict(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "EIO while verifying ... go on": what was read is judged, whatever the close of its file says."""
    fill(tmp_path, {"zeros.bin": bytes(1000), "b.bin": b"b"})
    expected = listing_for({"zeros.bin": b"z" * 1000, "b.bin": b"b"})
    monkeypatch.setattr(os, "close", unclosable({(tmp_path / "zeros.bin").stat().st_ino}))
    result = check_folder(tmp_path, expected, CheckMeans(now, Silent()), ReadingLimits(workers=1))
    assert statuses(result) == {"zeros.bin": "altered", "b.bin": "ok"}
    assert "all bytes are zero" in result.findings[0].message


# What is left out


def test_older_than_reads_the_stalest_first_and_counts_the_rest(tmp_path: Path) -> None:
    """ "`--older-than 30d` re-verifies the stalest first"; what has no verification comes before all."""
    root, known = fill(tmp_path, FILES), Known()
    check(root, listing_for(FILES), known=known)
    known.age(timedelta(days=31), NAMES[3])
    known.age(timedelta(days=90), NAMES[7])
    known.age(timedelta(days=29), NAMES[5])
    del known.kept[str(root.resolve() / NAMES[9])]
    watch = Watch()
    result = watched(root, watch, limits=ReadingLimits(older_than_s=30 * 86400, workers=1), known=known)
    assert watch.read == [NAMES[9], NAMES[7], NAMES[3]]
    assert (result.verified, result.skipped, result.unverified, result.findings) == (3, 9, 0, [])
    assert statuses(result)[NAMES[5]] == "not-read"
    assert statuses(result)[NAMES[3]] == "ok"


def test_older_than_reads_what_was_touched_however_young_its_verification(tmp_path: Path) -> None:
    """A changed fingerprint is always read, and so is a verification from the future."""
    root, known = fill(tmp_path, FILES), Known()
    check(root, listing_for(FILES), known=known)
    (root / NAMES[0]).write_bytes(b"\xff" * len(FILES[NAMES[0]]))
    os.utime(root / NAMES[1])
    known.age(timedelta(days=-1), NAMES[2])
    result = check(root, listing_for(FILES), known=known, older_than_s=30 * 86400)
    doubtful = next(each.subject for each in result.findings if each.code == "clock-doubtful")
    assert found(result) == {("altered", NAMES[0]), ("clock-doubtful", doubtful)}
    assert (result.verified, result.skipped) == (2, 9)


def test_quick_with_older_than_trusts_only_the_young(tmp_path: Path) -> None:
    """Both together: unchanged and young is trusted, unchanged and old is read."""
    root, known = fill(stable_folder(tmp_path), FILES), Known()
    check(root, listing_for(FILES), known=known)
    known.age(timedelta(days=31), NAMES[3])
    result = check(root, listing_for(FILES), known=known, quick=True, older_than_s=30 * 86400)
    assert (result.verified, result.trusted, result.skipped) == (1, 11, 0)


def test_no_time_at_all_verifies_nothing_and_reports_it(tmp_path: Path) -> None:
    """ "never "all OK" when nothing was hashed: print the unverified count" """
    result = check(fill(tmp_path, FILES), listing_for(FILES), max_time_s=0)
    assert result.out_of_time
    assert (result.verified, result.unverified, result.bytes_read) == (0, 12, 0)
    assert found(result) == {("unverified", name) for name in NAMES}
    assert exit_status(result.findings) == 1


def test_an_unread_stray_is_reported_as_unread(tmp_path: Path) -> None:
    """It may be the missing bundle under another name; what is not known is said."""
    root = fill(tmp_path, {"stray": FILES[NAMES[0]]})
    result = check(root, listing(*listing_for(FILES).bundles[:1]), max_time_s=0)
    assert found(result) == {("missing", NAMES[0]), ("extra", "stray")}
    assert [f.message for f in result.findings if f.code == "extra"] == [
        "not named by the manifest; it has the size of a bundle and was not read"
    ]


def test_out_of_time_in_the_middle(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No new file is begun; those begun are finished; the next run begins with what is left."""
    root, known, seconds = fill(tmp_path, FILES), Known(), [0.0]
    monkeypatch.setattr(read, "monotonic", lambda: seconds[0])

    def pass_time(_name: str) -> None:
        seconds[0] += 1

    first = watched(root, Watch(pass_time), limits=ReadingLimits(max_time_s=4, workers=1), known=known)
    assert first.out_of_time
    assert first.verified == 3, "the fourth second is over when the fourth file is to be opened"
    assert first.verified + first.unverified == 12
    watch = Watch()
    watched(root, watch, limits=ReadingLimits(max_time_s=1000, workers=1), known=known)
    assert set(watch.read[: first.unverified]) == {n for n, s in statuses(first).items() if s == "unverified"}


def test_two_names_of_one_file_are_read_once(tmp_path: Path) -> None:
    """Equal bytes are stored once; both names are verified by one read."""
    root = fill(stable_folder(tmp_path), {"a.bin": b"same" * 500})
    (root / "b.bin").hardlink_to(root / "a.bin")
    wanted, known = listing_for({"a.bin": b"same" * 500, "b.bin": b"same" * 500}), Known()
    result = check(root, wanted, known=known)
    assert (result.verified, result.files_read, result.bytes_read) == (2, 1, 2000)
    assert check(root, wanted, known=known, quick=True).trusted == 2


# Devices and databases that fail


@pytest.mark.fault(10)
@pytest.mark.root
def test_a_device_that_fails_in_the_middle(tmp_path: Path) -> None:
    """A real EIO is 'unreadable', not 'altered', and the rest goes on. The device is cut short."""
    with mounted("ext4", tmp_path) as point:
        small, big = b"small" * 1000, os.urandom(12 << 20)
        fill(point, {"small.bin": small, "big.bin": big})
        os.sync()
        fd = os.open(point / "big.bin", os.O_RDONLY)
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(fd)
        image = tmp_path / "ext4.img"
        [device] = [
            line.split(":")[0]
            for line in subprocess.run(
                ["losetup", "-j", image], capture_output=True, text=True, check=True
            ).stdout.split("\n")
            if line
        ]
        os.truncate(image, 8 << 20)
        subprocess.run(["losetup", "-c", device], check=True)
        known = Known()
        result = check(point, listing_for({"small.bin": small, "big.bin": big}), known=known)
    assert found(result) - {("extra", "lost+found")} == {("unreadable", "big.bin")}
    assert statuses(result) == {"small.bin": "ok", "big.bin": "unreadable"}
    assert (result.verified, result.unverified) == (1, 1)
    assert exit_status(result.findings) == 3
    assert [Path(p).name for p in known.kept] == ["small.bin"]


def test_a_file_that_changes_while_it_is_read(tmp_path: Path) -> None:
    """Fstat before and after differ: no digest, no verification, neither right nor wrong."""
    data = b"a" * (4 << 20)
    root, known = fill(tmp_path, {"a.bin": data}), Known()

    class Meddler(Silent):
        def advance(self, count: int) -> None:
            """Write a byte, the same as before, when a block was read."""
            with (root / "a.bin").open("r+b") as file:
                file.write(b"a")

    result = check_folder(
        root, listing_for({"a.bin": data}), CheckMeans(now, Meddler()), ReadingLimits(workers=1), known=known
    )
    assert found(result) == {("unreadable", "a.bin")}
    assert "changed while it was read" in result.findings[0].message
    assert known.kept == {}


@pytest.mark.fault(21)
def test_a_file_that_goes_away_before_it_is_read(tmp_path: Path) -> None:
    """A name that vanished after the walk is unreadable, not altered."""
    root = fill(tmp_path, FILES)

    def remove(name: str) -> None:
        if name == NAMES[-1]:  # the largest is read first
            (root / NAMES[0]).unlink(missing_ok=True)

    result = watched(root, Watch(remove), limits=ReadingLimits(workers=1))
    assert found(result) == {("unreadable", NAMES[0])}


class _FullVerifications(Known):
    """A database on a disk without space."""

    def record_verifications(self, verifications: object) -> None:
        """Fail."""
        raise UnfinishedError("no space")


def test_verifications_that_cannot_be_recorded(tmp_path: Path) -> None:
    """The verification goes on and its result is kept; that nothing was recorded is reported."""
    result = check(fill(tmp_path, FILES), listing_for(FILES), known=_FullVerifications())
    assert result.verified == 12
    assert isinstance(result.trouble, KeeperError)
    assert result.trouble.message == "no space"


# Stops and kills


def test_a_stop_keeps_what_is_verified(tmp_path: Path) -> None:
    """ "Interrupt it: what is verified stays verified"; what was not read is counted and named."""
    root, known, stop = fill(tmp_path, FILES), Known(), Stop()
    watch = Watch(lambda name: stop.set() if name == NAMES[5] else None)
    result = watched(root, watch, limits=ReadingLimits(workers=1), known=known, stop=stop)
    assert result.stopped
    assert 0 < result.verified < 12
    assert result.verified + result.unverified == 12
    assert {Path(p).name for p in known.kept} == {n for n, s in statuses(result).items() if s == "ok"}
    assert {f.code for f in result.findings} == {"unverified"}


CHILD = """
import json, sys
from pathlib import Path
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.model.progress import Silent
from bundlekeeper.verification.hashing.read import Stop
from bundlekeeper.store.verifying import read as verifying
from bundlekeeper.store.database.store_database import StoreDatabase
from bundlekeeper.store.verifying.read import ReadingLimits
from bundlekeeper.store.verifying.verify import CheckMeans, check_folder
from tests.kits.checking import facts, listing, now
from tests.kits.sure import wait_until

begun = []
verifying.monotonic = lambda: len(begun) / 20  # every file takes 0.05 s

class Noted(Silent):
    def file(self, name):
        begun.append(name)
        if len(begun) == 30:
            print("here", flush=True)
            wait_until(stop.is_set, "the signal")

root, path = Path(sys.argv[1]), Path(sys.argv[2])
wanted = json.loads(Path(sys.argv[3]).read_text())
bundles = [facts(name, bytes([byte]) * size) for name, byte, size in wanted]
stop = Stop()
SIGNALS.install()
with StoreDatabase.open(path, write=True) as known, SIGNALS.guarded(stop):
    means = CheckMeans(now, Noted(), stop)
    result = check_folder(root, listing(*bundles), means, ReadingLimits(workers=1), known=known)
print("RESULT", json.dumps([result.stopped, result.verified, result.unverified]), flush=True)
"""


@pytest.mark.fault(14)
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_a_process_that_is_stopped_or_killed(tmp_path: Path, number: signal.Signals) -> None:
    """ "goes on from where it was; skips nothing"; with SIGKILL at most half a second is lost."""
    files = {f"{n:03}.bin": bytes([n]) * 2000 for n in range(60)}
    root = fill(tmp_path / "root", files)
    path = tmp_path / "book.sqlite"
    path.touch()
    StoreDatabase.create(path).close()
    (tmp_path / "wanted.json").write_text(json.dumps([[name, data[0], len(data)] for name, data in files.items()]))
    script = [sys.executable, "-c", textwrap.dedent(CHILD), str(root), str(path), str(tmp_path / "wanted.json")]
    with subprocess.Popen(script, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "here\n"
        child.send_signal(number)
        rest = child.stdout.read()
    with StoreDatabase.open(path, write=False) as database:
        kept = database.verifications()
    assert all(verification.sha256 == sha256(files[Path(place).name]) for place, verification in kept.items())
    if number == signal.SIGKILL:
        assert 10 <= len(kept) <= 30  # half a second is ten files, and a few more were read and not yet looked at
    else:
        stopped, verified, unverified = json.loads(rest.partition("RESULT ")[2])
        assert stopped
        assert 25 <= verified <= 30
        assert verified + unverified == 60
        assert len(kept) == verified
    with StoreDatabase.open(path, write=True) as database:
        means = CheckMeans(now, Silent())
        again = check_folder(root, listing_for(files), means, ReadingLimits(older_than_s=86400), known=database)
    assert (again.verified, again.skipped, again.findings) == (60 - len(kept), len(kept), [])


@pytest.mark.fault(10)
def test_an_error_injected_into_every_read_of_one_file(tmp_path: Path) -> None:
    """EIO from the kernel's own mouth, in a process of its own."""
    tried = shutil.which("strace") and subprocess.run(
        ["strace", "-o", "/dev/null", "true"], capture_output=True, check=False
    )
    if not tried or tried.returncode != 0:
        pytest.skip("strace is not there or may not trace")
    root = fill(tmp_path / "root", {"a.bin": b"a" * 9000, "b.bin": b"b" * 9000})
    path = tmp_path / "book.sqlite"
    path.touch()
    StoreDatabase.create(path).close()
    (tmp_path / "wanted.json").write_text(json.dumps([["a.bin", ord("a"), 9000], ["b.bin", ord("b"), 9000]]))
    calls = "read,pread64,readv,preadv,preadv2,mmap"
    command = ["strace", "-f", "-qq", "-o", "/dev/null", "-P", str(root.resolve() / "a.bin")]
    command += ["-e", f"trace={calls}", "-e", f"inject={calls}:error=EIO", sys.executable, "-c", CHILD]
    command += [str(root), str(path), str(tmp_path / "wanted.json")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert "RESULT" in done.stdout, done.stderr
    assert json.loads(done.stdout.partition("RESULT ")[2]) == [False, 1, 1]
    with StoreDatabase.open(path, write=False) as database:
        assert [Path(p).name for p in database.verifications()] == ["b.bin"]


# A naive oracle


def _naive(root: Path, wanted: dict[str, bytes]) -> dict[str, str]:
    """Bundle to status by hashing everything and asking the simplest questions."""
    digests = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in root.iterdir() if p.is_file()}
    sizes = {p.name: p.stat().st_size for p in root.iterdir()}
    expected = {name: sha256(data) for name, data in wanted.items()}
    answer = {}
    for name, data in wanted.items():
        if name not in digests:
            answer[name] = "misnamed" if expected[name] in digests.values() else "missing"
        elif digests[name] == expected[name]:
            answer[name] = "ok"
        elif digests[name] in expected.values():
            answer[name] = "misnamed"
        elif sizes[name] != len(data):
            answer[name] = "truncated" if sizes[name] < len(data) else "extended"
        else:
            answer[name] = "altered"
    return answer


BUNDLES = {"a.bin": b"a" * 40, "b.bin": b"b" * 40, "c.bin": b"c" * 41, "d.bin": b"d" * 60, "e.bin": b""}
names = st.sampled_from([*BUNDLES, "x.bin", "y.bin", "A.BIN"])
mutations = st.one_of(
    st.tuples(st.just("flip"), names, st.integers(0, 59)),
    st.tuples(st.just("cut"), names, st.integers(0, 60)),
    st.tuples(st.just("grow"), names, st.integers(1, 3)),
    st.tuples(st.just("remove"), names, st.just(0)),
    st.tuples(st.just("swap"), names, st.integers(0, 7)),
    st.tuples(st.just("copy"), names, st.integers(0, 7)),
    st.tuples(st.just("restore"), names, st.just(0)),
)


def _mutate(root: Path, what: str, name: str, number: int) -> None:
    path, other = root / name, root / [*BUNDLES, "x.bin", "y.bin", "A.BIN"][number % 8]
    data = path.read_bytes() if path.exists() else b""
    if what == "restore" and name in BUNDLES:
        path.write_bytes(BUNDLES[name])
    elif not path.exists():
        return
    elif what == "flip" and data:
        stat = path.stat()
        at = number % len(data)
        path.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    elif what == "cut":
        path.write_bytes(data[:number])
    elif what == "grow":
        path.write_bytes(data + bytes(number))
    elif what == "remove":
        path.unlink()
    elif what == "copy":
        other.write_bytes(data)
    elif what == "swap" and other != path:
        path.rename(root / "swap")
        if other.exists():
            other.rename(path)
        (root / "swap").rename(other)


@settings(max_examples=60)
@given(st.lists(st.tuples(mutations, st.sampled_from(["full", "quick", "nothing"])), max_size=8))
def test_against_a_naive_run_that_hashes_everything(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[tuple[str, str, int], str]]
) -> None:
    """Whatever is done to the folder, between full and quick checks, every row is what hashing all of it says."""
    root, known, wanted = fill(tmp_path_factory.mktemp("naive"), BUNDLES), Known(), listing_for(BUNDLES)
    for (what, name, number), then in [*steps, (("none", "a.bin", 0), "quick"), (("none", "a.bin", 0), "full")]:
        _mutate(root, what, name, number)
        if then == "nothing":
            continue
        result = check(root, wanted, known=known, quick=then == "quick")
        plain = {n: "ok" if s == "trusted" else s for n, s in statuses(result).items()}
        assert plain == _naive(root, BUNDLES)
        strays = {p.name for p in root.iterdir()} - set(BUNDLES)
        assert strays == {f.subject for f in result.findings if f.subject in strays}


def test_the_listing_may_be_empty(tmp_path: Path) -> None:
    """No bundles: everything is extra, nothing is verified, nothing is read."""
    result = check(fill(tmp_path, FILES), listing())
    assert {f.code for f in result.findings} == {"extra"}
    assert (result.verified, result.bytes_read) == (0, 0)
