"""The question that is asked through libpq alone: what is loaded for it, and what it leaves to the usual way."""

from __future__ import annotations

import socket
import subprocess
import sys

import pytest

from bundlekeeper.ledger.shared import quick_look
from tests.kits.postgres import SharedDatabase, cluster, database

__all__ = ["cluster", "database"]

PROGRAM = """
import sys
from bundlekeeper.ledger.shared import quick_look
from bundlekeeper.ledger.shared.log import EventLog
quick_look._PATIENCE_S = 60.0
log, state = EventLog.open(sys.argv[1], write=False)
loaded = [name for name in sys.modules if name.startswith("psycopg")]
assert "psycopg.pq" in loaded and "psycopg" not in loaded and "psycopg.cursor" not in loaded, loaded
assert log.state() == state
import psycopg
assert psycopg.pq is sys.modules["psycopg.pq"] and psycopg.errors.UndefinedTable.sqlstate == "42P01"
log.close()
"""


def test_a_question_loads_no_more_than_libpq(database: SharedDatabase) -> None:
    """The rest of psycopg joins it when it is needed, as if it had been there from the start."""
    line = [sys.executable, "-c", PROGRAM, database.address()]
    done = subprocess.run(line, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_what_gives_no_answer_is_left_to_the_usual_way(
    database: SharedDatabase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two rows, an error, several servers, an address that is none, a server that never answers."""
    monkeypatch.setattr(quick_look, "_PATIENCE_S", 60.0)
    address = database.address()
    assert quick_look.ask(address, {}, "SELECT 'tern'") == "tern"
    assert quick_look.ask(address, {"application_name": "it's \\ this"}, "SHOW application_name") == "it's \\ this"
    for question in ("SELECT 1 UNION SELECT 2", "SELECT 1, 2", "SELECT nothing", "SELECT NULL"):
        assert quick_look.ask(address, {}, question) is None
    several = address.replace("host=", "host=/nowhere,").replace("port=", "port=1,")
    for wrong in (several, f"{address}&colour=red"):
        assert quick_look.ask(wrong, {}, "SELECT 1") is None
    with monkeypatch.context() as patched, socket.create_server(("127.0.0.1", 0)) as silent:
        patched.setattr(quick_look, "_PATIENCE_S", 0.01)
        port = silent.getsockname()[1]
        assert quick_look.ask(f"postgresql://kim@127.0.0.1:{port}/firmware", {}, "SELECT 1") is None
    with pytest.raises(quick_look.NotLetInError, match="refused"):
        quick_look.ask(f"postgresql://kim@127.0.0.1:{port}/firmware", {}, "SELECT 1")
    with pytest.raises(quick_look.NotLetInError, match="does not exist"):
        quick_look.ask(database.address("stranger"), {}, "SELECT 1")
