"""Reading and copying when the file, the device, the limits or the user get in the way, mostly in real processes."""

from __future__ import annotations

import errno
import hashlib
import os
import random
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from bundlekeeper.verification.hashing import one_pass
from bundlekeeper.verification.hashing import read as reading
from bundlekeeper.verification.hashing.door import Digest, TargetError, Task, copy_fd, digest_fd, digest_many
from tests.kits.digest_kit import child, ended, nothing_left, opened
from tests.kits.mounts import mounted
from tests.kits.sure import wait_until

BLOCK = reading.BLOCK_BYTES
ALONE = pytest.mark.parametrize("size", [BLOCK * 2 + 5, one_pass.RING_BYTES * 2 + 5], ids=["in place", "read ahead"])


@pytest.fixture(autouse=True)
def _nothing_left() -> Iterator[None]:
    with nothing_left():
        yield


def _digest_while(path: Path, change: str, size: int) -> Digest:
    """Digest the file; after the first block, change it in the way named."""
    done: list[int] = []

    def on_bytes(count: int) -> None:
        if not done:
            if change == "shrinks":
                os.truncate(path, BLOCK + 100)
            elif change == "grows":
                with path.open("ab") as stream:
                    stream.write(b"more")
            else:
                path.unlink()
        done.append(count)

    path.write_bytes(random.Random(size).randbytes(size))
    with opened(path) as fd:
        return digest_fd(fd, on_bytes=on_bytes)


@pytest.mark.fault(21)
@ALONE
@pytest.mark.parametrize("change", ["shrinks", "grows", "is removed"])
def test_a_file_that_changes_meanwhile(tmp_path: Path, size: int, change: str) -> None:
    """ "a file that shrinks must never kill the process": what comes back is the digest of the bytes that were read."""
    data = random.Random(size).randbytes(size)
    read = {"shrinks": data[: BLOCK + 100], "grows": data + b"more", "is removed": data}[change]
    found = _digest_while(tmp_path / "file", change, size)
    assert found == Digest(len(read), {"sha256": hashlib.sha256(read).hexdigest()})


@ALONE
def test_a_copy_of_a_file_that_shrinks(tmp_path: Path, size: int) -> None:
    data = random.Random(size).randbytes(size)
    path = tmp_path / "source"
    path.write_bytes(data)
    with opened(path) as source, opened(tmp_path / "target", os.O_RDWR | os.O_CREAT) as target:
        digest = copy_fd(source, target, on_bytes=lambda _: os.truncate(path, BLOCK + 7))
    kept = (tmp_path / "target").read_bytes()
    assert kept == data[: BLOCK + 7]
    assert digest == Digest(len(kept), {"sha256": hashlib.sha256(kept).hexdigest()})


def test_a_read_error_is_an_error(tmp_path: Path) -> None:
    """The kernel's own EIO: nothing is mapped at address 0 (proc_pid_mem(5)); and EISDIR, of a folder."""
    for path, number in ((Path("/proc/self/mem"), errno.EIO), (tmp_path, errno.EISDIR)):
        with opened(path) as fd, pytest.raises(OSError) as caught:
            digest_fd(fd)
        assert (caught.value.errno, isinstance(caught.value, TargetError)) == (number, False)


def _strace(call: str, fault: str, path: Path) -> list[str]:
    """An strace line that makes the n-th `call` on `path` fail (strace(1), "Syscall tampering")."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    line = ["strace", "-f", "-qq", "-o", "/dev/null", "-P", str(path), "-e", f"trace={call}"]
    probe = subprocess.run([*line, "true"], capture_output=True, text=True, check=False)
    if probe.returncode != 0:
        pytest.skip(f"strace cannot trace here: {probe.stderr.strip()}")
    return [*line, "-e", f"inject={call}:{fault}"]


READ_CHILD = """
import os, sys, threading
from bundlekeeper.verification.hashing.door import TargetError, copy_fd, digest_fd
source = os.open(sys.argv[1], os.O_RDONLY)
target = os.open(sys.argv[2], os.O_WRONLY | os.O_CREAT)
for act in (lambda: digest_fd(source), lambda: copy_fd(source, target)):
    os.lseek(source, 0, os.SEEK_SET)
    try:
        print("digest", act().sha256)
    except OSError as e:
        print(type(e).__name__, e.errno)
