"""Kill `store add` at every call that changes something; make its calls fail. Real processes, by strace's injection.

"kill -9 at any call of store add: old state or whole file; temp swept later"; strace(1), `-e inject`.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from tests.kits.kills import GOOD, added, completes, fresh, needs_strace, ran, settled
from tests.kits.store_kit import Kit

# Every call by which a run changes what others can see of the store. Killed at any other call (a read, an open, an
# fsync), it leaves what it leaves when it is killed at the next of these. What a power cut leaves is another question.
CALLS = ("mkdirat", "linkat", "renameat", "unlink", "unlinkat", "fchmod", "ftruncate", "pwrite64", "utimensat")


def spoiled(base: Path) -> Path:
    """The same, added once, and then one file in the store spoiled in place."""
    fresh(base)
    added(base)
    place = base / "store/blade/6.1.0/a.bin"
    place.unlink()
    place.write_bytes(GOOD[::-1])
    return base


def injected(base: Path, call: str, fault: str, number: int) -> subprocess.CompletedProcess[str]:
    """Run it with a fault at the `number`th such call."""
    log = base / "injected"
    inject = f"inject={call}:{fault}:when={number}"
    done = ran(base, "strace", "-f", "-qq", f"-o{log}", "-e", f"trace={call}", "-e", inject)
    said = log.read_text()
    assert "(INJECTED)" in said or "killed by SIGKILL" in said, (call, number, said)
    return done


def calls_of(base: Path) -> Counter[str]:
    """How often a whole run makes each call."""
    log = base / "calls"
    ran(base, "strace", "-f", "-qq", f"-o{log}", "-e", f"trace={','.join(CALLS)}")
    return Counter(re.findall(r"^\d+ +(\w+)\(", log.read_text(), flags=re.MULTILINE))


def killed(base: Path, make: Any, call: str, number: int) -> None:
    """One point of the sweep."""
    make(base)
    ended = injected(base, call, "signal=SIGKILL", number)
    assert ended.returncode in {-9, 137}, (call, number, ended.stdout, ended.stderr)
    settled(base)
    completes(base)
    shutil.rmtree(base)


def sweep(tmp_path: Path, make: Any) -> int:
    """Kill at every call; two at a time."""
    counts = calls_of(make(tmp_path / "count"))
    points = [(call, number) for call, most in counts.items() for number in range(1, most + 1)]
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(killed, tmp_path / f"{call}-{n}", make, call, n) for call, n in points]
        for job in jobs:
            job.result()
    return len(points)


@pytest.mark.fault(1)
@needs_strace
@pytest.mark.slow
def test_killed_at_every_call_of_a_first_run(tmp_path: Path) -> None:
    """Kill -9 at any call of `store add`: old state or whole file; temp swept later."""
    assert sweep(tmp_path, fresh) > 60


@pytest.mark.fault(1)
@needs_strace
@pytest.mark.slow
def test_killed_at_every_call_of_a_run_that_repairs(tmp_path: Path) -> None:
    """The same for a wrong file in place: it is in its place or in quarantine, and its bytes are never lost."""
    assert sweep(tmp_path, spoiled) > 30


# Calls that fail


def failures() -> Iterator[Any]:
    """(call, which one of it): every fsync, link and data write of a first run after the tree is made."""
    yield from (pytest.param("fsync", n, id=f"fsync-{n}") for n in range(8, 21, 2))
    yield from (pytest.param("linkat", n, id=f"linkat-{n}") for n in range(1, 6))
    yield from (pytest.param("fdatasync", n, id=f"fdatasync-{n}") for n in (1, 6, 12))


@pytest.mark.fault(8)
@needs_strace
@pytest.mark.parametrize(("call", "number"), list(failures()))
def test_eio_is_reported_and_leaves_nothing_between(tmp_path: Path, call: str, number: int) -> None:
    """ "EIO on write or fsync: drop fd and temp"; "on the folder's fsync: no store database row" """
    base = fresh(tmp_path / "x")
    ended = injected(base, call, "error=EIO", number)
    said = json.loads(ended.stdout)
    if "error" in said:
        assert (ended.returncode, said["exit"]) == (3, 3), said
    else:  # quarantine's own failure is reported, and does not end the run
        assert said["statuses"][2] == "quarantined"
    settled(base)
    completes(base)


@pytest.mark.fault(8)
@needs_strace
def test_a_failed_fsync_is_never_tried_again(tmp_path: Path) -> None:
    """ "never retry fsync (second says OK, bytes lost: ran)": the descriptor is closed at once."""
    base = fresh(tmp_path / "x")
    log = tmp_path / "log"
    everything = "trace=fsync,openat,linkat,close"
    whole = ran(base, "strace", "-f", "-y", "-qq", f"-o{log}", "-e", everything)
    assert whole.returncode == 0
    shutil.rmtree(base)
    fresh(base)
    synced = [line for line in log.read_text().splitlines() if "fsync(" in line]
    files = [number for number, line in enumerate(synced, 1) if "/incoming/" in line]
    assert len(files) > 3  # bundle, wrong bundle, its note, the kept manifest
    for number in (*files, len(synced)):
        shutil.rmtree(base)
        fresh(base)
        ran(base, "strace", "-f", "-qq", f"-o{log}", "-e", everything, "-e", f"inject=fsync:error=EIO:when={number}")
        lines = log.read_text().splitlines()
        (at,) = [i for i, line in enumerate(lines) if "INJECTED" in line]
        fd = re.search(r"fsync\((\d+)\)", lines[at])
        assert fd is not None
        for line in lines[at + 1 :]:
            assert f"fsync({fd[1]})" not in line, line
            if f"close({fd[1]})" in line:
                break


@pytest.mark.fault(4)
@needs_strace
def test_everything_is_synced_in_its_order(tmp_path: Path) -> None:
    """ "fsync the file ... `linkat` into place ... fsync the folder (and the parent of a new folder). Only then the
    store database's commit.". A later fsync may hide a missing one from a power cut."""
    base = fresh(tmp_path / "x")
    log = tmp_path / "log"
    ran(base, "strace", "-f", "-y", "-qq", f"-o{log}", "-e", "trace=mkdirat,linkat,fsync,write,pwrite64")
    dirty: set[str] = set()  # files and folders that were changed and not synced since
    links = 0
    for line in log.read_text().splitlines():
        call, paths = re.search(r"(\w+)\(", line), re.findall(r"\d+<([^>]*)>", line)
        assert call is not None
        if call[1] == "fsync":
            dirty.discard(paths[0])
        elif call[1] == "mkdirat" or (call[1] == "write" and str(base) in paths[0]):
            dirty.add(paths[0])
        elif call[1] == "linkat":
            links += 1
            assert not dirty - {paths[-1]}, line
            dirty.add(paths[-1])
        elif call[1] == "pwrite64" and "store.sqlite" in paths[0]:
            assert not dirty, line
    assert (links, dirty) == (6, set())


