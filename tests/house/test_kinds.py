"""A kind of component is known by its name in one table only; all other code asks for a property of the kind."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import bundlekeeper
from bundlekeeper.model.vocabulary import KINDS, METHODS
from tests.kits.sure import some

ROOT = Path(bundlekeeper.__file__).parent

#: Where a name may stand, and why.
ALLOWED = {
    "model/vocabulary.py": "the table itself",
    "demo": "an invented platform, made of names",
    "links/redfish": "which kind a resource of the standard is, by default: a user's map overrides it",
    "model/media/capacity.py": "a disk that is written, no component",
}
_NAMES = (*KINDS, *METHODS)
_WORD = re.compile("|".join(rf"(?<![\w-]){re.escape(name)}(?![\w-])" for name in _NAMES if "-" in name))


def named(tree: ast.AST) -> Iterator[str]:
    """The names of kinds and methods in a module's strings; not in docstrings, which tell of examples."""
    docs = {
        id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            yield from _WORD.findall(node.value)
            if "-" not in node.value and node.value in _NAMES:
                yield node.value


@pytest.mark.parametrize(
    ("source", "names"),
    [
        ('MANAGER = "domain-manager"', ["domain-manager"]),
        ('f"{x}: model-list only"', ["model-list"]),
        ('kind == "bios"', ["bios"]),
        ('"the disk is full"', []),
        ('"my-io-module-2"', []),
        ('def f():\n    """Like io-module."""', []),
    ],
)
def test_the_reader_of_names(source: str, names: list[str]) -> None:
    assert list(named(ast.parse(source))) == names


def test_no_code_outside_the_table_knows_a_kind_or_a_method_by_name() -> None:
    found, met = [], set()
    for path in some(sorted(ROOT.rglob("*.py"))):
        place = path.relative_to(ROOT).as_posix()
        allowed = next((start for start in ALLOWED if place == start or place.startswith(f"{start}/")), None)
        names = sorted(set(named(ast.parse(path.read_text("utf-8")))))
        if names and allowed is None:
            found.append((place, names))
        if names and allowed is not None:
            met.add(allowed)
    assert found == []
    assert met == set(ALLOWED), "an exception that nothing needs"
