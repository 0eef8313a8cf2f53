"""Errors on the screen: one sentence, one hint, and the cases under them."""

from __future__ import annotations

import contextvars
import io
import re
from dataclasses import replace

import pytest

from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError
from bundlekeeper.findings import finding


def test_the_cases_of_an_error_stand_under_its_hint_and_many_are_counted(capsys: pytest.CaptureFixture[str]) -> None:
    problems = [finding("missing", f"file-{number}", "is not there", "bring it") for number in range(9)]
    error = InputError(
        "2 rows are wrong", hint="bring it", where="a.csv", problems=problems, evidence=["row 1", "row 2\x1b"]
    )
    output.error_text(error)
    rows = capsys.readouterr().err.splitlines()
    assert rows[:5] == ["error: 2 rows are wrong", "where: a.csv", "hint: bring it", "  row 1", "  row 2\\x1b"]
    assert rows[5:] == [
        *(f"  error: missing: file-{n}: is not there" for n in range(8)),
        "  and 1 more (--json lists all)",
    ]


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_long_line_is_broken_at_words_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """A path stays whole, and the line with the caret under it is as it is."""
    monkeypatch.setenv("COLUMNS", "60")
    path = "/srv/" + "firmware/" * 9
    found = finding(
        "missing", "a.bin", "is not there " * 9, f"copy it from another place: cp {path} and verify it again"
    )
    excerpt = f"{'x' * 70} = 1\n{' ' * 70}^"
    found = replace(found, excerpt=excerpt)
    on_terminal, in_pipe = _Terminal(), io.StringIO()
    output.write_findings([found], on_terminal)
    output.write_findings([found], in_pipe)
    assert len(in_pipe.getvalue().splitlines()) == 4
    lines = re.sub(r"\x1b\[[0-9;]*m", "", on_terminal.getvalue()).splitlines()
    own = [line for line in lines if path not in line and not line.startswith("    x") and "^" not in line]
    assert max(map(len, own)) <= 60
    assert len(own) > 4
    assert any(path in line for line in lines)
    assert [f"    {line}" for line in excerpt.split("\n")] == [line for line in lines if "xxx" in line or "^" in line]
    assert " ".join(" ".join(lines).split()) == " ".join(in_pipe.getvalue().split())


def test_json_and_python_have_the_cases_in_the_sentence() -> None:
    error = InputError("2 rows are wrong", evidence=["row 1", "row 2"])
    assert output.error_about(error)["message"] == str(error) == "2 rows are wrong: row 1; row 2"
    assert output.error_about(InputError("it is so"))["message"] == "it is so"


@pytest.mark.parametrize(
    ("text", "pasted"),
    [
        ("bundlekeeper where holm-a", "bundlekeeper where --store 'my store' holm-a"),
        ("see: bundlekeeper ledger undo 13e8)", "see: bundlekeeper ledger undo --store 'my store' 13e8)"),
        ("bundlekeeper export csv where, or not", "bundlekeeper export csv where --store 'my store', or not"),
        ("bundlekeeper gaps", "bundlekeeper gaps --store 'my store'"),
        *((text, text) for text in (
            "bundlekeeper where --help",
            "bundlekeeper store list --store other",
            "bundlekeeper manifest lint x.toml",
            "bundlekeeper help store",
            "bundlekeeper prints where",
            "then there: bundlekeeper receipt read r.json",
        )),
    ],
)  # fmt: skip
def test_a_command_to_be_pasted_asks_the_store_of_the_command_line(text: str, pasted: str) -> None:
    assert output.of_store(text) == text
    context = contextvars.copy_context()
    context.run(output.STORE.set, "my store")
    assert context.run(output.of_store, text) == pasted