@pytest.mark.fault(9)
@needs_strace
def test_a_folder_that_cannot_be_made_durable_has_no_row(tmp_path: Path) -> None:
    """EIO on the folder's fsync: 'not durable'; no store database row."""
    base = fresh(tmp_path / "x")
    log = tmp_path / "log"
    ran(base, "strace", "-f", "-y", "-qq", f"-o{log}", "-e", "trace=fsync,linkat")
    lines = [line for line in log.read_text().splitlines() if "fsync(" in line or "linkat(" in line]
    linked = next(i for i, line in enumerate(lines) if '"a.bin"' in line)
    number = sum("fsync(" in line for line in lines[: linked + 1]) + 1  # the next one is the folder's
    shutil.rmtree(base)
    fresh(base)
    ended = injected(base, "fsync", "error=EIO", number)
    assert "a.bin could not be stored" in json.loads(ended.stdout)["error"]
    assert Kit(base).stored() == []
    completes(base)


@needs_strace
@pytest.mark.parametrize("error", ["EOPNOTSUPP", "EISDIR", "EINVAL"])
def test_a_file_system_without_unnamed_files(tmp_path: Path, error: str) -> None:
    """Open the target as O_TMPFILE; where that is refused a random `.part-…` name."""
    base = fresh(tmp_path / "x")
    log = tmp_path / "log"
    ran(base, "strace", "-f", "-qq", f"-o{log}", "-e", "trace=openat")
    first = [line for line in log.read_text().splitlines() if "openat(" in line]
    number = next(i for i, line in enumerate(first, 1) if "O_TMPFILE" in line)
    for _ in range(5):  # on a busy machine another file is opened at that place now and then
        shutil.rmtree(base)
        fresh(base)
        answer = json.loads(injected(base, "openat", f"error={error}", number).stdout)
        if "statuses" in answer:
            break
    assert answer["statuses"] == ["added", "same bytes", "quarantined"]
    assert os.listdir(base / "store/.keeper/incoming") == []
    completes(base)


@pytest.mark.fault(19)
@needs_strace
def test_a_link_across_file_systems_is_an_error(tmp_path: Path) -> None:
    """Temp on another file system: can't be; EXDEV is an error."""
    base = fresh(tmp_path / "x")
    ended = injected(base, "linkat", "error=EXDEV", 3)
    assert (ended.returncode, "error" in json.loads(ended.stdout)) == (3, True)
    completes(base)
