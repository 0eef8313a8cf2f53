"""`python -m tests.nights --count N --seed S`: that many random nights; the first difference ends it."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from bundlekeeper.ledger.record.ledger import Ledger
from tests.kits.ledger_history import MEMORY
from tests.nights.random_nights import DifferenceError, night

_NIGHTS_A_LEDGER = 50
_STEPS = 7


def run(count: int, seed: int) -> int:
    """So many nights; returns how many answers were compared. Raises DifferenceError, which names the night."""
    compared = 0
    for first in range(0, count, _NIGHTS_A_LEDGER):
        with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l.sqlite"), write=True) as ledger:
            for number in range(first, min(count, first + _NIGHTS_A_LEDGER)):
                try:
                    compared += night(ledger, Random(f"{seed} {number}"), f"N{number}", steps=_STEPS)
                except DifferenceError as difference:
                    raise DifferenceError(f"night {number} of seed {seed}: {difference}") from None
    return compared


def main(words: Sequence[str] | None = None) -> int:
    """Run the nights and print how many answers were compared."""
    parser = argparse.ArgumentParser(prog="python -m tests.nights")
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(words)
    try:
        compared = run(asked.count, asked.seed)
    except DifferenceError as difference:
        print(difference)
        return 1
    print(f"{asked.count} nights, {compared} answers: where equals the twin after each event")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
