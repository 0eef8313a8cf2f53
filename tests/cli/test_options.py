"""Options that are given twice: each counts twice, or is refused with a word; the last one never wins in silence."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from bundlekeeper.cli.screen.help import COMMANDS
from bundlekeeper.cli.screen.parsing import prepare
from bundlekeeper.cli.screen.run import dispatch
from bundlekeeper.errors import InputError
from tests.kits.sure import some


def _commands() -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every command that there is, below its groups, with the words that name it."""
    app = typer.Typer(add_completion=False)
    for module in dict.fromkeys(module for module, _ in COMMANDS.values()):
        importlib.import_module(module).register(app)
    yield from _below((), typer.main.get_command(app))


def _below(words: tuple[str, ...], command: Any) -> Iterator[tuple[tuple[str, ...], Any]]:
    below = getattr(command, "commands", None)
    if below is None:
        yield words, command
        return
    for name, one in below.items():
        yield from _below((*words, name), one)


EVERY = dict(_commands())


def _options(command: Any, *, several: bool) -> list[Any]:
    return [p for p in command.params if p.param_type_name == "option" and p.multiple == several and not p.is_eager]


def _twice(option: Any) -> list[str]:
    """The option given twice, under the first and the last of its names."""
    first, last = [option.opts[0]], [[*option.opts, *option.secondary_opts][-1]]
    return [*first, *last] if option.is_flag else [*first, "1", *last, "2"]


@pytest.mark.parametrize("words", some(w for w, c in EVERY.items() if _options(c, several=False)), ids=" ".join)
def test_an_option_given_twice_counts_twice_or_is_refused(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ "An option given twice counts twice or is refused with a word" (issue 15, point 9), of every command."""
    monkeypatch.chdir(tmp_path)  # a command that was not refused would write here
    command = EVERY[words]
    single = some(_options(command, several=False))
    with pytest.raises(InputError) as refused:
        dispatch([*words, *(word for option in single for word in _twice(option))])
    said = refused.value.message.split("; ")
    assert said == [f"{max(option.opts, key=len)} is given twice" for option in single]
    prepare(command)
    for option in _options(command, several=True):
        values, _, _ = command.make_parser(typer.Context(command)).parse_args(_twice(option))
        assert values[option.name] == ["1", "2"]
        assert "epeatable" in option.help, f"the help of {option.opts[0]} does not say so"


def test_each_option_that_is_given_too_often_is_named() -> None:
    """All problems at once, and what to do."""
    with pytest.raises(InputError) as refused:
        dispatch(["stage", "B7", "--note", "a", "--note", "b", "--note", "c", "--json", "--json"])
    assert refused.value.message == "--note is given 3 times; --json is given twice"
    assert refused.value.hint == "each takes one value: name it once, or repeat the command"
    assert refused.value.exit_code == 2
