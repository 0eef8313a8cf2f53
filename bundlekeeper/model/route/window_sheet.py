"""The sheet of a window: what each component should run after it, and what somebody saw, as CSV.

Rules: the columns are those of the template, in any order, the component's and the seen ones are needed; a blank cell
says nothing; a row of a component that is not in the window, and one that is there twice, are refused; all problems are
reported at once. RFC 4180.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from bundlekeeper.errors import InputError
from bundlekeeper.formats.moments import parse

COLUMNS = ("component", "expected", "seen", "time", "reported by", "note")
_NEEDED = ("component", "seen")
_SHOWN = 20  # problems that are named


@dataclass(frozen=True, slots=True)
class SeenRow:
    """What somebody saw of one component: its running version, when, who reports it; empty for not stated."""

    component: str
    seen: str
    time: str
    reported_by: str
    note: str


def template_cells(rows: Iterable[tuple[str, str]]) -> list[tuple[str, ...]]:
    """The cells of the sheet to fill in, of components with the version that each should run."""
    return [COLUMNS, *((component, expected, "", "", "", "") for component, expected in rows)]


def template(rows: Iterable[tuple[str, str]]) -> str:
    """The sheet to fill in as CSV."""
    text = io.StringIO(newline="")
    csv.writer(text).writerows(template_cells(rows))
    return text.getvalue()


def csv_cells(data: bytes, name: str) -> list[list[str]]:
    """The cells of a CSV file. Raises InputError."""
    try:
        return list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        hint = "save it as CSV in UTF-8, with commas and with the column names in the first row"
        raise InputError(f"this is not a CSV file: {error}", where=name, hint=hint) from error


def _problems(words: Sequence[str]) -> Iterator[str]:
    """What cannot be recorded of a row's cells: the seen version, the time, who reports it, the note."""
    for title, word in zip(COLUMNS[2:], words, strict=True):
        if not word.isprintable():
            yield f"{title} has characters that cannot be printed"
    if words[0] in ("-", "?"):
        yield f"seen cannot be {words[0]}: some version always runs; leave it blank where nobody looked"
    if words[1]:
        try:
            parse(words[1])
        except InputError as error:
            yield f"{error.message}; write it as 2026-12-02 03:10"


def read_sheet(cells: Sequence[Sequence[str]], name: str, expected: Mapping[str, str]) -> list[SeenRow]:
    """The rows in which something was seen, of the components `expected` in the window.

    Raises InputError with every problem, each with its row.
    """
    titles = [title.strip().lower().replace("_", " ") for title in cells[0]] if cells else []
    wrong = [f"{name}:1: column {title!r} is not known" for title in titles if title not in COLUMNS]
    wrong += [f"{name}:1: column {title!r} is there twice" for n, title in enumerate(titles) if title in titles[:n]]
    wrong += [f"{name}:1: column {title!r} is missing" for title in _NEEDED if title not in titles]
    has_titles = not wrong
    found: dict[str, SeenRow] = {}
    for number, row in enumerate(cells[1:], 2):
        values = dict(zip(titles, (cell.strip() for cell in row), strict=False))
        if not has_titles or not any(values.values()):
            continue
        component = values.get("component", "")
        if component not in expected:
            wrong.append(f"{name}:{number}: {component or 'no component'} is not in this window")
        elif (said := values.get("expected", "")) and said != expected[component]:
            wrong.append(f"{name}:{number}: {component}: {said} is expected there, {expected[component]} by the plan")
        elif component in found:
            wrong.append(f"{name}:{number}: {component} is there twice")
        else:
            words = [" ".join(values.get(title, "").split()) for title in COLUMNS[2:]]  # a line break is a blank
            wrong += [f"{name}:{number}: {component}: {problem}" for problem in _problems(words)]
            found[component] = SeenRow(component, *words)
    if wrong:
        shown = [*wrong[:_SHOWN], *([f"and {len(wrong) - _SHOWN} more"] if len(wrong) > _SHOWN else [])]
        raise InputError("nothing was recorded: the sheet cannot be read", where=name, evidence=shown,
                         hint=f"its columns are {', '.join(COLUMNS)}")  # fmt: skip
    return [row for row in found.values() if row.seen]
