"""The rows as text, as JSON, and two runs side by side."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.bench.frame import Judged, Row, Target

SCHEMA = "bundlekeeper.bench/1"


def _quantity(value: float | None, unit: str) -> str:
    if value is None:
        return "-"
    if unit == "s":
        return f"{value:.3f} s" if value >= 0.1 else f"{value * 1000:.1f} ms"
    scale, name = {"bytes/s": (1e9, "GB/s"), "bytes": (1e6, "MB")}[unit]
    return f"{value / scale:.2f} {name}"


def _ratio(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _target(target: Target, unit: str) -> str:
    sign = "≥" if target.at_least else "≤"
    if target.judged is not Judged.RATIO:
        subject = "ours" if target.judged is Judged.OURS else "ours - theirs"
        return f"{subject} {sign} {_quantity(target.value, unit)}"
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
        spread = "" if row.lowest is None else f"({_ratio(row.lowest)}-{_ratio(row.highest)})"
        target = _target(row.bench.target, unit) if row.bench.target else ""
        verdict = f"skipped: {row.skipped}" if row.skipped else _MET[row.met]
        figures = (_ratio(row.ratio), spread, _quantity(row.ours, unit), _quantity(row.theirs, unit))
        cells.append((row.bench.name, *figures, target, verdict))
    meanings = [(f"{row.bench.name}:", f"{row.bench.what} ÷ {row.bench.against}") for row in rows]
    facts = columns([(f"{name}:", value) for name, value in machine.items()])
    note = f"Medians of {rounds} rounds; each ratio is ours ÷ theirs within one round."
    return "\n\n".join((facts, note, columns(cells), columns(meanings)))


def as_json(machine: Mapping[str, str], rounds: int, rows: Sequence[Row]) -> dict[str, Any]:
    """The same as one document."""
    return {"schema": SCHEMA, "machine": dict(machine), "rounds": rounds, "rows": [row.as_json() for row in rows]}


def load(path: Path) -> dict[str, Any]:
    """A kept run. Raises ValueError when the file is no such document."""
    document = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise ValueError(f"{path} is not a {SCHEMA} document")
    return document


def compare(first: Mapping[str, Any], second: Mapping[str, Any]) -> str:
    """The rows of both runs side by side; a change within both runs' own spread is called none."""
    differing = [
        f"{name}: {first['machine'].get(name)} | {second['machine'].get(name)}"
        for name in dict.fromkeys([*first["machine"], *second["machine"]])
        if first["machine"].get(name) != second["machine"].get(name)
    ]
    old = {row["name"]: row for row in first["rows"]}
    new = {row["name"]: row for row in second["rows"]}
    cells = [("row", "first", "second", "second ÷ first", "")]
    for name in dict.fromkeys([*old, *new]):
        before, after = old.get(name, {}), new.get(name, {})
        one, two = before.get("ratio"), after.get("ratio")
        cells.append((name, _ratio(one), _ratio(two), _ratio(two / one if one and two else None), _word(before, after)))
    head = "Machines differ:\n" + "\n".join(differing) if differing else "The same machine and programs."
    return f"{head}\n\n{columns(cells)}"


def _word(before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    if not before or before.get("ratio") is None:
        return "only in the second"
    if not after or after.get("ratio") is None:
        return "only in the first"
    apart = before["ratio_highest"] < after["ratio_lowest"] or after["ratio_highest"] < before["ratio_lowest"]
    return "differs beyond both spreads" if apart else "within the spread"
