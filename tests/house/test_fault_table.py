"""The table of faults in DEVELOPERS.md against the tests: every fault has one that exists.

Rules: each number from 1 to LAST stands in exactly one row; each row names at least one test, as `file::function`, and
each of these is a test function of that file; a fault without a test yet must stand in PENDING, and none of those may
have one, so that the list can only shrink.
"""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
LAST = 98
#: Faults whose tests are being written; must be empty before anything is called done.
PENDING: frozenset[int] = frozenset()

_ROW = re.compile(r"^\| (\d+) \| (.*?) \| ?(.*?) ?\|$", re.MULTILINE)
_ID = re.compile(r"`(tests/\w+\.py)::(\w+)`")


def section(text: str) -> str:
    """The part of the document under `## Faults`."""
    return text.split("\n## Faults\n", 1)[1].split("\n## ", 1)[0]


def rows() -> list[tuple[int, str, str]]:
    """Number, what happens, and the cell of tests, of each row."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    return [(int(number), what, tests) for number, what, tests in _ROW.findall(section(text))]


@cache
def functions_of(file: str) -> frozenset[str]:
    """The names of the test functions at the top of a file."""
    path = ROOT / file
    if not path.exists():
        return frozenset()
    tree = ast.parse(path.read_text("utf-8"))
    return frozenset(n.name for n in tree.body if isinstance(n, ast.FunctionDef) and n.name.startswith("test_"))


def test_every_fault_stands_in_the_table_once() -> None:
    """ "a table in the project's DEVELOPERS.md says id → test": numbers in order, without gap or repetition."""
    assert [number for number, _, _ in rows()] == list(range(1, LAST + 1))
    assert all(what.strip() for _, what, _ in rows())


def test_every_fault_has_a_test_that_exists() -> None:
    wrong = []
    for number, _, tests in rows():
        ids = _ID.findall(tests)
        if bool(ids) == (number in PENDING):
            wrong.append(f"{number}: {'has tests but is pending' if ids else 'no test'}")
        wrong += [f"{number}: {file}::{name}" for file, name in ids if name not in functions_of(file)]
        if _ID.sub("", tests).strip(" ,"):
            wrong.append(f"{number}: not understood: {_ID.sub('', tests)}")
    assert wrong == []


def test_the_table_is_read_as_it_is_written() -> None:
    """The reader finds what a person sees, and would notice a test that is not there."""
    assert _ROW.findall("| 1 | a | `tests/test_x.py::test_a` |\n| 2 | b | |") == [
        ("1", "a", "`tests/test_x.py::test_a`"),
        ("2", "b", ""),
    ]
    assert "test_the_table_is_read_as_it_is_written" in functions_of("tests/house/test_fault_table.py")
    assert "test_that_is_not_there" not in functions_of("tests/house/test_fault_table.py")
