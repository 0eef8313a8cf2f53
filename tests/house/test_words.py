"""What people read is in plain words: no text of the project uses a word that was retired, or an unknown acronym.

Read are the strings of the package (not its docstrings), the help of every command, the templates, the handbook, the
two documents and the example manifests.
"""

from __future__ import annotations

import ast
import contextlib
import importlib
import io
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer

from bundlekeeper.cli.screen.help import COMMANDS, root_help
from tests.guards.retired_words import ACRONYMS, ALLOWED, BRACKETED_VERSION, NAMES, WORDS, RetiredWord
from tests.kits.sure import some

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "bundlekeeper"
_KEY = re.compile(r"[\w.:/*%-]*")
_CAPITALS = re.compile(r"(?<![\w=%-])[A-Z]{2,6}(?![\w=($]|-[A-Z][A-Z0-9])")
_SQL = re.compile(r"\b(SELECT|INSERT|CREATE|PRAGMA|DELETE|UPDATE|BEGIN|COMMIT|EXCEPT|WHERE|FROM|DESC|GRANT)\b")
#: A text that people read: where it is, and its words.
PlacedText = tuple[str, str]


def _strings(path: Path) -> Iterator[tuple[int, str]]:
    """Every string of a module that is no docstring, with its line."""
    tree = ast.parse(path.read_text("utf-8"))
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings:
            yield node.lineno, node.value


def _of_modules() -> Iterator[PlacedText]:
    for path in sorted(PACKAGE.rglob("*.py")):
        for number, text in _strings(path):
            for further, line in enumerate(text.split("\n")):
                yield f"{path.relative_to(ROOT)}:{number + further}", line


def _of_files() -> Iterator[PlacedText]:
    templates = [
        path
        for path in PACKAGE.rglob("*")
        if path.is_file() and path.suffix in {".html", ".txt", ".css", ".md", ".toml"}
    ]
    examples = [path for path in (ROOT / "manifests").rglob("*") if path.is_file()]
    for path in sorted([*some(templates), *some(examples), ROOT / "README.md", ROOT / "DEVELOPERS.md"]):
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
            yield f"{path.relative_to(ROOT)}:{number}", line


def _of_help() -> Iterator[PlacedText]:
    """The help of every command, its options, arguments and metavars included."""
    app = typer.Typer(add_completion=False, rich_markup_mode=None)
    for module in dict.fromkeys(module for module, _ in COMMANDS.values()):
        importlib.import_module(module).register(app)
    for words, command in _commands(typer.main.get_command(app), ("bundlekeeper",)):
        with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.suppress(SystemExit):
            command.main(["--help"], prog_name=" ".join(words), standalone_mode=True)
        for number, line in enumerate(out.getvalue().splitlines(), 1):
            yield f"{' '.join(words)} --help:{number}", line
    yield from ((f"bundlekeeper --help:{number}", line) for number, line in enumerate(root_help().splitlines(), 1))


def _commands(command: Any, words: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any]]:
    if len(words) > 1:
        yield words, command
    for name, own in getattr(command, "commands", {}).items():
        yield from _commands(own, (*words, name))


@cache
def _texts() -> tuple[PlacedText, ...]:
    return tuple(some([*some(list(_of_modules())), *some(list(_of_files())), *some(list(_of_help()))]))


def _allowed(place: str, text: str) -> bool:
    return any(place.startswith(use.place) and use.text in text for use in ALLOWED)


def _problems(texts: tuple[PlacedText, ...], retired: tuple[RetiredWord, ...]) -> list[str]:
    """Each use of a retired word: where, which, and what is written in its place."""
    pattern = re.compile("|".join(f"(?:{word.pattern})" for word in retired))
    return [
        f"{place}: {match[0]!r}: {_instead(match[0], text, retired)}"
        for place, text in texts
        for match in pattern.finditer(text)
        if not _allowed(place, text)
    ]


def _instead(found: str, text: str, retired: tuple[RetiredWord, ...]) -> str:
    return next(word.instead for word in retired if any(m[0] == found for m in re.finditer(word.pattern, text)))


def _sentences() -> tuple[PlacedText, ...]:
    """The texts without those that are one key."""
    return tuple((place, text) for place, text in _texts() if not _KEY.fullmatch(text))


def test_no_text_uses_a_retired_word() -> None:
    assert _problems(_sentences(), WORDS) == []


def test_no_text_uses_a_retired_name() -> None:
    """Of a command, an option, a code, a key or a file."""
    assert _problems(_texts(), NAMES) == []


def test_no_text_holds_a_bracketed_version() -> None:
    assert _problems(_texts(), (BRACKETED_VERSION,)) == []


def test_an_acronym_is_listed_or_a_word_in_capitals() -> None:
    """Else it may be a maker's own: it is spelled out, or it is of an open standard and goes to the list."""
    words = {word for _, text in _sentences() for word in re.findall(r"[a-z]+", text)}
    assert [
        f"{place}: {found}"
        for place, text in _sentences()
        if not _SQL.search(text)
        for found in _CAPITALS.findall(text)
        if found not in ACRONYMS and found.lower() not in words and not _allowed(place, text)
    ] == []


def test_each_acronym_of_the_list_is_used() -> None:
    """So that the list does not become a way round the rule."""
    used = {found for _, text in _sentences() for found in _CAPITALS.findall(text)}
    assert sorted(ACRONYMS - used) == []


def test_each_exception_is_used_and_has_a_reason() -> None:
    used = [use for use in ALLOWED if any(place.startswith(use.place) and use.text in text for place, text in _texts())]
    assert [use for use in ALLOWED if use not in used or not use.reason] == []


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("what is told of it", True),
        ("retold understanding", False),
        ("the bundle is not held", True),
        ("signatures are held against keys", False),
        ("nothing is proven", True),
        ("improve, provide, proofread", False),
        ("make the plan anew", True),
        ("the run-book of a plan", False),
        ("leave the option away", True),
        ("there is no way back", False),
        ("there is no way", True),
    ],
)
def test_the_words_are_seen_and_others_are_not(text: str, seen: bool) -> None:
    assert bool(_problems((("here", text),), WORDS)) == seen


def test_names_versions_and_keys_are_seen() -> None:
    assert _problems((("here", "wrong-build"),), NAMES) == ["here: 'wrong-build': wrong-variant, variant-…"]
    assert _problems((("here", "bundlekeeper take it"), ("here", "store add --route F")), NAMES) != []
    assert _problems((("here", "4.2" + "(3b)"),), (BRACKETED_VERSION,)) != []
    assert _problems((("here", "6.1.0 (current)"),), (BRACKETED_VERSION,)) == []
