"""`python -m tests.flips --database store database|ledger --seed N --count M`: 0, or 1 where there was a violation."""

from __future__ import annotations

import argparse
import sys
from collections import Counter

from tests.flips.running import commands_for, run
from tests.flips.world import DATABASES


def main(arguments: list[str]) -> int:
    """Flip, print each violation and the counts."""
    parser = argparse.ArgumentParser(prog="python -m tests.flips", description="Seeded bit flips in a database.")
    parser.add_argument("--database", required=True, choices=sorted(DATABASES))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=100, help="flips (100)")
    parser.add_argument("--first", type=int, default=0, help="number of the first flip, to replay one (0)")
    asked = parser.parse_args(arguments)
    outcome = run(asked.database, asked.seed, asked.first, asked.count, lambda text: print(text, flush=True))
    for name in commands_for(asked.database):
        counts = {status: count for (of, status), count in outcome.statuses.items() if of == name}
        print(f"{name}: " + ", ".join(f"status {status}: {counts[status]}" for status in sorted(counts)))
    kinds = Counter(each.kind for each in outcome.violations)
    found = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
    print(f"{asked.count} flips, {sum(outcome.statuses.values())} commands; violations: {found or 'none'}")
    return 1 if outcome.violations else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
