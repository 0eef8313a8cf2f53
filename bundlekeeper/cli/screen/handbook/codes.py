"""One finding code on the screen: what it means, what it does to the exit status, what to do, an example."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from textwrap import wrap

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.cli.screen.tables import width_of
from bundlekeeper.jobs.handbook.codes import CodeExample, Explanation

_INDENT = "  "


def show(found: Explanation, form: OutputForm) -> None:
    """Print an explanation."""
    if form is OutputForm.JSON:
        example = {key: text for key in CodeExample.__slots__ if (text := getattr(found.example, key))}
        output.envelope(
            "explain",
            (),
            {
                "code": found.name,
                "level": found.code.level.value,
                "meaning": found.code.meaning,
                "reported_by": [codes.reported_by.replace("`", "") for codes in found.lists],
                "exit_status": found.exit_status,
                "effect": found.effect,
                "do": found.do,
                "example": example,
            },
        )
        return
    for text in _lines(found):
        output.line(text)


def _lines(found: Explanation) -> Iterator[str]:
    yield f"{found.name} ({found.code.level.value})"
    yield from _wrapped(found.code.meaning)
    yield from ("", "exit status:")
    yield from _wrapped(found.effect)
    yield from ("", "reported by:")
    for codes in found.lists:
        yield from _wrapped(codes.reported_by.replace("`", ""))
    yield from ("", "what to do:")
    yield from _wrapped(found.do)
    yield from ("", "example:")
    yield from _example(found.example)


def _example(example: CodeExample) -> Iterator[str]:
    if example.text:
        yield from _wrapped(example.text)
    if example.command:
        yield f"{_INDENT}bundlekeeper {example.command}"
    right = "right" if example.wrong else "it comes about where this line is left out"
    for title, text in (("wrong", example.wrong), (right, example.right)):
        if text:
            yield f"{_INDENT}{title}:"
            yield from (f"{_INDENT * 2}{line}" for line in text.split("\n"))


def _wrapped(text: str) -> list[str]:
    width = width_of(sys.stdout)
    if width is None:
        return [_INDENT + text]
    return wrap(text, max(width, 20), initial_indent=_INDENT, subsequent_indent=_INDENT, break_long_words=False,
                break_on_hyphens=False)  # fmt: skip
