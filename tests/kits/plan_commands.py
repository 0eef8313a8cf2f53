"""A plan that is kept in a store, and what its commands answer."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from tests.conftest import Keeper

NAME = "night"


def kept_plan(office: Keeper, tmp_path: Path, domain: str = "holm-b") -> str:
    """Make the route of a domain to 6.1 and keep it; returns its digest."""
    file = tmp_path / f"{domain}.json"
    made = office("route", domain, "--to", "6.1", "--window", "4h", "--out", file)
    assert file.is_file(), made.out + made.err
    made_earlier(file, hours=1)
    kept = office("plan", "keep", file, "--name", NAME, "--change", "118", "--approved-by", "lee", "--json")
    assert kept.status < 2, kept.out + kept.err
    return str(kept.json["plan"]["sha256"])


def made_earlier(plan: Path, **ago: int) -> None:
    """Let a plan's file say that it was made that much earlier (`hours=1`)."""
    raw = json.loads(plan.read_text("utf-8"))
    raw["made_at"] = (datetime.fromisoformat(raw["made_at"]) - timedelta(**ago)).isoformat()
    plan.write_text(json.dumps(raw), "utf-8")


def progress(office: Keeper, name: str = NAME) -> Any:
    """What `plan progress` answers."""
    done = office("plan", "progress", name, "--json")
    assert done.status < 2, done.out + done.err
    return done.json


def outcomes(office: Keeper, window: int, name: str = NAME) -> dict[str, str]:
    """The outcome of each component of a window."""
    rows = next(row for row in progress(office, name)["windows"] if row["number"] == window)["components"]
    return {row["key"]: row["outcome"] for row in rows}


def fill_in(sheet: Path, seen: Callable[[str, str], str], time: str = "") -> None:
    """Write into each row of a sheet what was seen of a component, of which a version is expected, and when."""
    titles, *rows = csv.reader(io.StringIO(sheet.read_text("utf-8")))
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(titles)
    for component, expected, *_ in rows:
        writer.writerow((component, expected, seen(component, expected), time, "kim", ""))
    sheet.write_text(text.getvalue(), "utf-8")