print(threading.active_count())
"""


@pytest.mark.fault(10)
@ALONE
@pytest.mark.parametrize("when", [1, 2])
def test_eio_in_the_middle_of_a_read(tmp_path: Path, size: int, when: int) -> None:
    """ "EIO while verifying: 'unreadable', not 'altered'": every read from the n-th on fails."""
    source = tmp_path / "source"
    source.write_bytes(bytes(size))
    under = _strace("readv", f"error=EIO:when={when}+", source)
    out = ended(child(READ_CHILD, source, tmp_path / "target", under=under))
    assert out.splitlines() == [f"OSError {errno.EIO}", f"OSError {errno.EIO}", "1"]


@ALONE
@pytest.mark.parametrize(("number", "when"), [("EIO", 1), ("ENOSPC", 2), ("EDQUOT", 3)])
def test_a_write_error_is_the_targets(tmp_path: Path, size: int, number: str, when: int) -> None:
    """ "no bytes mid-copy: clear error", another one than for a fault of the source."""
    source, target = tmp_path / "source", tmp_path / "target"
    source.write_bytes(bytes(size))
    under = _strace("write", f"error={number}:when={when}", target)
    out = ended(child(READ_CHILD, source, target, under=under)).splitlines()
    sha256 = hashlib.sha256(bytes(size)).hexdigest()
    assert out == [f"digest {sha256}", f"TargetError {getattr(errno, number)}", "1"]


@pytest.mark.fault(11)
@ALONE
def test_the_kernels_own_short_write(tmp_path: Path, size: int) -> None:
    """A write over RLIMIT_FSIZE is cut short, and the next is EFBIG (setrlimit(2); Python ignores SIGXFSZ)."""
    code = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (1_500_000, 1_500_000))\n" + READ_CHILD
    source, target = tmp_path / "source", tmp_path / "target"
    data = random.Random(size).randbytes(size)
    source.write_bytes(data)
    out = ended(child(code, source, target)).splitlines()
    assert out == [f"digest {hashlib.sha256(data).hexdigest()}", f"TargetError {errno.EFBIG}", "1"]
    assert target.read_bytes() == data[:1_500_000]


@pytest.mark.fault(6)
@pytest.mark.root
def test_a_full_file_system(tmp_path: Path) -> None:
    with mounted("tmpfs", tmp_path, size_mb=1) as full, opened(Path("/dev/zero")) as source:
        with opened(full / "target", os.O_WRONLY | os.O_CREAT) as target, pytest.raises(TargetError) as caught:
            copy_fd(source, target, limit=10 * BLOCK)
        assert caught.value.errno == errno.ENOSPC


def test_targets_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"abc")
    with opened(tmp_path / "a") as source:
        with opened(tmp_path / "a") as read_only, pytest.raises(TargetError) as caught:
            copy_fd(source, read_only)
        assert caught.value.errno == errno.EBADF
        with pytest.raises(TargetError):
            copy_fd(source, 1_000_000)


@pytest.mark.fault(11)
def test_signals_that_interrupt_every_call() -> None:
    """EINTR, thousands of times: a timer fires while a pipe is read and another is written (signal(7))."""
    code = """
import hashlib, os, signal, sys, threading
from bundlekeeper.verification.hashing.door import copy_fd
fired = []
signal.signal(signal.SIGALRM, lambda *_: fired.append(1))
data = os.urandom(3_000_000)
(a, b), (c, d) = os.pipe(), os.pipe()
got = []
def feed():
    with os.fdopen(b, "wb") as stream:
        stream.write(data)
def drain():
    with os.fdopen(c, "rb") as stream:
        got.append(stream.read())
threads = [threading.Thread(target=feed), threading.Thread(target=drain)]
for each in threads: each.start()
signal.setitimer(signal.ITIMER_REAL, 0.0002, 0.0002)
digest = copy_fd(a, d)
signal.setitimer(signal.ITIMER_REAL, 0)
os.close(d)
for each in threads: each.join()
print(bool(fired), got == [data], digest.sha256 == hashlib.sha256(data).hexdigest())
"""
    assert ended(child(code)) == "True True True"


SIGNAL_CHILD = """
import os, signal, sys, threading
from bundlekeeper.errors import StoppedError
from bundlekeeper.verification.hashing.door import Stop, Task, copy_fd, digest_fd, digest_many
what, how = sys.argv[1:]
stop = Stop()
if how == "flag":
    signal.signal(signal.SIGINT, lambda *_: stop.set())
def reported(count):
    if not begun:
        begun.append(count)
        print("begun", flush=True)
