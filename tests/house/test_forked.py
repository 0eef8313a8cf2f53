"""A program that is forked does what it does when an interpreter is started for it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.kits import forked

LOOK = """
import os, sys
mask = os.umask(0)
print(sys.argv, __name__, os.getcwd(), mask, os.environ["ONE"], os.environ.get("HOME"), sys.stdin.read())
print(sys.stdout.isatty(), sys.stdout.encoding, sys.stderr.errors, sorted(os.listdir("/proc/self/fd"))[:3])
"""
ENDS = {
    "none": "pass",
    "number": "import sys; sys.exit(3)",
    "text": "import sys; sys.exit('no such day')",
    "exception": "raise ValueError('no such day')",
    "warning": "import warnings; warnings.warn('old', DeprecationWarning)",
    "signal": "import os; os.kill(os.getpid(), 9)",
    "at the end": "import atexit; atexit.register(print, 'last'); print('first')",
    "thread": "import threading; threading.Timer(0.01, print, ('late',)).start()",
    "unclosed": "circle = [open('/dev/null')]; circle.append(circle); del circle",
}


def _pair(code: str, cwd: Path, *words: str) -> list[tuple[int, str, str]]:
    """How it ends and what it says: forked, and started."""
    env = {**os.environ, "ONE": "é \udc80", "PYTHONWARNINGS": "error"}
    command = [sys.executable, "-c", code, *words]
    started = subprocess.run(
        command, env=env, cwd=cwd, input="à\n", capture_output=True, check=False, errors="surrogateescape"
    )
    done = forked.run(["-c", code, *words], env=env, cwd=cwd, stdin="à\n")
    return [(ended.returncode, ended.stdout, ended.stderr.strip()[-40:]) for ended in (done, started)]


def test_it_is_given_what_it_is_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And has nothing of the server's own."""
    assert forked.run(["-c", ""]).returncode == 0  # so that the server is there
    monkeypatch.delenv("HOME", raising=False)
    before = os.umask(0o027)
    try:
        forked_, started = _pair(LOOK, tmp_path, "a", "-b")
    finally:
        os.umask(before)
    assert forked_ == started
    assert str(0o027) in started[1]


@pytest.mark.parametrize("code", ENDS.values(), ids=ENDS)
def test_it_ends_as_it_ends(tmp_path: Path, code: str) -> None:
    forked_, started = _pair(code, tmp_path)
    assert forked_ == started


def test_what_an_interpreter_reads_when_it_starts_is_read(tmp_path: Path) -> None:
    code = "import sys; print(sys.flags.utf8_mode)"
    assert forked.run(["-c", code], env={**os.environ, "PYTHONUTF8": "1"}).stdout == "1\n"
    assert forked.run(["-c", code], env={**os.environ, "PYTHONUTF8": "0"}).stdout == "0\n"


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
def test_it_is_traced_from_its_first_call(tmp_path: Path) -> None:
    """Calls are counted from one, and a failure is made in the one that is meant."""
    code = "import os\nfor name in 'abc': os.mkdir(name)"
    done = forked.run(
        ["-c", code], cwd=tmp_path, under=["strace", "-f", "-qq", "-o/dev/null", "-einject=mkdir:error=EIO:when=2"]
    )
    assert (done.returncode, "OSError: [Errno 5]" in done.stderr) == (1, True), done.stderr
    assert os.listdir(tmp_path) == ["a"]
