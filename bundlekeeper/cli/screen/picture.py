"""A chassis as a picture in the terminal: its slots, and in each the components with their running versions.

Rules: plain characters only, so that it can be pasted into a ticket; `*` marks a staged image, `!` a reading that is
not what was recorded; an unknown version is `?`; every text passes `visible`.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TextIO

from bundlekeeper.formats.escape import visible


@dataclass(frozen=True, slots=True)
class Cell:
    """One component. `place` is its whole path; `staged` is empty where nothing is."""

    place: str
    chassis: str
    slot: str
    kind: str
    active: str
    staged: str
    differs: bool


def write(cells: Iterable[Cell], stream: TextIO | None = None, width: int = 78) -> None:
    """Write one box for each chassis to `stream` (default: stdout), at most `width` characters wide."""
    target = stream or sys.stdout
    boxes: dict[str, list[Cell]] = {}
    for cell in cells:
        boxes.setdefault(_box(cell), []).append(cell)
    for title, found in boxes.items():
        target.write("\n".join(_drawn(title, found, width)) + "\n")
    if not boxes:
        target.write("nothing to draw\n")
    else:
        target.write("* an image is staged   ! the reading differs from the record   ? unknown\n")


def _box(cell: Cell) -> str:
    site, domain, *_ = [*cell.place.split("/"), "", ""]
    return f"{site}/{domain}/{cell.chassis}" if cell.chassis != "-" else f"{site}/{domain} (no chassis)"


def _natural(text: str) -> list[tuple[int, int, str]]:
    return [(0, int(p), "") if p[0] in "0123456789" else (1, 0, p) for p in re.findall(r"[0-9]{1,18}|[^0-9]+", text)]


def _drawn(title: str, cells: Sequence[Cell], width: int) -> list[str]:
    """One chassis: a column of slots, in each slot its components one below the other."""
    slots: dict[str, list[Cell]] = {}
    for cell in cells:
        slots.setdefault(cell.slot.partition("/")[0], []).append(cell)
    inner = width - 2
    lines = ["+" + f"- {visible(title)} "[:inner].ljust(inner, "-") + "+"]
    wide = max(map(len, slots))
    for slot in sorted(slots, key=_natural):
        head = f" {'slot' if slot != '-' else '    '} {slot if slot != '-' else '':<{wide}} "
        for number, cell in enumerate(sorted(slots[slot], key=lambda c: (c.kind, c.place))):
            mark = ("*" if cell.staged else "") + ("!" if cell.differs else "")
            waits = f" -> {cell.staged}" if cell.staged else ""
            text = f"{head if number == 0 else ' ' * len(head)}{cell.kind:<22} {cell.active}{waits} {mark}"
            lines.append("|" + visible(text)[:inner].ljust(inner) + "|")
    lines.append("+" + "-" * inner + "+")
    return lines
