"""The rows as text, as JSON, and two runs side by side."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.bench.frame import Judged, Row, Target

SCHEMA = "bundlekeeper.bench/1"
ALLOWED = 0.1  # how much worse a ratio may get unnoticed; medians of five rounds vary by less on a quiet machine


def quantity(value: float | None, unit: str) -> str:
    """A figure with its unit, for people; a dash for none."""
    if value is None:
        return "-"
    if unit == "s":
        return f"{value:.3f} s" if value >= 1 else f"{value * 1000:.1f} ms"
    scale, name = {"bytes/s": (1e9, "GB/s"), "bytes": (1e6, "MB")}[unit]
    return f"{value / scale:.2f} {name}"


def ratio_text(value: float | None) -> str:
    """A ratio for people; a dash for none."""
    return "-" if value is None else f"{value:.3f}"


def target_text(target: Target, unit: str) -> str:
    """What the figure should be, and which figure that is."""
    sign = "≥" if target.at_least else "≤"
    if target.judged is not Judged.RATIO:
        subject = "ours" if target.judged is Judged.OURS else "ours - theirs"
        return f"{subject} {sign} {quantity(target.value, unit)}"
    return f"{sign} {target.value:g}" + ("" if target.aim is None else f" (aim {target.aim:g})")


def columns(rows: Sequence[Sequence[str]]) -> str:
    """Rows of cells, in columns as wide as their widest cell."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )


_MET = {True: "met", False: "NOT MET", None: ""}


def as_text(machine: Mapping[str, str], rounds: int, rows: Sequence[Row]) -> str:
    """The table of ratios, with the machine above and what each row means below."""
    cells = [("row", "ratio", "(lowest-highest)", "ours", "theirs", "target", "")]
    for row in rows:
        unit = row.bench.unit
        spread = "" if row.lowest is None else f"({ratio_text(row.lowest)}-{ratio_text(row.highest)})"
        target = target_text(row.bench.target, unit) if row.bench.target else ""
        verdict = f"skipped: {row.skipped}" if row.skipped else _MET[row.met]
        figures = (ratio_text(row.ratio), spread, quantity(row.ours, unit), quantity(row.theirs, unit))
        cells.append((row.bench.name, *figures, target, verdict))
    meanings = [(f"{row.bench.name}:", f"{row.bench.what} ÷ {row.bench.against}") for row in rows]
    facts = columns([(f"{name}:", value) for name, value in machine.items()])
    note = f"Medians of {rounds} rounds; each ratio is ours ÷ theirs within one round."
    return "\n\n".join((facts, note, columns(cells), columns(meanings)))


def as_json(machine: Mapping[str, str], rounds: int, rows: Sequence[Row]) -> dict[str, Any]:
    """The same as one document."""
    return {"schema": SCHEMA, "machine": dict(machine), "rounds": rounds, "rows": [row.as_json() for row in rows]}


def added(kept: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """A kept run with the rows of a newer one in place of its own of the same name, in the kept order, new ones last.

    Raises ValueError where the two are of different machines, sizes or rounds: they are no one run.
    """
    differing = [key for key in ("machine", "rounds") if kept.get(key) != new.get(key)]
    if differing:
        raise ValueError(f"the kept run has another {' and other '.join(differing)}: measure all of it again")
    found = {**kept, **new}
    for part in ("rows", "growth"):
        rows = {row["name"]: row for row in (*kept.get(part, ()), *new.get(part, ()))}
        if rows:
            found[part] = list(rows.values())
    return found


def load(path: Path) -> dict[str, Any]:
    """A kept run. Raises ValueError when the file is no such document."""
    document = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise ValueError(f"{path} is not a {SCHEMA} document")
    return document


@dataclass(frozen=True, slots=True)
class Compared:
    """Two runs side by side as text, and the names of the rows that got worse by more than was allowed."""

    text: str
    worse: tuple[str, ...]


def compare(first: Mapping[str, Any], second: Mapping[str, Any], allowed: float = ALLOWED) -> Compared:
    """The rows of both runs and how their ratios changed.

    A ratio is against a public tool in the same run, so runs on two machines can be compared, with care: what differs
    between the machines is named first. A row is worse where its ratio changed for the worse by more than `allowed`
    (0.1 is a tenth).
    """
    differing = [
        f"{name}: {first['machine'].get(name)} | {second['machine'].get(name)}"
        for name in dict.fromkeys([*first["machine"], *second["machine"]])
        if first["machine"].get(name) != second["machine"].get(name)
    ]
    old = {row["name"]: row for row in first["rows"]}
    new = {row["name"]: row for row in second["rows"]}
    cells = [("row", "first", "second", "second ÷ first", "")]
    worse: list[str] = []
    for name in dict.fromkeys([*old, *new]):
        before, after = old.get(name, {}), new.get(name, {})
        one, two = before.get("ratio"), after.get("ratio")
        change = two / one if one and two else None
        if change is not None and _worse(after.get("unit", ""), change) > 1 + allowed:
            worse.append(name)
        word = _word(before, after) + (", WORSE" if name in worse else "")
        cells.append((name, ratio_text(one), ratio_text(two), ratio_text(change), word))
    hardware = columns([(f"{name}:", str(value)) for name, value in second["machine"].items()])
    head = "Machines differ (first | second):\n" + "\n".join(differing) if differing else hardware
    last = f"{len(worse)} rows got worse by more than {allowed:.0%}" + (f": {', '.join(worse)}" if worse else "")
    return Compared(f"{head}\n\n{columns(cells)}\n\n{last}", tuple(worse))


def _worse(unit: str, change: float) -> float:
    """By what factor a changed ratio is worse: of a rate the lower one is, of a time or an amount the higher one."""
    return 1 / change if unit.endswith("/s") else change


def _word(before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    if not before or before.get("ratio") is None:
        return "only in the second"
    if not after or after.get("ratio") is None:
        return "only in the first"
    apart = before["ratio_highest"] < after["ratio_lowest"] or after["ratio_highest"] < before["ratio_lowest"]
    return "differs beyond both spreads" if apart else "within the spread"
