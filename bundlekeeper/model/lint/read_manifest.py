"""From the bytes of a manifest to a manifest that was checked as a whole.

Rules: pure, bytes and values in, values out; a manifest with an error is never returned; the error has every problem,
not the first only, each at `file:line:column` with the line and a caret; the digest returned is that of exactly the
bytes that were read. Places are looked for only when there is a problem.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import date
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats import limits, toml_read
from bundlekeeper.formats.text_file import SourceText
from bundlekeeper.formats.toml_positions import Path, TomlPlace, nearest, places
from bundlekeeper.frozen import dataclass
from bundlekeeper.model import versions
from bundlekeeper.model.lint.check_all import check, level_of
from bundlekeeper.model.lint.common.codes import in_use
from bundlekeeper.model.lint.common.problem import Problem, path_text
from bundlekeeper.model.manifest.types import FORMAT, Manifest


@dataclass(frozen=True, slots=True)
class Loaded:
    """A manifest without errors: `problems` are warnings and notes, `sha256` is that of `data`, the bytes as read."""

    manifest: Manifest
    problems: tuple[Finding, ...]
    sha256: str
    data: bytes
    order: versions.Order


def read(data: bytes, *, name: str, today: date) -> Loaded:
    """Read a manifest; `name` is what problems call the file.

    Raises InputError, with all problems, warnings and notes among them, when any is an error.
    """
    source, raw = _parse(data, name)
    checked = check(raw, today)
    problems = _findings(source, checked.problems)
    errors = [finding for finding in problems if finding.level is Level.ERROR]
    if errors or checked.manifest is None:
        count = "1 error" if len(errors) == 1 else f"{len(errors)} errors"
        message = f"the manifest has {count}"
        raise InputError(message, hint="fix the lines that are named", where=name, problems=problems)
    declared = checked.manifest.versions
    order = versions.order(declared.order, declared.list or ())
    return Loaded(checked.manifest, tuple(in_use(problems)), hashlib.sha256(data).hexdigest(), data, order)


def lint(data: bytes, *, name: str, today: date) -> list[Finding]:
    """Every problem of a manifest, in the order of the file.

    Raises InputError only where nothing could be checked: no TOML, refused before parsing, or a newer format.
    """
    source, raw = _parse(data, name)
    return _findings(source, check(raw, today).problems)


def _parse(data: bytes, name: str) -> tuple[SourceText, dict[str, Any]]:
    source, raw = toml_read.load(data, name=name, max_bytes=limits.MANIFEST_BYTES)
    number = raw.get("manifest")
    if type(number) is int and number > FORMAT:
        message = f"the manifest has the newer format {number}; this program reads format {FORMAT}"
        problem = Problem("newer-format", ("manifest",), message, "update bundlekeeper")
        found = _findings(source, [problem])
        raise InputError(message, hint=problem.hint, where=found[0].where, problems=found)
    return source, raw


def _findings(source: SourceText, problems: Sequence[Problem]) -> list[Finding]:
    """Problems with their places, sorted by them."""
    if not problems:
        return []
    paths = {problem.path for problem in problems} | {
        problem.other for problem in problems if problem.other is not None
    }
    found = places(source.text, paths)
    placed = [(_offset(source, found, problem), problem) for problem in problems]
    placed.sort(key=lambda row: (row[0], row[1].code, row[1].message))
    return [_finding(source, found, offset, p) for offset, p in placed]


def _offset(source: SourceText, found: dict[Path, TomlPlace], problem: Problem) -> int:
    """Where in the text the caret belongs."""
    place = nearest(found, problem.path)
    if problem.on_key:
        return place.key_start
    if problem.at is not None and problem.path in found:
        opening = source.text[place.start : place.start + 1]
        inner = source.text[place.start + 1 : place.end - 1]
        # Only in a plain text on one line is a character's place its offset.
        plain = opening in "\"'" and not inner.startswith(opening) and (opening == "'" or "\\" not in inner)
        if plain and problem.at < len(inner):
            return place.start + 1 + problem.at
    return place.start


def _finding(source: SourceText, found: dict[Path, TomlPlace], offset: int, problem: Problem) -> Finding:
    line, column = _position(source, found, offset, problem)
    message = problem.message
    if problem.other is not None:
        message += f" (line {nearest(found, problem.other).line})"
    return Finding(
        problem.code,
        level_of(problem),
        path_text(problem.path),
        message,
        problem.hint,
        source.where(line, column),
        source.excerpt(column, offset),
    )


def _position(source: SourceText, found: dict[Path, TomlPlace], offset: int, problem: Problem) -> tuple[int, int]:
    """Line and column of an offset near the problem's place, without counting lines from the start of the file."""
    place = nearest(found, problem.path)
    if offset >= place.start:
        breaks = source.text.count("\n", place.start, offset)
        if not breaks:
            return place.line, place.column + offset - place.start
        return place.line + breaks, offset - source.text.rfind("\n", place.start, offset)
    breaks = source.text.count("\n", offset, place.start)
    return place.line - breaks, offset - source.text.rfind("\n", 0, offset)
