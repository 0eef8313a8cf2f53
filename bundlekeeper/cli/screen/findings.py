"""Findings as text: level and code, what is, where, what to do.

Rules: one line each for what is and for the hint, so that they can be grepped; colour on a terminal only, and never as
the only sign; every text passes `visible`.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TextIO

from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.escape import visible

_STYLES = {Level.ERROR: "bold red", Level.WARNING: "bold yellow", Level.NOTE: "cyan"}


def lines(found: Finding) -> list[str]:
    """One finding as lines of text, escaped."""
    place = f"{found.where}: " if found.where else ""
    rows = [f"{place}{found.level.value}: {found.code}: {found.subject}: {found.says}"]
    rows += [f"    {row}" for row in found.excerpt.split("\n") if found.excerpt]
    if found.hint:
        rows.append(f"  hint: {found.hint}")
    return [visible(row) for row in rows]


def write(findings: Iterable[Finding], stream: TextIO | None = None) -> None:
    """Write findings to `stream` (default: stdout), in colour if that is a terminal."""
    target = stream or sys.stdout
    if not target.isatty():
        for found in findings:
            target.write("\n".join(lines(found)) + "\n")
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(file=target, highlight=False, markup=False, emoji=False)
    for found in findings:
        first, *rest = lines(found)
        text = Text(first)
        start = len(visible(f"{found.where}: ")) if found.where else 0
        text.stylize(_STYLES[found.level], start, start + len(f"{found.level.value}: {found.code}"))
        console.print(text, soft_wrap=True)
        for row in rest:
            console.print(Text(row, style="" if row.startswith("    ") else "dim"), soft_wrap=True)
