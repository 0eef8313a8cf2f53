"""Runs one command: finds its module, parses, calls, turns the result into an exit status.

Rules: only the module of the command that was asked for is imported; every error of ours becomes `error: / where: /
hint:` on stderr, or the JSON envelope on stdout under `--json`; anything else is an internal error: 70, and a traceback
only with `--debug`; a reader that went away is 3, without a message; a disk that is full under the output is 3 with
one.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.help import COMMANDS, GROUPS, WITHOUT_STORE
from bundlekeeper.cli.screen.parsing import prepare
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.cli.screen.streams import give_stdout_a_sink
from bundlekeeper.cli.screen.tables import PLAIN
from bundlekeeper.cli.screen.usage.ledger_at import LEDGER_AT, LedgerWords, without_ledger_words
from bundlekeeper.errors import (
    EXIT_BUG,
    EXIT_UNFINISHED,
    InputError,
    KeeperError,
    StoppedError,
    UnfinishedError,
    worst_exit,
)

if TYPE_CHECKING:
    from bundlekeeper.cli.screen.usage.examples import AppCommand

_OUTPUT_TROUBLE = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EPIPE}


def run(argv: Sequence[str]) -> int:
    """Run the command line `argv` (without the program's name) and return the exit status. Raises nothing."""
    words, debug = _without(list(argv), "--debug")
    words, plain = _without(words, "--plain")
    PLAIN.set(plain)
    command, wants_json = "", "--json" in _before_dashes(words)
    try:
        SIGNALS.install()
        words, ledger = without_ledger_words(words)
        LEDGER_AT.set(ledger)
        words = _store_after_command(words)
        output.STORE.set(_store_of(words))
        command = _command_of(words)
        if ledger != LedgerWords() and command.replace("-", " ") in WITHOUT_STORE:
            raise InputError("this command uses no ledger", hint="leave out --ledger-at and --offline")
        status = dispatch(words)
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        return _reader_left()
    except KeeperError as error:
        if debug:
            import traceback

            traceback.print_exc()
        if isinstance(error, StoppedError) and SIGNALS.exit_code:
            error.exit_code = SIGNALS.exit_code  # the work only knows that it must stop, not by which signal
        return _report(error, command, wants_json)
    except MemoryError:
        return _report(UnfinishedError("not enough memory", hint="free some, or raise the limit"), command, wants_json)
    except Exception as error:
        if isinstance(error, OSError) and _is_output_trouble(error):
            if error.errno != errno.EPIPE:  # a reader that left knows; a full disk under a redirection must be reported
                _report(
                    UnfinishedError(f"the output could not be written: {error.strerror}"), command, wants_json=False
                )
            return _reader_left()
        return _bug(error, command, wants_json, debug)


def _command_of(words: list[str]) -> str:
    """The command as in its JSON schema: `store-add`, `media-receive`."""
    command = words[0] if words else ""
    if command in GROUPS and len(words) > 1 and words[1].isascii() and words[1].isalpha():
        return f"{command}-{words[1].lower()}"
    return command


def _before_dashes(words: list[str]) -> list[str]:
    return words[: words.index("--")] if "--" in words else words


def _without(words: list[str], option: str) -> tuple[list[str], bool]:
    """The words without an option that every command has, and whether it was there."""
    head = _before_dashes(words)
    return [word for word in head if word != option] + words[len(head) :], option in head


def dispatch(words: list[str]) -> int:
    """Parse and call one command; return its exit status. Raises KeeperError."""
    import typer

    if len(words) == 1 and words[0] in GROUPS:
        words = [*words, "--help"]
    _insist_on_words(words)
    command = _app([_module_of(words[0] if words else "")])
    if {"-h", "--help"} & set(_before_dashes(words)):
        from bundlekeeper.cli.screen.usage.examples import dress

        dress(command)
    try:
        # Not `command.main`: it ends with 1 on a closed pipe, which is "something was found".
        with command.make_context("bundlekeeper", _spell_out_link(words)) as context:
            status = command.invoke(context)
    except typer.Exit as stop:
        return stop.exit_code
    except typer.Abort as error:
        raise SIGNALS.stopped() from error
    except typer.TyperException as error:
        message = error.format_message()
        raise InputError(message, hint=_usage_hint(words, message)) from error
    return status if isinstance(status, int) else 0


def _app(modules: Iterable[str]) -> AppCommand:
    """The command line of these modules' commands."""
    import typer

    app = typer.Typer(
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(lambda: None)
    for module in modules:
        importlib.import_module(module).register(app)
    command = typer.main.get_command(app)
    prepare(command)
    return command


def whole_app() -> AppCommand:
    """The command line of all commands, in the order of the root help, each with its example and topic."""
    from bundlekeeper.cli.screen.usage.examples import dress

    app = _app(dict.fromkeys(module for module, _ in COMMANDS.values()))
    app.commands = {name: app.commands[name] for name in COMMANDS}
    dress(app)
    return app


def _store_after_command(words: list[str]) -> list[str]:
    """`--store DIR` before the command, or after its group, is moved behind its words, where its parser expects it.

    A command that uses no store does not get it, so that an alias with a store works with every command.
    """
    group = words[:1] if words and words[0] in GROUPS else []
    after = words[len(group) :]
    if not after or not (after[0] == "--store" or after[0].startswith("--store=")):
        return words
    count = 2 if after[0] == "--store" else 1
    store, rest = after[:count], [*group, *after[count:]]
    if {" ".join(rest[:1]), " ".join(rest[:2])} & (WITHOUT_STORE - {"tour"}):  # which makes stores of its own
        return rest
    depth = next((number for number, word in enumerate(rest) if word.startswith("-")), len(rest))
    return [*rest[:depth], *store, *rest[depth:]] if rest else words


def _store_of(words: list[str]) -> str:
    """The store that the command line names, as it is written there; empty for none."""
    head = _before_dashes(words)
    named = [head[number] for number, word in enumerate(head[:-1], 1) if word == "--store"]
    named += [word.removeprefix("--store=") for word in head if word.startswith("--store=")]
    return named[-1] if named else ""


def _insist_on_words(words: Sequence[str]) -> None:
    """Refuse an empty word: with a script's empty variable a command would be about everything. Raises InputError."""
    for number, word in enumerate(words[1:], 1):
        before = words[number - 1]
        if not word or (word.startswith("--") and word.endswith("=") and word.count("=") == 1):
            name = word[:-1] if word else before if before.startswith("--") and "=" not in before else "an argument"
            raise InputError(
                f"{name} is empty", hint="is a variable of a script empty? Leave the option out, or fill it"
            )


def _usage_hint(words: list[str], message: str) -> str:
    has_own = words[0] in GROUPS and len(words) > 1 and not words[1].startswith("-")
    depth = 2 if has_own and not message.startswith("No such command") else 1
    return f"see: bundlekeeper {' '.join(words[:depth])} --help"


def _module_of(command: str) -> str:
    if command in COMMANDS:
        return COMMANDS[command][0]
    if command == "--store" or command.startswith("--store="):
        raise InputError("there is no command after --store DIR", hint="bundlekeeper --help lists the commands")
    import difflib  # only where a word is wrong

    near = difflib.get_close_matches(command, COMMANDS, n=1, cutoff=0.75)
    hint = f"did you mean: bundlekeeper {near[0]}" if near else "bundlekeeper --help lists the commands"
    what = "option before the command" if command.startswith("-") else "command"
    raise InputError(f"no such {what}: {command}", hint=hint)


def _spell_out_link(words: list[str]) -> list[str]:
    """A bare `--link` means `--link=reflink`; the option parser has no optional values."""
    head = _before_dashes(words)
    return [("--link=reflink" if w == "--link" else w) for w in head] + words[len(head) :]


def _report(error: KeeperError, command: str, wants_json: bool) -> int:
    with contextlib.suppress(OSError):
        if wants_json:
            output.error_envelope(error, command)
        else:
            output.error_text(error)
    return error.exit_code


def _bug(error: Exception, command: str, wants_json: bool, debug: bool) -> int:
    if debug:
        import traceback

        traceback.print_exc()
    bug = KeeperError(
        f"internal error: {type(error).__name__}: {error}",
        hint="run it again with --debug and send us the traceback; finished work is not lost",
    )
    _report(bug, command, wants_json)
    return EXIT_BUG


def _is_output_trouble(error: OSError) -> bool:
    """No file name: not one of the files that we opened, which are all wrapped where they are opened."""
    return error.filename is None and error.errno in _OUTPUT_TROUBLE


def _reader_left() -> int:
    give_stdout_a_sink()
    return worst_exit([EXIT_UNFINISHED, SIGNALS.exit_code])