begun = []
zero = os.open("/dev/zero", os.O_RDONLY)
null = os.open("/dev/null", os.O_WRONLY)
try:
    if what == "digest":
        digest_fd(zero, on_bytes=reported, stop=stop)
    elif what == "copy":
        copy_fd(zero, null, on_bytes=reported, stop=stop)
    elif what == "silence":
        print("begun", flush=True)
        digest_fd(os.pipe()[0], on_bytes=reported, stop=stop)
    else:
        tasks = [Task(str(n), lambda: os.open("/dev/zero", os.O_RDONLY), 0) for n in range(int(what))]
        list(digest_many(tasks, on_bytes=reported, stop=stop))
except (KeyboardInterrupt, StoppedError) as e:
    print(type(e).__name__, threading.active_count())
"""


def is_asleep(process: subprocess.Popen[str]) -> bool:
    """Whether it waits for something, by proc_pid_stat(5): `pid (name) S`."""
    return Path(f"/proc/{process.pid}/stat").read_text("utf-8").rpartition(") ")[2].startswith("S")


@pytest.mark.fault(86)
@pytest.mark.parametrize("what", ["digest", "copy", "silence", "1", "9"])
@pytest.mark.parametrize(("how", "raised"), [("raise", "KeyboardInterrupt"), ("flag", "StoppedError")])
def test_ctrl_c_in_the_middle_of_an_endless_read(what: str, how: str, raised: str) -> None:
    """ "Ctrl-C: temp gone, right exit code": the work ends, and so have its threads."""
    process = child(SIGNAL_CHILD, what, how)
    assert process.stdout is not None
    assert process.stdout.readline() == "begun\n"
    if what == "silence":  # it said so before it began to wait
        wait_until(lambda: is_asleep(process), "a process that waits for its pipe")
    process.send_signal(signal.SIGINT)
    assert ended(process) == f"{raised} 1"


CAUGHT_ELSEWHERE = """
import os, signal, threading
from bundlekeeper.errors import StoppedError
from bundlekeeper.verification.hashing.door import Stop, Task, digest_many
stop = Stop()
signal.signal(signal.SIGINT, lambda *_: stop.set())
def reported(count):  # in the worker's thread, which catches it: nothing wakes the thread that waits for the outcomes
    signal.pthread_kill(threading.get_ident(), signal.SIGINT)
try:
    list(digest_many([Task("zero", lambda: os.open("/dev/zero", os.O_RDONLY), 0)], on_bytes=reported, stop=stop))
except StoppedError:
    print("stopped", threading.active_count())
