"""One command, begun by a small process: how long it takes, and how much memory."""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
from collections.abc import Sequence

from tests.bench.frame import Skipped

#: What every start is measured against.
BARE = [sys.executable, "-c", "pass"]

# A large process begins a child more slowly, and the child's own peak would include the parent's (getrusage(2): maxrss
# outlives exec), so a small process without site packages stands between.
_SPAWN = """
import os, sys, time
times, *line = sys.argv[1:]
quiet = [(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)]
for _ in range(int(times)):
    begun = time.perf_counter()
    pid = os.posix_spawn(line[0], line, os.environ, file_actions=quiet)
    status, usage = os.wait4(pid, 0)[1:]
    print(os.waitstatus_to_exitcode(status), time.perf_counter() - begun, usage.ru_maxrss * 1024)
"""


def spawned(line: Sequence[str], times: int = 1) -> tuple[float, float]:
    """The median wall time of one command in seconds, and its largest peak of resident memory in bytes.

    Exit status 1 (something was found) is fine; raises RuntimeError for any other, Skipped where it is not installed.
    """
    program = shutil.which(line[0])
    if program is None:
        raise Skipped(f"{line[0]} is not installed")
    spawner = [sys.executable, "-I", "-S", "-c", _SPAWN, str(times), program, *line[1:]]
    done = subprocess.run(spawner, capture_output=True, text=True, check=True)
    rows = [row.split() for row in done.stdout.splitlines()]
    runs = [(int(status), float(took_s), float(peak)) for status, took_s, peak in rows]
    if wrong := {status for status, _, _ in runs} - {0, 1}:
        raise RuntimeError(f"{line}: exit status {wrong}: {done.stderr}")
    return statistics.median(took_s for _, took_s, _ in runs), max(peak for _, _, peak in runs)
