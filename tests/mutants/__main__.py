"""`python -m tests.mutants --seed N --count M`: make M wrong changes, one at a time, and see whether a test notices.

With `--near` a change is judged by the kept answers and by the tests that stand where it stands, in the folder of the
same name and those above it, and, for what commands reach, by those of the commands: a lower bound of the score that
needs no preparation. Else `python -m tests.mutants --make-map` runs the whole test line once and keeps which test
runs which line; then each change is judged by the tests that run its line, the shortest first, until one fails or
`--seconds` of them have run. What survives is printed with its place; whether it matters is for a reader to say
(--skip FILE:LINE:KIND leaves out what was read and found to change nothing).
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

from tests.guards.__main__ import copied
from tests.mutants import mapping
from tests.mutants.changes import Change, changes

PACKAGE = mapping.PACKAGE
MAP = mapping.ROOT / ".mutants-map.json.gz"
SEEN, SURVIVED, UNTESTED = "seen", "SURVIVED", "NO TEST"
_NEAR_S = 1800.0  # a change may make a test wait for ever
_PATIENCE = 4.0  # a change may make a test wait for ever: so many times its usual time, and a minute


def tests_for(change: Change, known: mapping.Map, seconds: float) -> list[str]:
    """The tests that run the change's lines, the shortest first, of so many seconds in all."""
    chosen: list[str] = []
    spent = 0.0
    for name, taken in known.tests_of(change.file, change.lines):
        spent += taken
        if chosen and spent > seconds:
            break
        chosen.append(name)
    return chosen


def near(change: Change) -> list[str]:
    """The kept answers, the tests in the folder of the change and above it, and those of the commands."""
    folder = Path(change.file).parent
    commands = [] if {"formats", "verification"} & set(folder.parts[:1]) else ["tests/cli/commands"]
    places = ["tests/answers", f"tests/{folder}", *(f"tests/{above}" for above in folder.parents if above != Path())]
    chosen: list[str] = []
    for place in (*places, *commands):
        path = mapping.ROOT / place
        if place == places[1] or place in {"tests/answers", "tests/cli/commands"}:
            chosen += [place] if path.is_dir() else []
        else:
            chosen += [f"{place}/{test.name}" for test in sorted(path.glob("test_*.py"))]
    return list(dict.fromkeys(chosen))


def judged(change: Change, tests: Sequence[str], tree: Path, base: Path, patience: float) -> str:
    """Make the change in the copy, run the tests, take it back."""
    if not tests:
        return UNTESTED
    path = tree / "bundlekeeper" / change.file
    before = path.read_bytes()
    path.write_bytes(change.applied(before))
    # No byte code: a changed file of the same size and second would be taken for the old one.
    environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1", "CI": "1"}
    words = ["-q", "-x", "-p", "no:cacheprovider", "--no-header", "-rN", f"--basetemp={base}", *tests]
    process = subprocess.Popen(
        [sys.executable, "-m", "pytest", *words],
        cwd=tree, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        start_new_session=True,
    )  # fmt: skip
    try:
        return SURVIVED if process.wait(timeout=patience) == 0 else SEEN
    except subprocess.TimeoutExpired:
        return SEEN
    finally:
        if process.poll() is None:
            os.killpg(process.pid, 9)
            process.wait()
        path.write_bytes(before)


def shown(change: Change) -> str:
    """The change in a line: its place, what kind it is, and its text."""
    source = (PACKAGE / change.file).read_bytes()
    old = " ".join(source[change.start : change.end].decode().split())
    return f"{change.file}:{change.lines[0]}:{change.kind}: {old[:70]} -> {' '.join(change.new.split())[:70]}"


def sample(seed: int, count: int, only: str, known: mapping.Map | None = None) -> list[Change]:
    """So many changes by chance, the same for the same source and seed; none in a file that the map does not know."""
    able = [
        change for change in changes(PACKAGE) if only in change.file and (known is None or change.file in known.lines)
    ]
    return random.Random(seed).sample(able, min(count, len(able)))


def run(
    wanted: Sequence[Change], tests_of: Callable[[Change], list[str]], patience: float, workers: int
) -> list[tuple[Change, str]]:
    """Judge each change, several copies of the tree side by side; a line is printed as each is known."""
    trees = threading.local()
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        names = iter(range(workers))

        def prepare() -> None:
            place = Path(folder, str(next(names)))
            place.mkdir()
            trees.tree, trees.base = copied(place / "tree"), place / "tests"

        def judge(change: Change) -> tuple[Change, str]:
            tests = tests_of(change)
            outcome = judged(change, tests, trees.tree, trees.base, patience)
            print(f"{outcome:<9} {shown(change)}  ({len(tests)} tests)", flush=True)
            return change, outcome

        with ThreadPoolExecutor(workers, initializer=prepare) as pool:
            return list(pool.map(judge, wanted))


def main(arguments: Sequence[str]) -> int:
    """Print each change with its outcome, and the score; 0 when every change was seen, 1 when not."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("--make-map", nargs=argparse.REMAINDER, help="measure the tests; what follows goes to pytest")
    parser.add_argument("--near", action="store_true", help="judge by the tests of the same folder; no map is needed")
    parser.add_argument("--map", type=Path, default=MAP, help="where the map is kept")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--only", default="", metavar="WORD", help="only files with this word in their path")
    parser.add_argument("--skip", action="append", default=[], metavar="PLACE", help="a change that changes nothing")
    parser.add_argument("--seconds", type=float, default=60, help="of tests for each change, by the map's times")
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args(arguments)
    if asked.make_map is not None:
        return mapping.make(asked.map, asked.make_map)
    known = None if asked.near else mapping.load(asked.map)
    wanted = sample(asked.seed, asked.count, asked.only, known)
    if known is not None:
        stale = {c.file for c in wanted if known.sources.get(c.file) != mapping.digest(PACKAGE / c.file)}
        if stale:
            print(f"note: changed since the map was made, so judged by its old lines: {', '.join(sorted(stale))}")
    wanted = [change for change in wanted if not shown(change).startswith(tuple(asked.skip) or ("\0",))]
    tests_of = near if known is None else partial(tests_for, known=known, seconds=asked.seconds)
    patience = _NEAR_S if known is None else 60 + _PATIENCE * asked.seconds
    outcomes = [outcome for _, outcome in run(wanted, tests_of, patience, asked.workers)]
    seen = outcomes.count(SEEN)
    print(f"seed {asked.seed}: {len(outcomes)} changes, {seen} seen ({seen / max(len(outcomes), 1):.0%})")
    return 0 if seen == len(outcomes) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
