"""The benchmarks' command line.

`python -m tests.bench` measures and prints one table of ratios; with --growth it measures the same work at three sizes
instead. What a file that --json names has already stays in it, unless it is measured again, so that rows can be run
apart. `python -m tests.bench compare A.json B.json` compares two kept runs, and ends with 1 where a ratio got worse by
more than is allowed; `python -m tests.bench figures A.json` makes the handbook's page of figures from one.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.bench import fetching, hashing, ledger, living, media, planning, receiving, signatures, small_files
from tests.bench.figures import PAGE, page
from tests.bench.frame import BENCHES, Bench, run
from tests.bench.growth import GROWS, grown
from tests.bench.growth import as_text as growth_text
from tests.bench.machine import describe
from tests.bench.table import ALLOWED, added, as_json, as_text, columns, compare, load
from tests.bench.world import World

LEAST = 500  # components: one in a hundred has the bundle that is asked for
#: Modules whose import declares the rows, in the order of the table.
MODULES = (hashing, fetching, small_files, signatures, media, living, receiving, ledger, planning)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument(
        "--dir", type=Path, help="folder for the test data (default: a temporary one); freed afterwards"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="also keep the figures in this file, beside others")
    parser.add_argument("--rounds", type=int, default=5, help="rounds per row (default 5)")
    parser.add_argument("--big", type=int, default=2 << 30, metavar="BYTES", help="size of the large file (2 GiB)")
    parser.add_argument("--many", type=int, default=10_000, metavar="N", help="number of small files (10000)")
    parser.add_argument("--starts", type=int, default=10, metavar="N", help="starts per figure of start-up (10)")
    parser.add_argument("--parts", type=int, default=100_000, metavar="N", help="components of the ledger (100000)")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="every Nth of the worlds of routes (1)")
    parser.add_argument("--only", action="append", metavar="WORD", help="only rows whose name holds this; repeatable")
    parser.add_argument("--growth", action="store_true", help="measure the rows that grow at three sizes, tenfold each")
    parser.add_argument("--list", action="store_true", help="list the rows and measure nothing")
    return parser


def _compare(words: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench compare", description="Compare two kept runs.")
    parser.add_argument("first", type=Path, metavar="FIRST.json")
    parser.add_argument("second", type=Path, metavar="SECOND.json")
    parser.add_argument("--allowed", type=float, default=ALLOWED, help="how much worse a ratio may be (0.1: a tenth)")
    try:
        asked = parser.parse_args(words)
        found = compare(load(asked.first), load(asked.second), asked.allowed)
    except SystemExit as e:  # argparse has said why
        return e.code if isinstance(e.code, int) else 2
    except (OSError, ValueError) as e:
        print(f"error: {e}", file=sys.stderr)
        return 2
    print(found.text)
    return 1 if found.worse else 0


def _measured(asked: argparse.Namespace, rows: list[Bench], folder: Path) -> tuple[str, dict[str, Any]]:
    """What was measured, as text and as one document with what the file had before. Raises ValueError."""
    sizes = f"{asked.big} bytes in one file, {asked.many} small files, {asked.parts} components"
    machine = {**describe(folder), "sizes": sizes}
    nothing = as_json(machine, asked.rounds, [])
    kept = load(asked.json) if asked.json is not None and asked.json.exists() else nothing
    if asked.growth:  # which is measured once
        nothing["rounds"] = kept["rounds"]
    added(kept, nothing)  # before anything is measured in vain
    numbers = {"starts": asked.starts, "parts": asked.parts, "every": asked.every}
    world = World(folder, big_bytes=asked.big, many_files=asked.many, **numbers)
    if asked.growth:
        growth = grown(rows, world, GROWS)
        return columns(growth_text(growth)), added(kept, {**nothing, "growth": [row.as_json() for row in growth]})
    measured = run(rows, world, asked.rounds)
    return as_text(machine, asked.rounds, measured), added(kept, as_json(machine, asked.rounds, measured))


def _figures(words: list[str]) -> int:
    try:
        (name,) = words
        text = page(load(Path(name)), PAGE.read_text(encoding="utf-8"))
    except (OSError, ValueError) as e:
        print(f"error: figures takes one file that --json has written: {e}", file=sys.stderr)
        return 2
    PAGE.write_text(text, encoding="utf-8")
    return 0


def main(arguments: list[str]) -> int:
    """Measure, or compare; 0, 1 when the second run is worse, or 2 when the command line is wrong."""
    if arguments[:1] == ["compare"]:
        return _compare(arguments[1:])
    if arguments[:1] == ["figures"]:
        return _figures(arguments[1:])
    asked = _parser().parse_args(arguments)
    order = {module.__name__: number for number, module in enumerate(MODULES)}
    rows = sorted(BENCHES, key=lambda each: order[each.function.__module__])
    rows = [each for each in rows if not asked.only or any(word in each.name for word in asked.only)]
    if asked.list:
        print("\n".join(f"{each.name}: {each.what} ÷ {each.against}" for each in rows))
        return 0
    if (
        not rows
        or asked.rounds < 1
        or asked.big < 1 << 20
        or min(asked.many, asked.starts, asked.every) < 1
        or asked.parts < LEAST
    ):
        print(
            "error: nothing to measure: no row of that name, or a size or a number of rounds too low", file=sys.stderr
        )
        return 2
    with tempfile.TemporaryDirectory(prefix="bench-", dir=asked.dir) as folder:
        try:
            text, document = _measured(asked, rows, Path(folder))
        except ValueError as e:
            print(f"error: {e}", file=sys.stderr)
            return 2
    print(text)
    if asked.json is not None:
        asked.json.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
