"""`bundlekeeper help`, `explain`, `completion`: the handbook, one finding code, and scripts for a shell."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bundlekeeper.cli.options import JsonOption, default_store, login_name
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.cli.screen.help import COMMANDS, EXIT_STATUSES
from bundlekeeper.errors import InputError
from bundlekeeper.findings import CODES

if TYPE_CHECKING:
    from bundlekeeper.jobs.handbook.topics import Parts

WordsArgument = Annotated[list[str] | None, typer.Argument(metavar="[TOPIC]", help="A topic, or a command's words.")]
ManOption = Annotated[
    Path | None, typer.Option("--man", metavar="DIR", help="Write a manual page of every command into this folder.")
]


def handbook(words: WordsArgument = None, man: ManOption = None, json: JsonOption = False) -> int:
    """Print a topic of the handbook; without one, list them. A topic wins over a command of the same name.

    One word that is a topic is that topic. Words that are a command are that command. Anything else is refused.
    """
    from bundlekeeper.cli.screen.handbook import man_pages, topics
    from bundlekeeper.cli.screen.run import whole_app
    from bundlekeeper.jobs.handbook.topics import TOPICS, titles, topic

    if man is not None:
        if words:
            raise InputError("--man writes the pages of all commands", hint="leave the word out")
        topics.show_written(man_pages.write(man, whole_app()), man, form=form_of(json=json))
        return 0
    if not words:
        topics.show_list(titles(), form=form_of(json=json))
    elif len(words) == 1 and words[0] in TOPICS:
        topics.show(words[0], topic(words[0], _parts()), form=form_of(json=json))
    else:
        topics.show_command(words, whole_app(), form=form_of(json=json))
    return 0


def _parts() -> Parts:
    """The generated parts of the topics; which config file holds is asked only for the topic that shows it."""
    from bundlekeeper.jobs import config
    from bundlekeeper.jobs.handbook.parts import parts

    return parts(EXIT_STATUSES, lambda: config.shown(os.environ, default_store(), login_name()))


def explain(
    code: Annotated[str, typer.Argument(metavar="CODE", help="A finding's code: the word after error: or warning:.")],
    json: JsonOption = False,
) -> int:
    """Explain one finding code: what it means, what it does to the exit status, what to do, with an example."""
    from bundlekeeper.cli.screen.handbook import codes as screen
    from bundlekeeper.jobs.handbook.codes import explain as job

    screen.show(job(code), form=form_of(json=json))
    return 0


def completion(
    shell: Annotated[str, typer.Argument(metavar="SHELL", help="bash, zsh or fish.")],
) -> int:
    """Print a script that completes commands, options, topics and codes in your shell, without starting Python."""
    from bundlekeeper.cli.screen.handbook import completion as screen
    from bundlekeeper.cli.screen.run import whole_app
    from bundlekeeper.jobs.handbook.codes import explained
    from bundlekeeper.jobs.handbook.topics import TOPICS
    from bundlekeeper.model.acceptance import NEVER

    can_be_accepted = tuple(code for code in CODES if code not in NEVER)
    arguments = {"explain": tuple(explained()), "accept": can_be_accepted, "completion": screen.SHELLS}
    screen.show(shell, whole_app(), {"help": tuple(dict.fromkeys((*TOPICS, *COMMANDS))), **arguments})
    return 0


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("help")(handbook)
    app.command("explain")(explain)
    app.command("completion")(completion)
