"""What is wrong with a small file that a person wrote: problems by their path, and their places in the text.

Rules: a problem is found without its place in the text, and gets it afterwards; all are reported, in the text's order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.caret import excerpt
from bundlekeeper.formats.text_file import SourceText, shown
from bundlekeeper.formats.toml_positions import Path, nearest, places
from bundlekeeper.frozen import dataclass


@dataclass(frozen=True, slots=True)
class Misread:
    """What is wrong at `path`; with `on_key` at the key and not at its value."""

    code: str
    path: Path
    message: str
    hint: str = ""
    on_key: bool = False


def placed(source: SourceText, problems: Iterable[Misread]) -> list[Finding]:
    """The problems as errors with line, column and caret, in the order of the text (TOML)."""
    found, rows = places(source.text), []
    for problem in problems:
        place = nearest(found, problem.path)
        line, column = source.position(place.key_start if problem.on_key else place.start)
        row = source.text.split("\n")[line - 1].removesuffix("\r")
        about = (problem.code, Level.ERROR, source.name, problem.message, problem.hint)
        rows.append((line, column, Finding(*about, source.where(line, column), excerpt(row, column))))
    return [row for _, _, row in sorted(rows, key=lambda r: r[:2])]


def misread_format(raw: Mapping[str, Any], key: str, known: int) -> Misread | None:
    """What is wrong with the number of the file's format, which is under `key`; None for `known`."""
    found = raw.get(key)
    if found is None:
        return Misread("missing-key", (), f"{key} is missing", f"add {key} = {known} as the first line")
    if found == known and not isinstance(found, bool):
        return None
    newer = isinstance(found, int) and not isinstance(found, bool) and found > known
    message = f"this version reads format {known}, not {shown(found)}"
    return Misread("newer-format" if newer else "bad-value", (key,), message, f"{key} = {known}")
