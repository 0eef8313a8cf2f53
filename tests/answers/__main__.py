"""`python -m tests.answers --update [NAME…]` keeps the answers again and prints what changed; the diff is to be read.

`--show NAME SEED` prints one answer as it is now; without either, only the diff is printed and nothing is written.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from itertools import zip_longest

from tests.answers import kept
from tests.answers.questions import QUESTIONS


def main(arguments: Sequence[str]) -> int:
    """Print the differences; 0 when there are none or they were written, else 1."""
    parser = argparse.ArgumentParser(prog="python -m tests.answers", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help="only these questions")
    parser.add_argument("--update", action="store_true")
    parser.add_argument("--show", nargs=2, metavar=("NAME", "SEED"))
    asked = parser.parse_args(arguments)
    if asked.show:
        name, seed = asked.show
        print(QUESTIONS[name].answer(int(seed)))
        return 0
    changed = 0
    for name in asked.names or QUESTIONS:
        before, now = kept.load(name), [QUESTIONS[name].answer(seed) for seed in range(QUESTIONS[name].seeds)]
        for seed, (old, new) in enumerate(zip_longest(before, now, fillvalue="")):
            for line in kept.difference(name, seed, old, new) if before else ():
                print(line)
        if before != now:
            changed += 1
            if asked.update:
                kept.keep(name, now)
    if asked.update and not asked.names:
        for path in kept.FOLDER.iterdir():
            if path not in {kept.path_of(name) for name in QUESTIONS}:
                path.unlink()
    return 1 if changed and not asked.update else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
