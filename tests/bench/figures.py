"""The handbook's page of figures, made from a kept run: `python -m tests.bench figures FILE.json` writes it.

Rules: only what was measured is in it; of the page that is there before, the sentence at the end of each row of growth
is kept, because that is what a person found out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from tests.bench.frame import Judged, Target
from tests.bench.growth import times
from tests.bench.table import quantity, ratio_text, target_text

PAGE = Path(__file__).parents[2] / "bundlekeeper" / "handbook" / "figures.md"
_HEAD = """# Figures: how fast, how large

`.venv-test/bin/python -m tests.bench` measures on your machine and prints one table of ratios, each against a public
tool on the same bytes in the same run; `--json FILE` keeps it, `compare A B` compares two, `--growth` measures the same
work at three sizes. This is one kept run, medians of {rounds} rounds on a machine of {cores} cores and {memory} of
memory, {disk}, {python}.
"""
_RATIOS = """
| what, against what | ratio | ours | theirs | target |
| --- | --- | --- | --- | --- |
"""
_GROWTH = """
The same work at three sizes, each ten times the one before; a time that grows ten times with its size is linear.

| what | sizes | time | times the size before | stops being linear |
| --- | --- | --- | --- | --- |
"""


def page(document: Mapping[str, Any], before: str) -> str:
    """The page of a kept run; `before` is the page that it replaces."""
    machine = document["machine"]
    head = _HEAD.format(
        rounds=document["rounds"],
        cores=machine["cores"],
        memory=machine["memory"],
        disk=machine["file system"].partition(" ")[0],
        python=machine["python"],
    )
    parts = [head, _RATIOS, *_ratios(document)]
    if document.get("growth"):
        parts += [_GROWTH, *_growth(document, _sentences(before))]
    return "".join(parts)


def _line(*cells: str) -> str:
    return f"| {' | '.join(cells)} |\n"


def _ratios(document: Mapping[str, Any]) -> Iterator[str]:
    for row in document["rows"]:
        if row["ours"] is None:
            continue
        wanted = row["target"]
        target = "–"
        if wanted is not None:
            target = target_text(Target(**{**wanted, "judged": Judged(wanted["judged"])}), row["unit"])
            target += "" if row["met"] else ", not met"
        figures = (ratio_text(row["ratio"]), quantity(row["ours"], row["unit"]), quantity(row["theirs"], row["unit"]))
        yield _line(f"{row['name']}: {row['what']} ÷ {row['against']}", *figures, target)


def _growth(document: Mapping[str, Any], sentences: Mapping[str, str]) -> Iterator[str]:
    for row in document["growth"]:
        seconds = row["seconds"]
        if seconds:
            sizes = f"{' · '.join(f'{size:,}' for size in row['sizes'][: len(seconds)])} {row['of']}"
            taken = " · ".join(quantity(second, "s") for second in seconds)
            yield _line(row["name"], sizes, taken, times(seconds), sentences.get(row["name"], "–"))


def _sentences(before: str) -> dict[str, str]:
    """The last cell of each row of growth by the row's name."""
    growth = before.partition("stops being linear |\n")[2]
    rows = [[cell.strip() for cell in line.strip("| \n").split(" | ")] for line in growth.splitlines()]
    return {cells[0]: cells[-1] for cells in rows if len(cells) == 5}
