"""What every command has from here: options that take one value refuse a second one, and help is never cut.

Rules: the last value never wins in silence; every option that is given too often is named at once; an option that takes
several values keeps all of them, and is not counted here; no value is the next option, which was to be obeyed, nor the
placeholder that a usage line has for it.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from bundlekeeper.errors import InputError

_PLACEHOLDER = re.compile("[A-Z]{2,}")


def prepare(command: Any) -> None:  # noqa: ANN401 - a command of the parser's, which has no public name
    """Make a command, and every command under it, refuse an option that is given twice and takes one value.

    Parsing then raises InputError. A group's help has the first sentence of each command whole.
    """
    for below in getattr(command, "commands", {}).values():
        prepare(below)
    command.short_help = " ".join((command.help or "").partition("\n\n")[0].split()).partition(". ")[0].rstrip(".")
    make = command.make_parser

    def make_parser(context: Any) -> Any:  # noqa: ANN401 - the parser, and its context
        parser = make(context)
        parse = parser.parse_args

        def parse_args(args: list[str]) -> Any:  # noqa: ANN401 - what the parser returns
            words = tuple(args)  # the parser empties the list
            values, left, order = parse(args)
            _insist_on_values(words, order, values)
            _insist_on_filled(words, order, values)
            _insist_on_once(order)
            return values, left, order

        parser.parse_args = parse_args
        return parser

    command.make_parser = make_parser


def _insist_on_values(words: Sequence[str], order: Sequence[Any], values: Mapping[str, Any]) -> None:
    """Raise InputError where the value of an option is the word after it, and looks like another option."""
    for option in order:
        found = values.get(option.name)
        for value in found if isinstance(found, list) else [found]:
            if isinstance(value, str) and value.startswith("--") and value in words:
                name = _name(option)
                if f"{name}={value}" not in words:
                    raise InputError(f"{name} has no value before {value}", hint=f'if it is meant: {name}="{value}"')


def _insist_on_filled(words: Sequence[str], order: Sequence[Any], values: Mapping[str, Any]) -> None:
    """Raise InputError where the value of an option is its placeholder: the command was pasted as it was printed."""
    for option in order:
        found, name = values.get(option.name), _name(option)
        for word in (option.metavar or "", name.lstrip("-").upper()):
            given = _PLACEHOLDER.fullmatch(word) and word in (found if isinstance(found, list) else [found])
            if given and {*option.opts} & {*words} and f"{name}={word}" not in words and not os.path.lexists(word):
                raise InputError(f"{word} is a placeholder: {name} has no value", hint=f"if it is meant: {name}={word}")


def _insist_on_once(order: Sequence[Any]) -> None:
    """Raise InputError where a parameter comes twice in `order`, which has one entry for each use."""
    often = {
        parameter: count
        for parameter, count in Counter(order).items()
        if count > 1 and not parameter.multiple and not parameter.is_eager
    }
    if not often:
        return
    options = [f"{_name(option)} is given {_times(count)}" for option, count in often.items()]
    takes = any(not option.is_flag for option in often)
    hint = "each takes one value: name it once, or repeat the command" if takes else "name it once"
    raise InputError("; ".join(options), hint=hint)


def _name(option: Any) -> str:  # noqa: ANN401 - an option of the parser's
    return str(max(option.opts, key=len))


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{count} times"
