"""Findings in short: `!!` for an error, ` !` for a warning, one or two lines each, nothing for a note.

Rules: every error is reported, warnings of one code by the first of them and their number; what is left out here is
counted and shown by `--details`; lines wrap where the width of a line is known, else a finding is one line.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from textwrap import wrap

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.tables import width_of
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import counted, shell_word, visible

_ERRORS = 10  # shown at most; the others are counted
_LONG = 140  # characters of a warning: what fits two lines of 80 under a mark
MARKS = {Level.ERROR: " !! ", Level.WARNING: "  ! "}
_INDENT = "    "


def put(text: str, first: str = "", rest: str = "  ") -> None:
    """Print one piece of text, wrapped at blanks where the width of a line is known; a longer word stays whole."""
    width = width_of(sys.stdout)
    if width is None:
        output.line(first + text)
        return
    rows = wrap(visible(text), width, initial_indent=first, subsequent_indent=rest, break_long_words=False,
                break_on_hyphens=False)  # fmt: skip
    for row in rows or [first]:
        output.line(row.rstrip())


def tally(findings: Iterable[Finding]) -> str:
    """How many errors and warnings: `2 errors, 1 warning`; empty for neither."""
    levels = [found.level for found in findings]
    counts = ((levels.count(level), level.value) for level in (Level.ERROR, Level.WARNING))
    return ", ".join(counted(number, word) for number, word in counts if number)


def marked(findings: Iterable[Finding], own: str = "") -> None:
    """Print errors, then warnings, without the name `own` of what all of them are about; count what is left out."""
    rows = list(findings)
    errors = [found for found in rows if found.level is Level.ERROR]
    groups: dict[str, list[Finding]] = {}
    for found in rows:
        if found.level is Level.WARNING:
            groups.setdefault(found.code, []).append(found)
    for found in errors[:_ERRORS]:
        put(f"{found.code}: {_about(found, own)}{found.message}", MARKS[Level.ERROR], _INDENT)
    if len(errors) > _ERRORS:
        put(f"and {counted(len(errors) - _ERRORS, 'more error')} (--details)", _INDENT, _INDENT)
    for code, group in groups.items():
        number = f" ({len(group)})" if len(group) > 1 else ""
        put(_short(f"{code}{number}: ", group[0], own), MARKS[Level.WARNING], _INDENT)
    notes = sum(found.level is Level.NOTE for found in rows)
    hidden = sum(len(group) - 1 for group in groups.values())
    left = [counted(hidden, "more warning")] * bool(hidden) + [counted(notes, "note")] * bool(notes)
    if left:
        put(f"{' and '.join(left)}: --details", _INDENT, _INDENT)
    output.tell_accepted(rows)


def _about(found: Finding, own: str) -> str:
    subject = found.subject.removeprefix(f"{own}: ") if own else found.subject
    return "" if subject == own else f"{subject}: "


def _short(head: str, found: Finding, own: str) -> str:
    """A warning whole where that is short; else with its first name, and as far as its first pause."""
    about, message = _about(found, own), found.message
    if len(head + about + message) > _LONG and ", " in about:
        about = f"{about.partition(', ')[0]} and others: "
    if len(head + about + message) > _LONG:
        ends = [end for pause in (": ", "; ", " (") if (end := message.find(pause)) > 0]
        message = f"{message[: min(ends)]} (--details)" if ends else message
    return f"{head}{about}{message}"


def again(*words: str | None, **options: object) -> str:
    """The command that was asked, to be pasted: its words, and those of its options that were given."""
    given = [word for word in words if word]
    for name, value in options.items():
        for one in value if isinstance(value, list) else [value]:
            if one in (None, "", False):
                continue
            given += [f"--{name.replace('_', '-')}"] + [str(one)] * (one is not True)
    return " ".join(["bundlekeeper", *map(shell_word, given)])


def next_line(command: str) -> None:
    """Print on stderr what comes next; never broken, so that it can be pasted."""
    output.aside(f"next: {command}")


def ranges(numbers: Sequence[int]) -> str:
    """Rising numbers for people: `1, 3-6`; `-` for none."""
    rows: list[list[int]] = []
    for number in numbers:
        if rows and rows[-1][1] == number - 1:
            rows[-1][1] = number
        else:
            rows.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in rows) or "-"
