"""Sinks: everything that the tool prints goes through here.

Rules: data on stdout; progress, errors and hints on stderr; an error is one sentence, one hint, and the cases under
them; every piece of data passes `visible`; JSON is one object with its schema; a finding is one line for what is and
one for the hint, so that they can be grepped; colour on a terminal only, and never as the only sign; nothing here
computes.
"""

from __future__ import annotations

import contextlib
import re
import sys
from collections.abc import Iterable, Mapping
from contextvars import ContextVar
from typing import Any, TextIO

from bundlekeeper.cli.screen.help import COMMANDS, GROUPS, WITHOUT_STORE
from bundlekeeper.errors import DamagedError, KeeperError
from bundlekeeper.findings import Finding, Level, finding, is_ok
from bundlekeeper.formats.escape import counted, shell_word, visible

#: The store as the command line names it; empty where it does not.
STORE: ContextVar[str] = ContextVar("STORE", default="")
_COMMAND = re.compile(r"(?<!there: )\bbundlekeeper ((?>[a-z]+(?: [a-z]+)*))(?! --(?:store|help)\b)")
REVIEW = "# REVIEW"  # beside what a draft leaves open
_CASES = 10  # of what an error rests on, that are reported; JSON has all

_STYLES = {Level.ERROR: "bold red", Level.WARNING: "bold yellow", Level.NOTE: "cyan"}


def line(text: str = "") -> None:
    """Print one line of data on stdout, escaped."""
    sys.stdout.write(visible(text) + "\n")


def block(text: str) -> None:
    """Print several lines on stdout, each escaped."""
    for row in text.split("\n"):
        line(row)


def aside(text: str) -> None:
    """Print one line on stderr, escaped: notes and progress, not data."""
    with contextlib.suppress(OSError):  # stderr is closed or full: the work goes on
        sys.stderr.write("\n".join(fitted(visible(of_store(text)), sys.stderr)) + "\n")


def of_store(text: str) -> str:
    """The text with the store that was named on the command line in each command of ours, so that what is pasted asks
    the same store.

    A command after `there: ` is for another site, whose store is another one.
    """
    store = STORE.get()
    return _COMMAND.sub(lambda found: _with_store(found, store), text) if store and "bundlekeeper " in text else text


def _with_store(found: re.Match[str], store: str) -> str:
    first, *more = words = found[1].split()
    depth = 1 + (first in GROUPS) + (first == "export")
    if first not in COMMANDS or len(words) < depth or {first, " ".join(words[:2])} & WITHOUT_STORE:
        return found[0]
    return " ".join(["bundlekeeper", first, *more[: depth - 1], "--store", shell_word(store), *more[depth - 1 :]])


def fitted(text: str, stream: TextIO) -> list[str]:
    """A line as lines that fit the terminal, broken at blanks and indented as it is; elsewhere the line itself.

    A word that is longer than a line stays whole, so that a path can be copied.
    """
    if not stream.isatty():
        return [text]
    from textwrap import wrap

    from bundlekeeper.cli.screen.tables import width_of

    indent = " " * (len(text) - len(text.lstrip(" ")))
    width = max(width_of(stream) or 0, len(indent) + 40)
    lines = wrap(
        text, width, subsequent_indent=f"{indent}  ", break_long_words=False, break_on_hyphens=False,
        drop_whitespace=True,
    )  # fmt: skip
    return lines or [text]


def recorded_as(batch: str) -> None:
    """Print the batch that a command recorded, by its name, and how to take it back; nothing for none."""
    if batch:
        line(of_store(f"recorded as batch {batch} (to take it back: bundlekeeper ledger undo {batch} --reason TEXT)"))


def envelope(command: str, findings: Iterable[Finding], data: Mapping[str, Any], ok: bool | None = None) -> None:
    """Print the JSON object of every command: schema, ok, findings, then the command's own keys."""
    write_json(enveloped(command, findings, data, ok))


def enveloped(
    command: str, findings: Iterable[Finding], data: Mapping[str, Any], ok: bool | None = None
) -> dict[str, Any]:
    """The JSON object of every command, not printed."""
    rows = list(findings)
    return {
        "schema": f"bundlekeeper.{command}/1",
        "ok": is_ok(rows) if ok is None else ok,
        "findings": [{**found.as_json(), "hint": of_store(found.hint)} for found in rows],
        **data,
    }


def write_json(document: Mapping[str, Any]) -> None:
    """Print one JSON document on stdout. Characters that are no Unicode text are in it as `visible` shows them."""
    # Indented for people only: indenting goes through the slow encoder, 10,000 rows cost 0.1 s more.
    sys.stdout.write(_encoded(document, 2 if sys.stdout.isatty() else None) + "\n")


def write_json_rows(document: Mapping[str, Any], last: str, rows: Iterable[Mapping[str, Any]]) -> None:
    """Print one JSON document on stdout whose last key is a long array, row by row, so never whole in memory."""
    sys.stdout.write(_encoded(document, None)[:-1] + f', "{last}": [')
    for number, row in enumerate(rows):
        sys.stdout.write((",\n" if number else "\n") + _encoded(row, None))
    sys.stdout.write("]}\n")


def _encoded(document: Mapping[str, Any], indent: int | None) -> str:
    import json

    text = json.dumps(document, indent=indent, ensure_ascii=True, allow_nan=False, default=str)
    return _without_lone_surrogates(text) if "\\ud" in text else text


