"""What a command line cannot mean: the placeholder of a usage line in the place of a value."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import MARRAM, Keeper


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("ledger", "undo", "abcd", "--reason", "TEXT"), "TEXT is a placeholder: --reason has no value"),
        (("receipt", "write", "--site", "SITE", "--out", "r.json"), "SITE is a placeholder: --site has no value"),
        (("inventory", "load", str(MARRAM), "--reported-by", "NAME"), "NAME is a placeholder: --reported-by has"),
    ],
)
def test_a_command_that_was_pasted_as_it_was_printed_is_refused(
    keeper: Keeper, words: tuple[str, ...], said: str
) -> None:
    done = keeper(*words)
    assert (done.status, said in done.err) == (2, True), done.err
    assert "hint: if it is meant: --" in done.err


def test_what_is_called_so_can_be_meant(keeper: Keeper, tmp_path: Path) -> None:
    """With an equals sign; and a file that is there is no placeholder."""
    (tmp_path / "FILE").write_text(MARRAM.read_text())
    assert keeper("inventory", "load", tmp_path / "FILE", "--form", "toml", "--reported-by=NAME").status == 0
    assert "NAME" in keeper("where", "HOLMA-IO1", "--history").out
