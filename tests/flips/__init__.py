"""Seeded bit flips in a store's two databases, and whether any command then gives a false answer.

One flip: one bit of the database's file is turned, then each command of `running.COMMANDS` runs on the store as it was
before, with that one bit turned, and everything is put back. Seen as a violation:

- `bug`: exit status 70, an unknown status, or the end by a signal;
- `moved`: a bundle's file is no longer at its place, is another, or was touched;
- `false answer`: status 0 or 1 and another status or other JSON than the whole store gave (times of the run itself do
  not count), while no finding says `damaged`;
- `misleading`: status 2 or 4, which blames the user or the store for what the bit did, while nothing says `damaged`;
- `no way out`: status 3 without a hint, neither in the error nor in a `damaged` finding.

`python -m tests.flips --database store database|ledger --seed N --count M` does M flips and prints the counts and each
violation with the words that replay it (`--first I --count 1`). A world is made again each time (`world.make`): its
rows hold other times, so a replay hits the same byte of a file of the same layout, and hardly ever another value.
Half of the flips fall anywhere in the file, half on bytes that are not zero.

Commands run by fork from one process that has everything imported, through the door of the command line itself
(`bundlekeeper.__main__.main`), so that exit statuses are real and a run costs some 50 ms instead of a start of Python.
The process that forks must have one thread: the tests start it as a process of its own.
"""
