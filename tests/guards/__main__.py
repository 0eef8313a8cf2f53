"""`python -m tests.guards [--only WORD]`: take out each guard in a copy of the tree, and see its test go red."""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.guards.known import GUARDS, Guard

ROOT = Path(__file__).parents[2]
COPIED = ("bundlekeeper", "tests", "fixtures", "manifests", "pyproject.toml", "README.md", "DEVELOPERS.md")
PATIENCE_S = 120.0  # a guard against waiting for ever, taken out, leaves a test that waits for ever
RED, GREEN, HUNG, SKIPPED, BROKEN = "red", "GREEN", "red (hung)", "SKIPPED", "BROKEN"


def copied(target: Path) -> Path:
    """A copy of the tree, without what is not part of it."""
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, target / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, target / name)
    return target


def run(tree: Path, tests: Sequence[str], base: Path) -> tuple[str, str]:
    """What became of these tests in the copy, and the end of what pytest said."""
    # No byte code: a changed file of the same size and second would be taken for the old one.
    environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1", "CI": "1"}
    quiet = ["-q", "-x", "-p", "no:cacheprovider", "--no-header", "-rN", f"--basetemp={base}"]
    command = [sys.executable, "-m", "pytest", *quiet, *(f"tests/{test}" for test in tests)]
    process = subprocess.Popen(
        command, cwd=tree, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        start_new_session=True,
    )  # fmt: skip
    try:
        said, _ = process.communicate(timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, 9)
        process.communicate()
        return HUNG, ""
    last = said.strip().rpartition("\n")[2]
    if process.returncode == 0:
        return (GREEN if re.search(r"\b[0-9]+ passed", last) else SKIPPED), last
    return (RED if process.returncode == 1 else BROKEN), said[-2000:]


def imported_from(tree: Path) -> str:
    """Where a process that runs in the copy gets the package from."""
    environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    code = "import bundlekeeper, tests.guards; print(bundlekeeper.__file__, tests.guards.__file__)"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd="/", env=environment, capture_output=True, text=True, check=True
    )
    return done.stdout


def taken_out(tree: Path, guard: Guard, base: Path) -> tuple[str, str]:
    """Take one guard out, run its test, put it back."""
    path = tree / "bundlekeeper" / guard.file
    before = path.read_text("utf-8")
    if before.count(guard.old) != 1:
        return BROKEN, f"its text stands {before.count(guard.old)} times in {guard.file}"
    path.write_text(before.replace(guard.old, guard.new), "utf-8")
    try:
        compile(path.read_text("utf-8"), str(path), "exec")
        return run(tree, [guard.test], base)
    finally:
        path.write_text(before, "utf-8")


def main(arguments: Sequence[str]) -> int:
    """Print the table; 0 when every guard's test went red, 1 when not."""
    parser = argparse.ArgumentParser(prog="python -m tests.guards", description=__doc__)
    parser.add_argument("--only", action="append", metavar="WORD", help="only guards with this word; repeatable")
    parser.add_argument("--verbose", action="store_true", help="also what pytest said where a test stayed green")
    asked = parser.parse_args(arguments)
    wanted = [g for g in GUARDS if not asked.only or any(w in f"{g.name} {g.file} {g.test}" for w in asked.only)]
    bad = 0
    with tempfile.TemporaryDirectory(prefix="guards-") as folder:
        tree = copied(Path(folder, "tree"))
        base = Path(folder, "tests")
        if imported_from(tree).count(str(tree)) != 2:
            print(f"error: the copy is not what is imported: {imported_from(tree)}", file=sys.stderr)
            return 1
        tests = list(dict.fromkeys(g.test for g in wanted))
        before, said = run(tree, tests, base)
        print(f"{before}: {len(tests)} tests before anything is taken out", flush=True)
        if before != GREEN:
            print(said)
            return 1
        for guard in wanted:
            colour, said = taken_out(tree, guard, base)
            bad += colour not in (RED, HUNG)
            print(f"{colour:<10}  {guard.name}  ({guard.file}; {guard.test})", flush=True)
            if asked.verbose and colour not in (RED, HUNG):
                print(said)
    print(f"{len(wanted)} guards taken out, {len(wanted) - bad} tests went red, {bad} did not")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
