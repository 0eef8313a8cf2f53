"""A topic on the screen: rendered on a terminal, as its Markdown elsewhere; the list of topics; a command's own help.

Rules: nothing is cut: what is wider than the terminal wraps; a command is shown as a command, never as a topic; with
--plain a table of the text is read from top to bottom, as every table.
"""

from __future__ import annotations

import difflib
import re
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.tables import PLAIN, width_of
from bundlekeeper.cli.screen.usage.examples import AppCommand, command_of, help_of, walk
from bundlekeeper.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult
    from rich.markdown import Markdown

_WIDEST = 100  # a line of prose that is longer is hard to follow


def show(name: str, text: str, form: OutputForm) -> None:
    """Print a topic's Markdown."""
    if form is OutputForm.JSON:
        output.envelope("help", (), {"topic": name, "text": text})
    else:
        markdown(text)


def markdown(text: str) -> None:
    """Print Markdown: rendered on a terminal, else as it is; with --plain its tables as `title: cell` lines."""
    if PLAIN.get():
        output.block("\n".join(_read_aloud(text.splitlines())).rstrip("\n"))
        return
    if not sys.stdout.isatty():
        output.block(text.rstrip("\n"))
        return
    from rich.console import Console
    from rich.theme import Theme

    width = min(width_of(sys.stdout) or _WIDEST, _WIDEST)
    theme = Theme({"markdown.code": "bold cyan"})  # rich's own has a black ground, also on a white terminal
    console = Console(file=sys.stdout, highlight=False, markup=False, emoji=False, width=width, theme=theme)
    console.print(_rendered(text))


def _read_aloud(lines: Iterable[str]) -> Iterator[str]:
    titles: list[str] = []
    for line in lines:
        cells = [cell.strip().replace(r"\|", "|") for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
        if not line.startswith("|"):
            titles = []
            yield line
        elif not titles:
            titles = cells
        elif set("".join(cells)) - set("-:"):  # else it is the line below the titles
            yield from (f"{title}: {cell}" for title, cell in zip(titles, cells, strict=False) if cell)
            yield ""


def _rendered(text: str) -> Markdown:
    """The Markdown with tables in which a word that is wider than its column goes on in the next line; rich cuts it."""
    from rich.markdown import Markdown, TableElement
    from rich.table import Table

    class WholeTable(TableElement):
        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            for part in super().__rich_console__(console, options):
                if isinstance(part, Table):
                    for column in part.columns:
                        column.overflow = "fold"
                yield part

    class WholeMarkdown(Markdown):
        elements: ClassVar = {**Markdown.elements, "table_open": WholeTable}

    return WholeMarkdown(text, hyperlinks=False, code_theme="ansi_light")


def show_list(titles: Mapping[str, str], form: OutputForm) -> None:
    """Print the topics, one line each."""
    if form is OutputForm.JSON:
        output.envelope("help", (), {"topics": [{"topic": name, "title": title} for name, title in titles.items()]})
        return
    output.line("Topics of the handbook (bundlekeeper help TOPIC):")
    for name, title in titles.items():
        output.line(f"  {name:<10}  {title}")
    output.line()
    output.line("bundlekeeper explain CODE   one finding code: what it means, what to do")
    output.line("bundlekeeper help COMMAND   the same as bundlekeeper COMMAND --help")


def show_command(words: Sequence[str], app: AppCommand, form: OutputForm) -> None:
    """Print a command's own help. Raises InputError for words that are neither a topic nor a command."""
    command = command_of(app, words)
    if command is None:
        raise _unknown(words, app)
    text = help_of(app, words)
    if form is OutputForm.JSON:
        output.envelope("help", (), {"command": list(words), "text": text})
        return
    output.line(f"`bundlekeeper {' '.join(words)}` is a command:")
    output.line()
    output.block(text.rstrip("\n"))


def _unknown(words: Sequence[str], app: AppCommand) -> InputError:
    from bundlekeeper.jobs.handbook.codes import explained
    from bundlekeeper.jobs.handbook.topics import TOPICS

    word = " ".join(words)
    if word in explained():
        return InputError(f"{word} is a finding code, no topic", hint=f"bundlekeeper explain {word}")
    near = difflib.get_close_matches(word.lower(), [*TOPICS, *_names(app)], n=1, cutoff=0.6)
    hint = f"did you mean: bundlekeeper help {near[0]}" if near else "bundlekeeper help lists the topics"
    return InputError(f"no such topic or command: {word}", hint=hint)


def _names(app: AppCommand) -> list[str]:
    return [" ".join(words) for words, _ in walk(app)]


def show_written(pages: Sequence[str], folder: Path, form: OutputForm) -> None:
    """Print which manual pages were written."""
    if form is OutputForm.JSON:
        output.envelope("help", (), {"folder": str(folder), "pages": list(pages)})
        return
    output.line(f"{len(pages)} manual pages written to {folder}")
    output.line(f"next: man {folder / pages[0]}")
