"""The page of all sites by real commands: it agrees with `where` and `gaps`, and what is not known is never good."""

from __future__ import annotations

import json
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.conftest import MARRAM, Keeper
from tests.kits.plan_commands import NAME, kept_plan


class Tables(HTMLParser):
    """The cells of a page's tables by the class of each, and the words of its domains."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.rows: dict[str, list[list[str]]] = {}
        self.words: list[str] = []
        self._into: list[list[str]] = []
        self._is_word = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        classes = dict(attrs).get("class") or ""
        if tag == "table":
            self._into = self.rows.setdefault(classes, [])
        elif tag == "tr":
            self._into.append([])
        elif tag in {"td", "th"} and self._into:
            self._into[-1].append("")
        self._is_word = tag == "b" and classes.startswith("outcome")

    def handle_data(self, data: str) -> None:
        if self._is_word and data.strip():
            self.words.append(data.strip())
            self._is_word = False
        elif self._into and self._into[-1]:
            self._into[-1][-1] = f"{self._into[-1][-1]} {data.strip()}".strip()


@pytest.fixture
def worked(office: Keeper) -> Keeper:
    """The office after a night: an activation that nobody read back, one read, one that failed, one not to be read."""
    for words in (
        ("activate", "HOLMA-IO1", "--version", "6.1.0", "--anyway", "drill", "--at", "2026-11-22T10:00Z"),
        ("observe", "HOLMA-IO2", "--active", "6.1.0", "--at", "2026-11-23T10:00Z"),
        (
            "activate",
            "HOLMB-IO1",
            "--version",
            "6.1.0",
            "--failed",
            "drill",
            "--anyway",
            "drill",
            "--at",
            "2026-11-22T10:00Z",
        ),
        ("observe", "SKERRYA-IO1", "--active", "as-shipped", "--at", "2026-11-22T10:00Z"),
    ):
        assert office(*words, "--reported-by", "kim").status in {0, 1}, words
    return office


def _page(keeper: Keeper, path: Path, *more: str) -> tuple[Tables, dict[str, str], dict[str, int]]:
    """The page, the state of each component on it, and what the command counts."""
    done = keeper("report", "--overview", "--to", "6.1", "--out", path, "--json", *more)
    assert done.err == ""
    tables = Tables(path.read_text("utf-8"))
    states = {row[1]: row[0].split(" ", 1)[1] for row in tables.rows["components"] if row[0] != "State"}
    return tables, states, json.loads(done.out)["states"]


def test_the_page_agrees_with_where_and_gaps(worked: Keeper, tmp_path: Path) -> None:
    tables, states, counts = _page(worked, tmp_path / "page.html")
    known = {row["component"]: row for row in json.loads(worked("where", "--json").out)["components"]}
    assert {row[1]: row[7] for row in tables.rows["components"] if row[0] != "State"} == {
        component: row["active"]["version"] for component, row in known.items()
    }
    told = {"at": "at release", "unread": "not read back", "unknown": "not known"}
    assert Counter(states.values()) == {told.get(state, state): count for state, count in counts.items() if count}
    assert {name: states[name] for name in ("HOLMA-IO1", "HOLMA-IO2", "HOLMB-IO1", "SKERRYA-IO1")} == {
        "HOLMA-IO1": "not read back",
        "HOLMA-IO2": "at release",
        "HOLMB-IO1": "failed",
        "SKERRYA-IO1": "not known",
    }
    gaps = {
        row["domain"]: row["ok"] for row in json.loads(worked("gaps", "--all", "--to", "6.1", "--json").out)["domains"]
    }
    assert gaps == {"holm-a": False, "holm-b": False, "skerry-a": False}
    assert tables.words == ["gaps", "gaps", "not known"]


def test_a_domain_where_a_window_failed_is_not_called_window_next(office: Keeper, tmp_path: Path) -> None:
    kept_plan(office, tmp_path)
    assert office("plan", "record", NAME, "--window", "1", "--yes", "--except", "HOLMB-IO1=failed:dead").status == 0
    assert _page(office, tmp_path / "after.html")[0].words[1] == "gaps"
    text = (tmp_path / "after.html").read_text("utf-8")
    assert text.count("1 component failed in window 1") > 1, "the tile says it, and the plan"


def test_without_a_manifest_the_page_names_what_it_takes(keeper: Keeper, tmp_path: Path) -> None:
    assert keeper("inventory", "load", MARRAM, "--reported-by", "kim").status == 0
    keeper("report", "--overview", "--out", tmp_path / "page.html")
    text = (tmp_path / "page.html").read_text("utf-8")
    assert "store add MANIFEST --from DIR" in text
    assert "--manifest" not in text


def test_the_history_since_a_day_is_what_the_page_of_each_day_shows(worked: Keeper, tmp_path: Path) -> None:
    tables, _, _ = _page(worked, tmp_path / "page.html", "--since", "2026-11-21")
    rows = [row for row in tables.rows["changes"] if row[1] == "HOLMA-IO1"]
    assert [(row[0], row[3], row[5].split(" ", 1)[1]) for row in rows] == [
        ("2026-11-21", "6.0.1", "behind"),
        ("2026-11-22", "6.1.0", "not read back"),
    ]
    assert {row[1] for row in tables.rows["changes"]} - {"Component"} == {
        "HOLMA-IO1", "HOLMA-IO2", "HOLMB-IO1", "SKERRYA-IO1",
    }  # fmt: skip
    _, then, _ = _page(worked, tmp_path / "then.html", "--on", "2026-11-21")
    assert set(then.values()) == {"behind"}
    refused = worked("report", "--overview", "--out", tmp_path / "none.html", "--since", "2999-01-01")
    assert (refused.status, (tmp_path / "none.html").exists()) == (2, False)
