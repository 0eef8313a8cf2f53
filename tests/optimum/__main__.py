"""`python -m tests.optimum --count N --first SEED --most PIECES --effort E`: how near schedules are to the shortest."""

from __future__ import annotations

import argparse
import sys

from tests.optimum.cases import MOST
from tests.optimum.measure import measured


def main(arguments: list[str]) -> int:
    """Print each case that is not the shortest, and the figures; 1 where a schedule is beaten by its own bound."""
    parser = argparse.ArgumentParser(prog="python -m tests.optimum", description="Schedules beside an exact solver's.")
    parser.add_argument("--count", type=int, default=300, help="cases (300)")
    parser.add_argument("--first", type=int, default=0, help="seed of the first case (0)")
    parser.add_argument("--most", type=int, default=MOST, help=f"pieces of the largest case ({MOST})")
    parser.add_argument("--effort", type=float, default=10.0, help="the solver's deterministic time for a case (10)")
    asked = parser.parse_args(arguments)
    rows = []
    for seed in range(asked.first, asked.first + asked.count):
        row = measured(seed, asked.most, asked.effort)
        rows.append(row)
        if row.ours > row.optimum.minutes or not row.optimum.is_proven:
            print(row.text, flush=True)
    proven = [row for row in rows if row.optimum.is_proven]
    best = sum(row.ours == row.optimum.minutes for row in proven)
    worst = max(rows, key=lambda row: row.ratio)
    print(f"{len(rows)} cases, {len(proven)} with a proven optimum: ours is it in {best}")
    print(f"mean ratio {sum(row.ratio for row in rows) / len(rows):.4f}, worst {worst.ratio:.3f} (seed {worst.seed})")
    return 1 if any(row.bound > row.optimum.minutes for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
