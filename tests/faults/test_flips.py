"""One turned bit anywhere in a store database never becomes a false answer, a moved file or internal error.

Some flips here, the same each time; more by `python -m tests.flips`.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.flips.running import Ran, fault

ROOT = Path(__file__).parents[2]


@pytest.mark.fault(88)
@pytest.mark.fault(89)
@pytest.mark.slow
@pytest.mark.parametrize(("database", "flips"), [("store database", 10), ("ledger", 3)])  # the ledger is asked more
def test_a_turned_bit_is_no_false_answer(database: str, flips: int) -> None:
    """Each command's answer is that of the whole store, or says what is damaged and the way out."""
    line = [sys.executable, "-m", "tests.flips", "--database", database, "--seed", "20261130", "--count", str(flips)]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, ""), done.stdout + done.stderr
    assert f"{flips} flips" in done.stdout


WHOLE = Ran(1, {"findings": [{"code": "withdrawn", "hint": ""}], "rows": [1]})
DAMAGED = {"code": "damaged", "hint": "bundlekeeper verify"}


@pytest.mark.parametrize(
    ("found", "kind"),
    [
        (WHOLE, None),
        (Ran(70, {}), "bug"),
        (Ran(-9, None), "bug"),
        (Ran(0, {"findings": [], "rows": [1]}), "false answer"),
        (Ran(1, {"findings": [{"code": "withdrawn", "hint": ""}], "rows": [2]}), "false answer"),
        (Ran(1, {"findings": [DAMAGED], "rows": [2]}), None),
        (Ran(2, {"findings": [], "error": {"hint": "no such domain", "message": "x"}}), "misleading"),
        (Ran(3, {"findings": [], "error": {"hint": "", "message": "x"}}), "no way out"),
        (Ran(3, None), "no way out"),
        (Ran(3, {"findings": [], "error": {"hint": "bundlekeeper verify", "message": "x"}}), None),
        (Ran(3, {"findings": [DAMAGED], "rows": []}), None),
    ],
)
def test_what_counts_as_a_violation(found: Ran, kind: str | None) -> None:
    """The runner itself can fail."""
    wrong = fault(WHOLE, found)
    assert (wrong[0] if wrong else None) == kind
