"""Ctrl-C, SIGTERM, SIGHUP and SIGQUIT: a status of their own each, nothing half done, no temporary file.

Check values: a shell tells the end by signal N as 128 + N (POSIX.1-2017, XCU 2.8.2), numbers of signal(7): SIGHUP 1,
SIGINT 2, SIGQUIT 3, SIGTERM 15.
"""

from __future__ import annotations

import fcntl
import os
import pty
import re
import signal
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from bundlekeeper import errors
from bundlekeeper.cli.screen.help import EXIT_STATUSES, root_help
from bundlekeeper.jobs.handbook.topics import handbook_file
from tests.conftest import World

ROOT = Path(__file__).parents[3]
STATUSES = [(signal.SIGHUP, 129), (signal.SIGINT, 130), (signal.SIGQUIT, 131), (signal.SIGTERM, 143)]

#: Our command line, stopped by the signal when the first block of a bundle was copied in: no clock is asked.
_STOPPED = """
import os, sys
from bundlekeeper.cli.screen.run import run
from bundlekeeper.store.adding import sources
number, real = int(sys.argv[1]), sources.copy_fd
def copy(*given, **named):
    reported = named.get("on_bytes")
    def on_bytes(count):
        os.kill(os.getpid(), number)
        if reported is not None:
            reported(count)
    return real(*given, **{**named, "on_bytes": on_bytes})
sources.copy_fd = copy
sys.exit(run(sys.argv[3:]))
"""


def add(world: World, store: Path, number: int) -> list[str]:
    """The words of a run that is stopped."""
    words = ["store", "add", str(world.manifest), "--from", str(world.downloads), "--quiet", "--store", str(store)]
    return [sys.executable, "-c", _STOPPED, str(number), "-", *words]


@pytest.mark.fault(86)
@pytest.mark.parametrize(("number", "status"), STATUSES)
def test_a_signal_in_the_middle_of_a_copy(world: World, tmp_path: Path, number: int, status: int) -> None:
    store = tmp_path / "store"
    done = subprocess.run(add(world, store, number), cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == status, done.stderr
    assert "error: stopped" in done.stderr
    assert "Traceback" not in done.stderr
    assert os.listdir(store / ".keeper/incoming") == []
    assert not list(store.rglob("*.bin"))


@pytest.mark.parametrize(("number", "status"), STATUSES)
def test_every_signal_is_in_the_documents(number: int, status: int) -> None:
    assert (status, status - 128) == (128 + number, number)
    words = dict(EXIT_STATUSES)[status]
    assert f"  {status:<4} {words}\n" in root_help()
    assert status in errors.PRECEDENCE


def test_the_order_of_statuses_is_the_handbooks() -> None:
    """70 first, then a signal, then what the sentence of its topic `exit` says."""
    sentence = re.search(r"Several at once: the first of (.*)\. A manifest", handbook_file("exit.md"))
    assert sentence is not None
    numbers = [int(word) for word in re.findall(r"\d+", sentence[1].replace("a signal", "129 130 131 143"))]
    assert numbers == list(errors.PRECEDENCE)
    for first, second in zip(errors.PRECEDENCE, errors.PRECEDENCE[1:], strict=False):
        assert errors.worst_exit([second, first]) == first


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGQUIT])
def test_a_signal_that_the_parent_ignores_stays_ignored(world: World, tmp_path: Path, number: int) -> None:
    """nohup(1) is how a long check outlives its terminal."""
    done = subprocess.run(
        add(world, tmp_path / "store", number),
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: signal.signal(number, signal.SIG_IGN),
    )
    assert done.returncode in (0, 1), done.stderr


@pytest.mark.fault(86)
def test_a_terminal_that_goes_away(world: World, tmp_path: Path) -> None:
    """Its SIGHUP comes to us, and what we say of it can no longer be written (EIO): that is no bug of ours."""
    store = tmp_path / "store"
    program = _STOPPED.replace("os.kill(os.getpid(), number)", "hang_up()").replace(
        "number, real",
        "leader = [int(sys.argv[2])]\ndef hang_up():\n    if leader:\n        os.close(leader.pop())\nnumber, real",
    )
    leader, follower = pty.openpty()
    child = os.fork()
    if child == 0:
        try:
            os.setsid()
            fcntl.ioctl(follower, termios.TIOCSCTTY, 0)
            for fd in (0, 1, 2):
                os.dup2(follower, fd)
            os.close(follower)
            os.set_inheritable(leader, True)
            os.chdir(ROOT)
            words = add(world, store, 0)
            words[2], words[4] = program, str(leader)
            os.execv(sys.executable, words)  # noqa: S606
        finally:
            os._exit(99)
    os.close(follower)
    os.close(leader)
    ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert ended == 129
    assert os.listdir(store / ".keeper/incoming") == []
    assert not list(store.rglob("*.bin"))
