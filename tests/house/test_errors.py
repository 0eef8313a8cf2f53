"""What an error says: one sentence of what is wrong, one hint of what to do; read from every place that raises one."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from bundlekeeper import errors
from bundlekeeper.errors import KeeperError
from tests.kits.sure import some

ROOT = Path(__file__).parents[2]
SOURCES = sorted((ROOT / "bundlekeeper").rglob("*.py"))
NAMES = {name for name, kind in vars(errors).items() if isinstance(kind, type) and issubclass(kind, KeeperError)}
ANY = re.compile(rf"\b({'|'.join(NAMES)})\(")
LONGEST = 160  # characters of a text as it is written, names of values counted as ten
SENTENCE = re.compile(r"[.!?] +[^\W\da-z_]")


def _text(node: ast.expr | None) -> str:
    """The text as it is written; a value in it counts as ten letters, a text made elsewhere as none."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(_text(value) if isinstance(value, ast.Constant) else "v" * 10 for value in node.values)
    return ""


def _raised(tree: ast.AST) -> Iterator[tuple[int, str, str]]:
    """The line, the sentence and the hint of each error that is made."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in NAMES and node.args:
            hint = next((keyword.value for keyword in node.keywords if keyword.arg == "hint"), None)
            yield node.lineno, _text(node.args[0]), _text(hint)


def _wrong(source: str) -> list[str]:
    rows = []
    for line, message, hint in _raised(ast.parse(source)):
        if SENTENCE.search(message) or message.count("; ") > 1 or "\n" in message or message.endswith("."):
            rows.append(f"{line}: more than one sentence: {message}")
        if len(message) > LONGEST or len(hint) > LONGEST:
            rows.append(f"{line}: too long: {max(message, hint, key=len)}")
        if len(SENTENCE.findall(hint)) > 1 or "\n" in hint:
            rows.append(f"{line}: a hint of more than two sentences: {hint}")
    return rows


def test_an_error_is_one_sentence_and_one_hint() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}:{row}"
        for path in some(SOURCES)
        if ANY.search(text := path.read_text("utf-8"))
        for row in _wrong(text)
    ]
    assert wrong == []


def test_what_is_longer_is_seen() -> None:
    for made in (
        'InputError("it is so. And it is otherwise")',
        'InputError(f"{name} is so; it is otherwise; and so on")',
        f'RefusedError("{"x" * 161}")',
        'RefusedError("it is so", hint="Do this. Then do that. Then do more")',
        'RefusedError("it is so\\nand so", hint="do")',
    ):
        assert _wrong(made), made
    assert _wrong('InputError(f"{name}: no such thing; nothing was done", hint="Do this. Or do that")') == []
