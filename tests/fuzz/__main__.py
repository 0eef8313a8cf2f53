"""`python -m tests.fuzz --minutes N [--only PARSER] [--seed S]`: fuzz for so long, each parser in its turn."""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence

from tests.fuzz import parsers_media, parsers_verification
from tests.fuzz.parsers import PARSERS
from tests.fuzz.running import Failure, Parser, examples, run

assert parsers_media and parsers_verification  # imported for what they add
_TURN_S = 2.0


def _report(failures: dict[tuple[str, str], Failure], made: Counter[str], taken: Counter[str], seed: int) -> None:
    for name in PARSERS:
        if made[name]:
            print(f"{name:<18} {made[name]:>9} examples, {taken[name]:>8} taken")
    for failure in failures.values():
        print(f"FAILED {failure}")
    print(f"seed {seed}: {sum(made.values())} examples, {len(failures)} failures")


def main(arguments: Sequence[str]) -> int:
    """Fuzz; 0 when nothing but our own errors came out, 1 when something did, 2 for a wrong command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--minutes", type=float, default=1.0, help="how long (default 1)")
    parser.add_argument("--only", action="append", metavar="PARSER", help="only this parser; repeatable")
    parser.add_argument("--seed", type=int, default=None, help="begin with this seed (default: from the clock)")
    parser.add_argument("--list", action="store_true", help="list the parsers")
    asked = parser.parse_args(arguments)
    if asked.list:
        print("\n".join(PARSERS))
        return 0
    if strange := set(asked.only or ()) - set(PARSERS):
        print(f"error: no such parser: {', '.join(sorted(strange))}; --list lists them", file=sys.stderr)
        return 2
    seed = asked.seed if asked.seed is not None else int(time.time())
    chosen: list[Parser] = [p for p in PARSERS.values() if not asked.only or p.name in asked.only]
    sources = {p.name: examples(p, seed) for p in chosen}
    failures: dict[tuple[str, str], Failure] = {}
    made: Counter[str] = Counter()
    taken: Counter[str] = Counter()
    until = time.monotonic() + asked.minutes * 60
    while time.monotonic() < until:
        for each in chosen:
            turn = min(until, time.monotonic() + _TURN_S)
            while time.monotonic() < turn:
                good, failure, _ = run(each, next(sources[each.name]))
                made[each.name] += 1
                taken[each.name] += good
                if failure is not None and (key := (each.name, failure.message[-120:])) not in failures:
                    failures[key] = failure
                    print(f"FAILED {failure}", file=sys.stderr, flush=True)
    _report(failures, made, taken, seed)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
