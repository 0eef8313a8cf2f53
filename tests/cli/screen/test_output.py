"""Errors on the screen: one sentence, one hint, and the cases under them."""

from __future__ import annotations

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


def test_json_and_python_have_the_cases_in_the_sentence() -> None:
    error = InputError("2 rows are wrong", evidence=["row 1", "row 2"])
    assert output.error_about(error)["message"] == str(error) == "2 rows are wrong: row 1; row 2"
    assert output.error_about(InputError("it is so"))["message"] == "it is so"
