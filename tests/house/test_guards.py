"""The list of guards against the tree: each still stands where the list says, once, and names a test that exists.

Taking them all out is for the command alone (`python -m tests.guards`); here one is, so that the command itself works.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.guards import __main__ as command
from tests.guards.known import GUARDS, Guard
from tests.house.register import functions_of
from tests.kits.sure import some

ROOT = Path(__file__).parents[2]


def _misplaced(guard: Guard) -> Iterator[str]:
    text = (ROOT / "bundlekeeper" / guard.file).read_text("utf-8")
    file, _, name = guard.test.partition("::")
    if (count := text.count(guard.old)) != 1:
        yield f"{guard.name}: its text stands {count} times in {guard.file}"
    if guard.new == guard.old:
        yield f"{guard.name}: taking it out changes nothing"
    if not _compiles(text.replace(guard.old, guard.new)):
        yield f"{guard.name}: what is put in its place does not compile"
    if name not in functions_of(file):
        yield f"{guard.name}: there is no {guard.test}"


def _compiles(text: str) -> bool:
    try:
        ast.parse(text)
    except SyntaxError:
        return False
    return True


def test_every_guard_stands_where_the_list_says() -> None:
    """ "Take out each guard once, by hand, and see its test go red": its text once, other text that still compiles."""
    assert [problem for guard in some(GUARDS) for problem in _misplaced(guard)] == []


def test_a_guard_that_does_not_stand_there_is_seen() -> None:
    one = GUARDS[0]
    assert list(_misplaced(one)) == []
    for wrong in (
        replace(one, old="no such text"),
        replace(one, new=one.old),
        replace(one, new="("),
        replace(one, test=f"{one.test}_of_nothing"),
    ):
        assert len(list(_misplaced(wrong))) == 1


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
