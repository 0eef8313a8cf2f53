"""The topics of the handbook: Markdown files of the package, whose generated parts are filled in from the code.

Rules: the list of topics is closed, a test compares it with the files; a line `{{NAME}}` of a file is a generated part,
and a name that is none is an internal error; a topic is exactly one word and is never guessed.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from importlib import resources

from bundlekeeper.errors import InputError

#: In the order in which a newcomer needs them.
TOPICS = (
    "manifest",
    "versions",
    "store",
    "trust",
    "inventory",
    "columns",
    "route",
    "plan",
    "upload",
    "media",
    "receipt",
    "shared",
    "exports",
    "codes",
    "exit",
    "json",
    "config",
    "offline",
    "automation",
    "figures",
)

_PART = re.compile(r"(?m)^\{\{([a-z-]+)\}\}$")

#: A generated part of a topic: its name in a file, and what makes its Markdown.
Parts = Mapping[str, Callable[[], str]]


def titles() -> dict[str, str]:
    """Each topic and its first line. Raises nothing that a user can cause."""
    return {name: handbook_file(f"{name}.md").partition("\n")[0].removeprefix("# ") for name in TOPICS}


def topic(name: str, parts: Parts) -> str:
    """The Markdown of a topic, its generated parts filled in. Raises InputError for a word that is no topic."""
    if name not in TOPICS:
        near = difflib.get_close_matches(name.lower(), TOPICS, n=1, cutoff=0.6)
        hint = f"did you mean: bundlekeeper help {near[0]}" if near else "bundlekeeper help lists the topics"
        raise InputError(f"no such topic: {name}", hint=hint)
    return _PART.sub(lambda found: parts[found[1]](), handbook_file(f"{name}.md"))


def part_names(name: str) -> list[str]:
    """The names of the generated parts of a topic."""
    return _PART.findall(handbook_file(f"{name}.md"))


def handbook_file(name: str) -> str:
    """The text of a file of the handbook."""
    return resources.files("bundlekeeper").joinpath("handbook", name).read_text("utf-8")