def _without_lone_surrogates(document: str) -> str:
    """RFC 8259 §8.2: readers differ on lone surrogates, and strict ones refuse the whole document."""
    pieces = re.compile(r"\\\\|\\ud[89ab]..\\ud[c-f]..|\\u(d[89a-f]..)")

    def shown(piece: re.Match[str]) -> str:
        return piece[0] if piece[1] is None else "\\" + visible(chr(int(piece[1], 16)))

    return pieces.sub(shown, document)


def finding_lines(found: Finding) -> list[str]:
    """One finding as lines of text, escaped."""
    place = f"{found.where}: " if found.where else ""
    rows = [f"{place}{found.level.value}: {found.code}: {found.subject}: {found.message}"]
    rows += [f"    {row}" for row in found.excerpt.split("\n") if found.excerpt]
    if found.accepted:
        rows.append(f"  accepted {found.accepted}")
    if found.hint and not found.accepted:
        rows.append(f"  hint: {of_store(found.hint)}")
    return [visible(row) for row in rows]


def write_findings(findings: Iterable[Finding], stream: TextIO | None = None) -> None:
    """Write findings to `stream` (default: stdout), in colour if that is a terminal."""
    target = stream or sys.stdout
    if not target.isatty():
        for found in findings:
            target.write("\n".join(finding_lines(found)) + "\n")
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(file=target, highlight=False, markup=False, emoji=False)
    for found in findings:
        first, *rest = finding_lines(found)
        text = Text("\n".join(fitted(first, target)))
        start = len(visible(f"{found.where}: ")) if found.where else 0
        text.stylize(_STYLES[found.level], start, start + len(f"{found.level.value}: {found.code}"))
        console.print(text, soft_wrap=True)
        for row in rest:
            is_excerpt = row.startswith("    ")  # the line with its caret under it: as it is
            console.print(
                Text(row if is_excerpt else "\n".join(fitted(row, target)), style="" if is_excerpt else "dim"),
                soft_wrap=True,
            )


def findings_text(findings: Iterable[Finding]) -> None:
    """Print findings as text on stdout, and how many of them were accepted."""
    rows = list(findings)
    write_findings(rows)
    tell_accepted(rows)


def tell_accepted(findings: Iterable[Finding]) -> None:
    """Print how many findings were accepted; nothing for none."""
    number = sum(bool(found.accepted) for found in findings)
    if number:
        line(of_store(f"{counted(number, 'finding')} accepted (bundlekeeper store list --accepted)"))


def findings_aside(findings: Iterable[Finding]) -> None:
    """Print findings as text on stderr, where stdout is for something else."""
    write_findings(findings, sys.stderr)


def folded_text(findings: Iterable[Finding]) -> None:
    """Print findings as text on stdout: of several that are alike the first whole, the others by their names.

    Errors (but values that are left for review), and warnings with a place in a file, are reported whole. Notes with a
    place are alike when their code is, and are named by that place; others are alike when message and hint are the
    same.
    """
    rows = list(findings)
    alike: dict[tuple[str, ...], list[str]] = {}
    for found in rows:
        key = _alike(found)
        if key in alike:
            alike[key].append(":".join(found.where.rsplit(":", 2)[1:]) or found.subject)
            continue
        if key:
            alike[key] = []
        write_findings([found])
    for (level, code, at, *_), others in alike.items():
        if others:
            text = visible(f"{level}: {code}: {len(others)} more like it{at} {', '.join(others)}")
            sys.stdout.write("\n".join(fitted(text, sys.stdout)) + "\n")
    tell_accepted(rows)


def _alike(found: Finding) -> tuple[str, ...]:
    """What findings share that are folded: level, code, the word before the names …; empty for all others."""
    if found.level is Level.ERROR and REVIEW in found.excerpt:  # a draft leaves the same key open in each bundle
        return (found.level.value, found.code, " to be filled in:", found.message, found.hint)
    if found.level is Level.ERROR or (found.where and found.level is Level.WARNING):
        return ()
    shared = () if found.where else (found.message, found.hint, found.accepted)
    return (found.level.value, found.code, ", at" if found.where else ":", *shared)


def error_text(error: KeeperError) -> None:
    """Print an error on stderr: `error:`, `where:`, `hint:`, and under them, indented, what it rests on."""
    aside(f"error: {error.message}")
    if error.where:
        aside(f"where: {error.where}")
    if error.hint:
        aside(f"hint: {error.hint}")
    if _is_said(error):
        for row in error.problems[0].excerpt.split("\n"):
            aside(f"  {row}")
        return
    cases = [[case] for case in error.evidence] + [finding_lines(found) for found in error.problems]
    for case in cases[:_CASES]:
        for row in case:
            if row != f"  hint: {visible(of_store(error.hint))}":
                aside(f"  {row}")
    if len(cases) > _CASES:
        aside(f"  and {len(cases) - _CASES} more (--json lists all)")


def _is_said(error: KeeperError) -> bool:
    """True where the only thing that an error rests on is the error itself, with the line that it is about."""
    if len(error.problems) != 1 or error.evidence:
        return False
    problem = error.problems[0]
    same = (problem.message, problem.where, problem.hint) == (error.message, error.where, error.hint)
    return same and bool(problem.excerpt)


def error_envelope(error: KeeperError, command: str) -> None:
    """Print an error in the JSON envelope on stdout."""
    about, found = error_about(error), error.problems
    if isinstance(error, DamagedError) and not found:
        found = (finding("damaged", error.where, error.message, error.hint),)
    envelope(command if command.partition("-")[0] in COMMANDS else "error", found, {"error": about}, ok=False)


def error_about(error: KeeperError) -> dict[str, Any]:
    """An error as the envelope has it under `error`."""
    return {"message": error.whole, "where": error.where, "hint": of_store(error.hint), "exit": error.exit_code}