"""


def test_ctrl_c_that_does_not_wake_the_wait_is_heeded() -> None:
    """As one that comes just before the wait begins. Handlers run in the main thread only (Python's signal module)."""
    assert ended(child(CAUGHT_ELSEWHERE)) == "stopped 1"


START_CHILD = """
import os, sys, threading
from bundlekeeper.verification.hashing.door import Task, digest_fd, digest_many
what, when = sys.argv[1:]
real, started = threading.Thread.start, []
def start(thread):
    started.append(thread)
    if len(started) == 2 and when == "before":
        raise KeyboardInterrupt
    if len(started) == 2 and when == "within":
        def wait(timeout=None):
            raise KeyboardInterrupt
        thread._started.wait = wait
    real(thread)
    if len(started) == 2 and when == "after":
        raise KeyboardInterrupt
threading.Thread.start = start
try:
    if what == "digest":
        digest_fd(os.open("/dev/zero", os.O_RDONLY), algorithms=["sha256", "sha512"])
    else:
        list(digest_many([Task(str(n), lambda: os.open("/dev/zero", os.O_RDONLY), 0) for n in range(3)], workers=3))
except KeyboardInterrupt:
    print(len(started), threading.active_count())
"""


@pytest.mark.parametrize("what", ["digest", "pool"])
@pytest.mark.parametrize("when", ["before", "within", "after"])
def test_ctrl_c_while_a_thread_is_started(what: str, when: str) -> None:
    """The moment at which an interrupt could leave a thread that nobody knows of."""
    assert ended(child(START_CHILD, what, when)) == "2 1"


def test_constant_memory_whatever_the_size(tmp_path: Path) -> None:
    """256 MiB are read and copied in an address space that has space for 48 MiB more than an idle interpreter's."""
    code = """
import os, re, resource, sys
from bundlekeeper.verification.hashing.door import Task, copy_fd, digest_fd, digest_many
now = int(re.search(r"VmSize:\\s+(\\d+)", open("/proc/self/status").read())[1]) * 1024
resource.setrlimit(resource.RLIMIT_AS, (now + (48 << 20),) * 2)
source = os.open(sys.argv[1], os.O_RDONLY)
one = digest_fd(source, algorithms=["sha256", "sha512"])
os.lseek(source, 0, os.SEEK_SET)
two = copy_fd(source, os.open("/dev/null", os.O_WRONLY))
(three,) = digest_many([Task("a", lambda: os.open(sys.argv[1], os.O_RDONLY), 1 << 28)])
print(one.size, one.sha256, two.sha256 == one.sha256, three.digest.sha256 == one.sha256)
"""
    with (tmp_path / "sparse").open("wb") as stream:
        stream.truncate(1 << 28)
    zeros = hashlib.sha256()
    for _ in range(1 << 4):
        zeros.update(bytes(1 << 24))
    assert ended(child(code, tmp_path / "sparse")) == f"{1 << 28} {zeros.hexdigest()} True True"


@pytest.mark.parametrize("workers", [1, 64])
def test_the_peak_stays_under_100_mb(tmp_path: Path, workers: int) -> None:
    """ "peak memory < 100 MB whatever the file size", and whatever number of workers is asked for."""
    code = """
import os, sys
from bundlekeeper.verification.hashing.door import Task, digest_many
from tests.kits.memory import peak_bytes
tasks = [Task(str(n), lambda: os.open(sys.argv[1], os.O_RDONLY), 8 << 20) for n in range(100)]
assert len({o.digest.sha256 for o in digest_many(tasks, workers=int(sys.argv[2]))}) == 1
print(peak_bytes())
"""
    (tmp_path / "file").write_bytes(random.Random(1).randbytes(8 << 20))
    assert int(ended(child(code, tmp_path / "file", str(workers)))) < 100_000_000


@pytest.fixture
def device(tmp_path: Path) -> Iterator[tuple[Path, subprocess.Popen[bytes]]]:
    """A file of 1 GiB that another process serves (FUSE), and that process; killing it is pulling the stick."""
    programs = ("nbdkit", "nbdfuse", "fusermount3")
    if missing := [name for name in programs if shutil.which(name) is None]:
        pytest.skip(f"not installed: {', '.join(missing)}")
    file = tmp_path / "device"
    file.touch()
    line = ["nbdfuse", str(file), "--command", "nbdkit", "-s", "--exit-with-parent", "pattern", "1G"]
    server = subprocess.Popen(line, stderr=subprocess.DEVNULL)
    try:
        wait_until(lambda: file.stat().st_size or server.poll() is not None, "a device, or why there is none")
        if server.poll() is not None:
            pytest.skip(f"{' '.join(line)} does not work here")
        yield file, server
    finally:
        server.kill()
        server.wait()
        subprocess.run(["fusermount3", "-u", "-z", str(file)], check=False, capture_output=True)


GONE = {errno.EIO, errno.ENOTCONN, errno.ECONNABORTED}


@pytest.mark.root
def test_a_device_that_vanishes_mid_read(device: tuple[Path, subprocess.Popen[bytes]], tmp_path: Path) -> None:
    """A stick that vanishes mid-read must never kill the process."""
    file, server = device
    with opened(tmp_path / "target", os.O_WRONLY | os.O_CREAT) as target:
        fd = os.open(file, os.O_RDONLY)
        try:
            with pytest.raises(OSError) as caught:
                copy_fd(fd, target, on_bytes=lambda _: server.kill())
        finally:
            with suppress(OSError):  # closing a file of a server that is gone fails, too
                os.close(fd)
    assert caught.value.errno in GONE
    assert not isinstance(caught.value, TargetError)


@pytest.mark.root
@pytest.mark.parametrize("others", [0, 3])
def test_a_device_that_vanishes_under_the_pool(
    device: tuple[Path, subprocess.Popen[bytes]], tmp_path: Path, others: int
) -> None:
    """That file is an error of its own; the files on other devices are read."""
    file, server = device
    begun: list[str] = []

    def on_bytes(count: int) -> None:
        if "device" in begun:
            server.kill()

    (tmp_path / "file").write_bytes(b"abc")
    tasks = [
        Task("device", lambda: os.open(file, os.O_RDONLY), 1 << 30),
        *(Task(f"other {n}", lambda: os.open(tmp_path / "file", os.O_RDONLY), 3) for n in range(others)),
    ]
    outcomes = {o.task.key: o for o in digest_many(tasks, workers=2, on_bytes=on_bytes, on_file=begun.append)}
    bad = outcomes.pop("device")
    assert (bad.digest, bad.changed) == (None, True)
    assert bad.error is not None
    assert bad.error.errno in GONE
    assert len(outcomes) == others
    assert all(o.digest == Digest(3, {"sha256": hashlib.sha256(b"abc").hexdigest()}) for o in outcomes.values())
