"""The list of guards against the tree: each still stands where the list says, once, and names a test that exists.

Taking them all out is for the command alone (`python -m tests.guards`); here one is, so that the command itself works.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.guards import __main__ as command
from tests.guards.known import GUARDS, Guard
from tests.house.register import functions_of

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: guard.name)
def test_every_guard_stands_where_the_list_says(guard: Guard) -> None:
    """ "Take out each guard once, by hand, and see its test go red": its text once, other text that still compiles."""
    text = (ROOT / "bundlekeeper" / guard.file).read_text("utf-8")
    assert text.count(guard.old) == 1
    assert guard.new != guard.old
    ast.parse(text.replace(guard.old, guard.new))
    file, _, name = guard.test.partition("::")
    assert name in functions_of(file)


def test_the_list_is_long_and_names_each_guard_once() -> None:
    assert len({guard.name for guard in GUARDS}) == len(GUARDS) >= 40
    assert len({(guard.file, guard.old, guard.new) for guard in GUARDS}) == len(GUARDS)


SMALL = Guard(
    "JSON: NaN",
    "formats/json_read.py",
    ", parse_constant=_constant",
    "",
    "faults/test_input.py::test_json_that_a_lenient_reader_would_allow",
)


@pytest.mark.slow
def test_the_command_sees_red_and_green(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Red where a guard is gone, green where nothing that matters was changed, broken where the text is not there."""
    same = Guard("nothing", SMALL.file, "import math\n", "import math  # as before\n", SMALL.test)
    gone = Guard("gone", SMALL.file, "no such text", "", SMALL.test)
    monkeypatch.setattr(command, "GUARDS", (SMALL, same, gone, GUARDS[0]))
    assert command.main(["--only", "json_read"]) == 1
    reported = [line.split("  ")[0] for line in capsys.readouterr().out.splitlines()]
    assert reported[1:4] == ["red", "GREEN", "BROKEN"]
