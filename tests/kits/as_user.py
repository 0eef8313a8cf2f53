"""Our command line as another user, for tests that root runs: what may not be entered, read or written for real.

Python and this program may lie where the other user may not look. So what an error needs is imported, and the same
command is run once as root, its output thrown away, for what it imports of others; the schemas are read from the folder
that the process is in, for which no folder above is asked. Then the process gives up its rights and runs the command.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.conftest import Ran
from tests.kits import forked

ROOT = Path(__file__).parents[2]
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="needs root to become another user")

_CHILD = """
import importlib, json, os, pkgutil, sys
from pathlib import Path
import bundlekeeper
from bundlekeeper.cli.screen.run import run
from bundlekeeper.ledger.event import database
from bundlekeeper.store.database import store_database
for name in ("model", "reports", "store"):
    package = importlib.import_module(f"bundlekeeper.{name}")
    for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        importlib.import_module(module.name)
user, groups, warm, words = json.loads(sys.argv[1])
quiet, out, err = os.open(os.devnull, os.O_WRONLY), os.dup(1), os.dup(2)
os.dup2(quiet, 1); os.dup2(quiet, 2)
for each in warm:
    run(each)
sys.stdout.flush(); sys.stderr.flush()
os.dup2(out, 1); os.dup2(err, 2)
os.chdir(bundlekeeper.__path__[0])
for each in (store_database.DATABASE, database.DATABASE):
    object.__setattr__(each, "schema", Path(os.path.relpath(each.schema)))
os.setgroups(groups); os.setgid(groups[0]); os.setuid(user)
status = run(words)
sys.stdout.flush(); sys.stderr.flush()
os._exit(status)
"""


def as_user(
    user: int, groups: Sequence[int], *words: str | Path, warm: Sequence[Sequence[str | Path]] | None = None
) -> Ran:
    """Run `bundlekeeper WORDS` as the user and the groups with these numbers, after WARM (default: WORDS) as root."""
    texts = [str(word) for word in words]
    given = json.dumps([user, list(groups), [[str(word) for word in each] for each in warm or [words]], texts])
    environment = {name: text for name, text in os.environ.items() if name != "BUNDLEKEEPER_STORE"}
    done = forked.run(["-c", _CHILD, given], env=environment)
    assert "Traceback" not in done.stderr, done.stderr
    return Ran(done.returncode, done.stdout, done.stderr)


@contextmanager
def open_folder() -> Iterator[Path]:
    """A folder that everybody may enter; pytest's own are closed to other users."""
    with tempfile.TemporaryDirectory(prefix="bundlekeeper-") as name:
        Path(name).chmod(0o755)
        yield Path(name)
