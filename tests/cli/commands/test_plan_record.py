"""`plan record` on a terminal, where each exception is asked for, and with a workbook that somebody filled in."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.conftest import Keeper
from tests.kits.forked import ROOT
from tests.kits.plan_commands import NAME, kept_plan, outcomes


def _typed(store: Path, text: str) -> subprocess.CompletedProcess[str]:
    """Window 1 recorded by somebody who types the text at a terminal."""
    leader, follower = pty.openpty()
    try:
        os.write(leader, text.encode())  # the terminal keeps the lines until they are read
        words = [sys.executable, "-m", "bundlekeeper", "plan", "record", NAME, "--window", "1", "--store", str(store)]
        return subprocess.run(words, stdin=follower, capture_output=True, text=True, cwd=ROOT, check=False)
    finally:
        os.close(follower)
        os.close(leader)


def test_each_exception_is_asked_for_on_a_terminal(office: Keeper, tmp_path: Path) -> None:
    """What is no exception is asked for again; nothing is recorded before the last question is answered."""
    kept_plan(office, tmp_path)
    head = office("ledger", "verify", "--json").json["chain"]
    refused = _typed(tmp_path / "store", "HOLMB-IO1=failed:dead\n\nno\n")
    assert (refused.returncode, "nothing was recorded: it was not agreed to" in refused.stderr) == (4, True)
    assert office("ledger", "verify", "--json").json["chain"] == head
    done = _typed(tmp_path / "store", "HOLMB-IO9=failed:dead\nHOLMB-IO1=failed:dead\n\nyes\n")
    assert done.returncode == 0, done.stderr
    assert "holm-b to 6.1, window 1: 9 components" in done.stderr
    assert "nothing is left to record of 'HOLMB-IO9' in window 1: did you mean '" in done.stderr
    assert "record window 1 with 1 exception? (yes)" in done.stderr
    assert outcomes(office, 1)["HOLMB-IO1"] == "failed"
    assert set(outcomes(office, 1).values()) == {"failed", "not-read-back"}


def test_a_workbook_that_was_filled_in_is_read_back(office: Keeper, tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl", reason="it is in the extra test")
    kept_plan(office, tmp_path)
    sheet = tmp_path / "window-1.xlsx"
    assert office("plan", "record", NAME, "--window", "1", "--template", sheet).status == 0
    book = openpyxl.load_workbook(sheet)
    assert [cell.value for cell in book.active[1]] == ["component", "expected", "seen", "time", "reported by", "note"]
    seen = datetime.now(UTC).replace(microsecond=0, tzinfo=None) - timedelta(minutes=3)
    for row in book.active.iter_rows(min_row=2):
        is_broken = row[0].value == "HOLMB-IO1"
        row[2].value, row[3].value, row[4].value = "5.4.10" if is_broken else row[1].value, seen, "lee"
    book.save(sheet)
    done = office("plan", "record", NAME, "--window", "1", "--yes", "--zone", "UTC", "--sheet", sheet)
    assert (done.status, "HOLMB-IO1 runs 5.4.10, not 6.0.1: recorded as failed" in done.out) == (1, True), done.err
    assert outcomes(office, 1).pop("HOLMB-IO1") == "failed"
    assert set(outcomes(office, 1).values()) == {"failed", "done"}
    history = office("where", "HOLMB-IO2", "--history", "--json").out
    assert '"reported_by": "lee"' in history
    assert f'"at": {int(seen.replace(tzinfo=UTC).timestamp())}000000' in history
