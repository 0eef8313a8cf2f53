"""Many processes, dead ones, poor ones and ones with a wrong clock: what each leaves behind for the next.

Real processes, the kernel's own limits and locks, and faketime for the clock.
"""

from __future__ import annotations

import ast
import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bundlekeeper.errors import LockedError, RefusedError
from bundlekeeper.jobs.session import Caller, Session
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.store.contents import store as layout
from bundlekeeper.store.disk.filesystem import KINDS
from tests.conftest import Keeper, World
from tests.kits.full_disks import litter
from tests.kits.kills import GOOD, ROOT, fresh, sha256
from tests.kits.ledger_history import DAY0, read
from tests.kits.store_kit import Kit

NFS = 0x6969  # NFS_SUPER_MAGIC, linux/magic.h


# Twenty at once


@pytest.mark.fault(76)
@pytest.mark.parametrize("count", [2, 20])
def test_twenty_processes_at_once(tmp_path: Path, count: int) -> None:
    """ "two runs with one file: one wins; equal bytes succeed", while others read"""
    base = fresh(tmp_path / "base")
    command = [sys.executable, "-m", "tests.kits.store_child", str(base), "300"]
    started = [subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) for _ in range(count)]
    while any(process.poll() is None for process in started):
        if (base / "store/.keeper/store.sqlite").exists():
            assert {row.name for row in Kit(base).stored()} <= {"a.bin", "same.bin"}
            with contextlib.suppress(subprocess.TimeoutExpired):
                started[-1].wait(0.05)
    said = [json.loads(process.communicate()[0]) for process in started]
    statuses = [each["statuses"] for each in said]
    assert sorted(s[0] for s in statuses) == ["added"] + ["already there"] * (count - 1)
    assert sorted(s[1] for s in statuses) == ["already there"] * (count - 1) + ["same bytes"]
    assert {s[2] for s in statuses} == {"quarantined"}
    assert len(list((base / "store/quarantine").iterdir())) == 2  # one file and its note, however often it was met
    assert litter(base / "store") == []


# Dead ones

HOLDER = """
import sys
from datetime import datetime, UTC
from pathlib import Path
from bundlekeeper.store.disk import lock
from bundlekeeper.store.contents.store import Store
with Store.open(Path(sys.argv[1]), write=True) as store:
    with lock.held(store.fd, "store add", clock=lambda: datetime.now(UTC)):
        print("locked", flush=True)
        sys.stdin.read()
"""


@pytest.mark.fault(77)
def test_a_killed_holder_leaves_no_lock(tmp_path: Path) -> None:
    """Lock of a dead process: flock, freed by the kernel; no PID files."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    pipe = subprocess.PIPE
    holder = subprocess.Popen([sys.executable, "-c", HOLDER, kit.root], stdin=pipe, stdout=pipe, text=True)
    assert holder.stdout is not None
    assert holder.stdout.readline() == "locked\n"
    with pytest.raises(LockedError, match=str(holder.pid)):
        kit.add(kit.bundle("a.bin", GOOD))
    holder.send_signal(signal.SIGKILL)
    holder.communicate()
    assert str(holder.pid) in (kit.root / ".keeper/lock").read_text()  # it still says so, and decides nothing
    assert kit.add(kit.bundle("a.bin", GOOD)).counts == {"added": 1}


# Poor ones


@contextlib.contextmanager
def memory_group(limit_bytes: int) -> Iterator[Path]:
    """A control group with so much memory; a process joins it by writing its number there (cgroups(7))."""
    if os.geteuid() != 0:
        pytest.skip("a control group needs root")
    root = Path("/sys/fs/cgroup")
    first = (root / "memory/memory.limit_in_bytes").exists()
    group = (root / "memory" if first else root) / f"bundlekeeper-test-{os.getpid()}"
    try:
        group.mkdir()
        (group / ("memory.limit_in_bytes" if first else "memory.max")).write_text(str(limit_bytes))
    except OSError as e:
        with contextlib.suppress(OSError):
            group.rmdir()
        pytest.skip(f"no control group for memory here: {e}")
    try:
        yield group / "cgroup.procs"
    finally:
        with contextlib.suppress(OSError):
            group.rmdir()


HUNGRY = """
import os, sys
from pathlib import Path
Path(sys.argv[2]).write_text(str(os.getpid()))
from bundlekeeper.model.progress import Silent
from tests.kits.store_child import bundles_of
from tests.kits.store_kit import Kit
class Hungry(Silent):
    eaten = []
    def advance(self, count):
        while True:
            self.eaten.append(b"x" * (1 << 20))
