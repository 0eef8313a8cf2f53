"""Which tests run which line of the package: the whole test line once, measured, test by test.

Form of the map: JSON, gzip; `tests` is a list of [pytest's name, seconds], `lines` maps a file below bundlekeeper/ to a
map from line numbers to indexes into that list, `sources` maps each file to the SHA-256 of what was measured.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.plugin import FOLDER

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "bundlekeeper"

# Each Python process that finds this on its path measures itself; its name is the test that runs at its start.
_START = "import coverage\ncoverage.process_startup()\n"
_CONFIG = """[run]
parallel = true
data_file = {folder}/data
source = {package}
context = ${{BUNDLEKEEPER_TEST-}}
disable_warnings = no-data-collected
"""


@dataclass(frozen=True, slots=True)
class Map:
    """The tests with their seconds, and per file and line the numbers of the tests that run it."""

    tests: list[tuple[str, float]]
    lines: dict[str, dict[int, list[int]]]
    sources: dict[str, str]

    def tests_of(self, file: str, lines: tuple[int, int]) -> list[tuple[str, float]]:
        """The tests that run any of these lines, the shortest first; of a line that imports run, all of its file."""
        rows = self.lines.get(file, {})
        found: set[int] = set()
        for line in range(lines[0], lines[1] + 1):
            found.update(rows.get(line, ()))
        if not found and any(line in rows for line in range(lines[0], lines[1] + 1)):
            found.update(*rows.values())
        return [self.tests[number] for number in sorted(found, key=lambda number: self.tests[number][1])]


def make(target: Path, pytest_arguments: Sequence[str]) -> int:
    """Run the tests measured and write the map to `target`; returns pytest's exit status."""
    with tempfile.TemporaryDirectory(prefix="mutants-map-") as name:
        folder = Path(name)
        (folder / "sitecustomize.py").write_text(_START, "utf-8")
        (folder / "coveragerc").write_text(_CONFIG.format(folder=folder, package=PACKAGE), "utf-8")
        environment = {
            **os.environ,
            FOLDER: name,
            "COVERAGE_PROCESS_START": str(folder / "coveragerc"),
            "PYTHONPATH": os.pathsep.join([name, str(ROOT)]),
        }
        words = ["-q", "-p", "tests.mutants.plugin", "-p", "no:cacheprovider", *pytest_arguments]
        status = subprocess.run(
            [sys.executable, "-m", "pytest", *words], cwd=ROOT, env=environment, check=False
        ).returncode
        found = _combined(folder)
    with gzip.open(target, "wt", encoding="utf-8") as file:
        json.dump({"tests": found.tests, "lines": found.lines, "sources": found.sources}, file)
    return status


def load(path: Path) -> Map:
    """Read a map that `make` wrote."""
    with gzip.open(path, "rt", encoding="utf-8") as file:
        raw = json.load(file)
    lines = {name: {int(line): tests for line, tests in rows.items()} for name, rows in raw["lines"].items()}
    return Map([(name, seconds) for name, seconds in raw["tests"]], lines, raw["sources"])


def digest(path: Path) -> str:
    """The SHA-256 of a source, as the map keeps it."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _combined(folder: Path) -> Map:
    import coverage

    seconds: dict[str, float] = {}
    for line in (folder / "seconds.jsonl").read_text("utf-8").splitlines():
        test, taken = json.loads(line)
        seconds[test] = taken
    tests = sorted(seconds.items())
    numbers = {test: number for number, (test, _) in enumerate(tests)}
    lines: dict[str, dict[int, set[int]]] = {}
    for path in folder.glob("data*"):
        data = coverage.CoverageData(basename=str(path))
        try:
            data.read()
        except coverage.CoverageException:  # of a process that was killed while it wrote
            continue
        for file in data.measured_files():
            rows = lines.setdefault(Path(file).relative_to(PACKAGE).as_posix(), {})
            for number, contexts in data.contexts_by_lineno(file).items():
                known = {numbers[name] for each in contexts if (name := each.partition("|")[0]) in numbers}
                rows.setdefault(number, set()).update(known)
    sources = {file: digest(PACKAGE / file) for file in lines}
    return Map(tests, {f: {n: sorted(t) for n, t in sorted(rows.items())} for f, rows in lines.items()}, sources)
