"""How the rows grow: the same work at three sizes, each ten times the one before.

Rules: a row grows with one size of the world and everything else stays; a size that a person asks for is the largest of
the three, but the store of 30 bundles and its domain of 5 servers, which are ordinary, are the smallest; what is kept
is seconds, of a rate the seconds that its bytes took.
"""

from __future__ import annotations

import itertools
import shutil
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from tests.bench.frame import Bench, Skipped
from tests.bench.world import World

#: The rows that are grown: the world's size that each grows with.
GROWS = {
    "one file": "big_bytes",
    "many files": "big_bytes",
    "store add, command": "big_bytes",
    "media write": "big_bytes",
    "media receive": "big_bytes",
    "store list": "bundles",
    "verify --quick, all": "bundles",
    "status": "bundles",
    "gaps": "servers",
    "route, command": "servers",
    "where NAME": "servers",
    "verify --quick": "many_files",
    "media receive, long list": "many_files",
    "where, component": "parts",
    "where, bundle": "parts",
    "where, site": "parts",
    "where, past day": "parts",
    "where, known": "parts",
    "inventory load, CSV": "parts",
    "inventory load, TOML": "parts",
    "inventory load, JSON": "parts",
}
#: What each size counts.
UNITS = {"big_bytes": "bytes", "many_files": "files", "parts": "components", "bundles": "bundles", "servers": "servers"}
_ORDINARY = {"bundles", "servers"}


@dataclass(frozen=True, slots=True)
class Growth:
    """One row at three sizes; `seconds` is shorter than `sizes` where a size could not be measured, `why` says why."""

    name: str
    what: str
    of: str
    sizes: tuple[int, ...]
    seconds: tuple[float, ...]
    why: str = ""

    def as_json(self) -> dict[str, Any]:
        """The row as the JSON file keeps it."""
        return asdict(self)


def sizes(world: World, field: str) -> tuple[int, int, int]:
    """The three sizes of one field of the world."""
    asked: int = getattr(world, field)
    return (asked, asked * 10, asked * 100) if field in _ORDINARY else (asked // 100, asked // 10, asked)


def grown(benches: Iterable[Bench], world: World, grows: Mapping[str, str]) -> list[Growth]:
    """Measure the rows at three sizes; each size's bytes are made once for all rows that grow with it, and dropped."""
    rows = [each for each in benches if each.name in grows]
    found: dict[str, list[float]] = {each.name: [] for each in rows}
    why: dict[str, str] = {}
    for field in dict.fromkeys(grows[each.name] for each in rows):
        for number, size in enumerate(sizes(world, field), 1):
            folder = world.folder / f"{field}-{number}"
            folder.mkdir()
            sized = replace(world, folder=folder, **{field: size})
            for each in (each for each in rows if grows[each.name] == field and each.name not in why):
                print(f"{each.name}: {size} {UNITS[field]}", file=sys.stderr, flush=True)
                try:
                    found[each.name].append(_seconds(each, sized))
                except (Skipped, RuntimeError, OSError, subprocess.CalledProcessError) as e:
                    why[each.name] = f"{size} {UNITS[field]}: {e}"
            shutil.rmtree(folder)
    return [
        Growth(
            each.name,
            each.what,
            UNITS[grows[each.name]],
            sizes(world, grows[each.name]),
            tuple(found[each.name]),
            why.get(each.name, ""),
        )
        for each in rows
    ]


def _seconds(each: Bench, world: World) -> float:
    figure = each.function(world)[0]
    return world.big_bytes / figure if each.unit == "bytes/s" else figure


def times(seconds: Sequence[float]) -> str:
    """How many times the size before each size took, for people; a dash for one size."""
    return " · ".join(f"{after / before:.2g}" for before, after in itertools.pairwise(seconds)) or "–"


def as_text(rows: Sequence[Growth]) -> list[tuple[str, ...]]:
    """The rows as cells: name, what is counted, and for each size the seconds and how many times those before."""
    cells: list[tuple[str, ...]] = [("row", "sizes", "seconds", "times the size before")]
    for row in rows:
        seconds = " · ".join(f"{s:.3g}" for s in row.seconds)
        counted = " · ".join(f"{size:,}" for size in row.sizes)
        cells.append(
            (row.name, f"{counted} {row.of}", seconds + (f" ({row.why})" if row.why else ""), times(row.seconds))
        )
    return cells
