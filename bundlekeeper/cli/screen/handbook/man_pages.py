"""Manual pages, one for each command and one for all, in the man macros of groff (man(7)), from the commands' own help.

Rules: every text is escaped, so that no line of ours is read as a request; a page of ours is replaced, any other file
of that name is left alone, and then no page at all is written.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from bundlekeeper import __version__
from bundlekeeper.cli.screen.help import COMMANDS, ENVIRONMENT, EXIT_STATUSES, OPTIONS
from bundlekeeper.cli.screen.usage.examples import EXAMPLES, AppCommand, walk
from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.formats.escape import shell_word

_MARK = '.\\" Made by: bundlekeeper help --man'


def pages(app: AppCommand) -> dict[str, str]:
    """Every page by its file's name; the page about the program is the first."""
    made = {"bundlekeeper.1": _program()}
    for words, command in walk(app):
        made[f"{_name(words)}.1"] = _page(words, command)
    return made


def write(folder: Path, app: AppCommand) -> list[str]:
    """Write all pages into a folder that is there; return their names.

    Raises InputError where there is no such folder, or another file has a page's name; UnfinishedError.
    """
    made = pages(app)
    if not folder.is_dir():
        raise InputError(
            "there is no such folder", where=str(folder), hint=f"make it first: mkdir -p {shell_word(str(folder))}"
        )
    try:
        foreign = [name for name in made if not _is_ours(folder / name)]
        if foreign:
            raise InputError(
                "another file is in a page's place; nothing was written", where=str(folder / foreign[0]),
                hint="move it away, or name another folder", evidence=foreign[1:],
            )  # fmt: skip
        for name, text in made.items():
            temporary = folder / f".{name}.part"
            try:
                temporary.write_text(text, "utf-8")
                temporary.replace(folder / name)
            finally:
                temporary.unlink(missing_ok=True)
    except OSError as error:
        raise UnfinishedError(f"the pages could not be written: {error.strerror}", where=str(folder)) from error
    return list(made)


def _is_ours(path: Path) -> bool:
    if not os.path.lexists(path):
        return True
    return path.is_file() and not path.is_symlink() and path.read_text("utf-8", "replace").startswith(_MARK)


def _name(words: tuple[str, ...]) -> str:
    return "-".join(("bundlekeeper", *words))


def _head(name: str, short: str) -> Iterator[str]:
    yield _MARK
    yield f'.TH "{_escaped(name.upper())}" 1 "" "bundlekeeper {__version__}" "bundlekeeper"'
    yield from (".SH NAME", f"{_escaped(name)} \\- {_escaped(short)}")


def _program() -> str:
    lines = [*_head("bundlekeeper", "keep firmware bundles, verify them, plan with them, and know what is where")]
    lines += [".SH SYNOPSIS", ".B bundlekeeper", _escaped("[--store DIR] COMMAND [OPTIONS] [ARGUMENTS]")]
    lines.append(".SH COMMANDS")
    for name, (_, short) in COMMANDS.items():
        lines += [".TP", f".B {_escaped(name)}", _escaped(short)]
    statuses = ((str(status), means) for status, means in EXIT_STATUSES)
    for title, entries in (("OPTIONS", OPTIONS), ("ENVIRONMENT", ENVIRONMENT), ("EXIT STATUS", statuses)):
        lines.append(f".SH {title}")
        for name, what in entries:
            lines += [".TP", f".B {_escaped(name)}", _escaped(what)]
    lines += [".SH FILES", _escaped("bundlekeeper help config says which config file is read, and what it may hold.")]
    lines += [".SH SEE ALSO", _escaped("bundlekeeper help lists the topics of the handbook.")]
    return "\n".join(lines) + "\n"


def _page(words: tuple[str, ...], command: AppCommand) -> str:
    name = _name(words)
    lines = [*_head(name, command.short_help or "")]
    arguments = [p for p in command.params if p.param_type_name == "argument"]
    usage = " ".join(["[OPTIONS]", *(argument.metavar or argument.name.upper() for argument in arguments)])
    commands = getattr(command, "commands", {})
    lines += [".SH SYNOPSIS", f".B {_escaped('bundlekeeper ' + ' '.join(words))}"]
    lines.append(_escaped("COMMAND [OPTIONS] [ARGUMENTS]" if commands else usage))
    lines.append(".SH DESCRIPTION")
    for number, paragraph in enumerate((command.help or "").split("\n\n")):
        lines += [*([".PP"] if number else []), _escaped(" ".join(paragraph.split()))]
    if commands:
        lines.append(".SH COMMANDS")
        for own_name, own in commands.items():
            lines += [".TP", f".B {_escaped(own_name)}", _escaped(own.short_help or "")]
    for title, entries in (("ARGUMENTS", arguments), ("OPTIONS", [p for p in command.params if p not in arguments])):
        shown = [entry for entry in entries if not getattr(entry, "hidden", False)]
        lines += [f".SH {title}"] if shown else []
        for entry in shown:
            required = " (required)" if entry.required else ""
            lines += [".TP", f".B {_escaped(_spelled(entry))}", _escaped(f"{entry.help or ''}{required}")]
    example = EXAMPLES.get(" ".join(words))
    if example is not None:
        lines += [".SH EXAMPLE", "In the folder of a tour:", ".PP", ".nf", _escaped(f"bundlekeeper {example.words}")]
        lines += [".fi", ".SH SEE ALSO", ".BR bundlekeeper (1)", _escaped(f"and: bundlekeeper help {example.topic}")]
    return "\n".join(lines) + "\n"


def _spelled(entry: AppCommand) -> str:
    if entry.param_type_name == "argument":
        return str(entry.metavar or entry.name.upper())
    value = "" if entry.is_flag else f" {entry.metavar or 'VALUE'}"
    return ", ".join((*entry.opts, *entry.secondary_opts)) + value


def _escaped(text: str) -> str:
    """A text that groff prints as it is: no request, no escape, its hyphens those of a command line."""
    escaped = text.replace("\\", "\\e").replace("-", "\\-")
    escaped = "".join(char if char.isascii() else f"\\[u{ord(char):04X}]" for char in escaped)
    return f"\\&{escaped}" if escaped.startswith((".", "'")) else escaped