base = Path(sys.argv[1])
Kit(base).add(*bundles_of(Kit(base), base), progress=Hungry())
"""


@pytest.mark.fault(20)
@pytest.mark.root
def test_killed_for_lack_of_memory(tmp_path: Path) -> None:
    """ "out-of-memory kill: as 1": the kernel kills a run in the middle of a file"""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD * 100_000)
    data = GOOD * 100_000
    (tmp_path / "bundles.json").write_text(json.dumps([["a.bin", len(data), sha256(data), "6.1.0"]]))
    with memory_group(160 << 20) as join:
        done = subprocess.run(
            [sys.executable, "-c", HUNGRY, tmp_path, join], cwd=ROOT, capture_output=True, text=True, check=False
        )
    assert done.returncode == -signal.SIGKILL, done.stderr
    assert kit.tree().keys() == {k for k in kit.tree() if k.startswith("manifests/")}
    assert kit.add(kit.bundle("a.bin", data), manifest=2, wait_s=10).counts == {"added": 1}
    assert litter(kit.root) == []


def test_too_little_memory_is_reported_and_no_bug() -> None:
    """Where memory ends in our own hands: exit status 3 and a sentence, not 70."""
    code = (
        "import sys; from bundlekeeper.cli.screen import run\n"
        "def full(words): return len(bytearray(1 << 62))\n"
        "run.dispatch = full; sys.exit(run.run(['store', 'list', *sys.argv[1:]]))"
    )
    for option in ([], ["--json"]):
        done = subprocess.run([sys.executable, "-c", code, *option], capture_output=True, text=True, check=False)
        assert done.returncode == 3, done.stderr
        assert "not enough memory" in done.stdout + done.stderr


# Odd ground


@pytest.mark.fault(78)
def test_nothing_is_recorded_on_a_network_file_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "store or ledger on a network file system: detected"; questions go on being answered"""
    kit = Kit(tmp_path)
    kit.add()
    caller = Caller(lambda: DAY0, lambda: DAY0.date(), lambda _: None)
    with Session(kit.root, caller, write=True) as session:
        session.ledger.record([read(0, "6.0")], DAY0)
    monkeypatch.setattr(layout, "describe_fd", lambda fd: KINDS[NFS])
    with Session(kit.root, caller, write=True) as session, pytest.raises(RefusedError, match="network file system"):
        session.ledger.head()
    with Session(kit.root, caller) as session:
        assert session.ledger.head().count == 1


OPEN_FILES = """
import os
for number in os.listdir("/proc/self/fd"):
    print(os.path.realpath("/proc/self/fd/" + number))
"""


@pytest.mark.fault(82)
def test_no_connection_crosses_a_fork(tmp_path: Path) -> None:
    """ "carried over a fork: opened after the fork" (sqlite.org/howtocorrupt.html §2.6)

    Nothing here forks, and a program that we start inherits neither database even where descriptors are not closed.
    """
    for path in sorted((ROOT / "bundlekeeper").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import | ast.ImportFrom):
                names = {each.name for each in node.names} | {getattr(node, "module", None)}
                assert not {"multiprocessing", "ProcessPoolExecutor"} & names, path
            elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "os":
                assert node.attr not in {"fork", "forkpty", "posix_spawn"}, path
    kit = Kit(tmp_path)
    kit.add()
    with Ledger.open(tmp_path / "ledger", write=True) as ledger, layout.Store.open(kit.root, write=True) as store:
        ledger.connection.execute("BEGIN IMMEDIATE")
        with store.database(write=True):
            done = subprocess.run(
                [sys.executable, "-c", OPEN_FILES], close_fds=False, capture_output=True, text=True, check=True
            )
        ledger.connection.execute("ROLLBACK")
    assert "ledger" not in done.stdout
    assert "store database" not in done.stdout


# A clock that jumps


AHEAD = "2037-01-02 12:00:00"


def at_time(store: Path, moment: str, *words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command line with its clock set to `moment`."""
    command = ["faketime", moment, sys.executable, "-m", "bundlekeeper", *map(str, words)]
    environment = {**os.environ, "BUNDLEKEEPER_STORE": str(store)}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    return done


@pytest.mark.fault(83)
@pytest.mark.skipif(shutil.which("faketime") is None, reason="needs faketime to set a process's clock")
def test_a_clock_that_jumps(tmp_path: Path, keeper: Keeper, world: World) -> None:
    """ "clock backwards: ordered by sequence; time is shown, doubted", and forwards too"""
    store = tmp_path / "store"
    take: tuple[str | Path, ...] = ("store", "add", world.manifest, "--from", world.downloads, "--quiet", "--json")
    assert at_time(store, AHEAD, *take).returncode == 0
    now = keeper(*take)  # the clock was put right: nothing is lost, and it is said
    assert (now.status, set(now.codes), now.json["counts"]["already there"]) == (1, {"clock-doubtful"}, 9)
    assert keeper("inventory", "load", ROOT / "manifests/marram-2026-11.toml").status == 0
    for moment, version in ((AHEAD, "9.9"), ("", "8.8")):
        words = ("observe", "HOLMA-IO1", "--active", version)
        ran = at_time(store, moment, *words).returncode if moment else keeper(*words).status
        assert ran == 1  # recorded, with a warning: no manifest has this version
    behind = at_time(store, "2020-01-01 12:00:00", "observe", "HOLMA-IO1", "--active", "7.7")
    assert behind.returncode == 2
    assert "60 events are dated after this machine's clock (2020-01-01)" in behind.stderr  # why nothing is known
    reported = keeper("where", "HOLMA-IO1", "--json")
    assert (reported.status, reported.codes) == (1, ["clock-doubtful"])
    assert "the furthest 2037-01-02" in reported.json["findings"][0]["message"]
    assert '"8.8"' in reported.out
    assert '"9.9"' in at_time(store, AHEAD, "where", "HOLMA-IO1", "--json").stdout
    lines = keeper("where", "HOLMA-IO1", "--history").out.splitlines()
    assert ["9.9" in line for line in lines] == [False, False, True, False]
    assert "2037-01-02" in lines[2]  # when it is said to have been, and when it was learned
    checked = keeper("ledger", "verify", "--json")
    assert (checked.status, checked.codes) == (1, ["clock-doubtful"])
