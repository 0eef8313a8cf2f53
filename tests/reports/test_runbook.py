"""Run-books and pictures of sites: what stands in them, that nothing in them is more than data, that they fit."""

from __future__ import annotations

import re
import shlex
import subprocess
from dataclasses import fields, replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from bundlekeeper.findings import finding
from bundlekeeper.reports import paper, plain_runbook, runbook, site_page
from bundlekeeper.reports.pictures import gantt, space, timeline
from bundlekeeper.reports.pictures.gantt import GanttBar, Span, lines
from tests.conftest import Keeper, World
from tests.kits.route_commands import HARBOUR, PLAN, WORDS
from tests.kits.sure import some

HOSTILE = "<script>alert(1)</script>\x1b[31m\u202egnp.exe\u2028\r\n\x07&\"'{{ 7*7 }}{% raw %}"
_VOID = {"meta", "br", "link", "img", "input", "hr"}


class Page(HTMLParser):
    """Reads a page strictly: every tag closed in order; keeps its tags, attributes and text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in _VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text += data


def safe_page(text: str) -> Page:
    """A page that fetches nothing, runs nothing and hides nothing."""
    page = Page(text)
    assert not {"script", "iframe", "img", "link", "object", "form", "base", "a"} & set(page.tags)
    assert not [n for n, _ in page.attributes if n.startswith("on") or n in {"src", "href", "srcset", "action"}]
    assert ("content", "default-src 'none'; style-src 'unsafe-inline'") in page.attributes
    assert "url(" not in text
    assert "http" not in re.sub(r"http-equiv", "", text)
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069\u2028]", text)
    return page


def test_a_run_book_tells_what_the_issue_asks_for(office: Keeper, tmp_path: Path) -> None:
    """Cautions first, preconditions with tick boxes, each action with method, expected time, what is down …."""
    html, text = tmp_path / "book.html", tmp_path / "book.txt"
    route = tmp_path / "route.json"
    assert office(*WORDS, "--out", route).status < 2
    done = office("report", "--runbook", "--plan", route, "--out", html, "--json")
    assert done.status == 1  # gaps are open
    digest = done.json["written"]["sha256"]
    assert len(digest) == 64
    assert office("report", "--runbook", "--plan", route, "--out", text).status == 1
    page, plain = safe_page(html.read_text("utf-8")), text.read_text("utf-8")
    sha256 = office("plan", "check", route, "--json").json["sha256"]
    head = office("ledger", "verify", "--json").json["chain"]["head"]
    for told in (re.sub(r"\s+", " ", page.text), re.sub(r"( \\)?\s+", " ", plain)):
        assert told.lower().index("close each, or write down who accepts it") < told.lower().index("cautions")
        assert told.lower().index("cautions") < told.lower().index("appendix: details")
        for words in (
            "two-bank, by an operator", "turn back by", "before the window: this has no effect yet",
            "down", "switch the banks back to", "staging any image", "common practice: order", "workload given back",
            "release notes 6.1, table 5", "lead swapped", "closed by", "when", "open gaps", "could not be made", sha256,
            head, "HOLMA-IO1; do bundlekeeper stage", "--bundle infrastructure/6.1.0", "it reports 6.1.0",
            "policy-shared", "It calls no step safe", "hospitals", f"plan {sha256[:12]}",
        ):  # fmt: skip
            assert words.lower() in told.lower(), words
    commands = re.findall(r"^ {6}((?:for|bundlekeeper) (?:.*\\\n)*.*)$", plain, re.M)
    assert any("\\\n" in command for command in commands), "what is broken can be pasted"
    for command in some(commands):
        assert "\n" not in " ".join(shlex.split(command.replace("\\\n", ""))), command
        assert subprocess.run(["sh", "-n", "-c", command], check=False).returncode == 0, command
    assert max(map(len, (x for x in plain.splitlines() if "SHA-256" not in x and str(tmp_path) not in x))) <= 80
    assert page.text.count("window 1 of ") == 1


#: Headings whose words are broken over lines, on a page that is open in a browser.
_BROKEN = """() => [...document.querySelectorAll('th')].flatMap((head) => {
  const text = head.firstChild;
  return [...(text?.data ?? '').matchAll(/\\S+/g)].filter((word) => {
    const range = document.createRange();
    range.setStart(text, word.index);
    range.setEnd(text, word.index + word[0].length);
    const box = head.getBoundingClientRect();
    const rows = new Set([...range.getClientRects()].map((part) => Math.round(part.top)));
    return rows.size > 1 || range.getBoundingClientRect().right > box.right;
  }).map((word) => `${word[0]} of ${head.innerText}`);
})"""


@pytest.mark.parametrize(("media", "width"), [("print", 688), ("screen", 1280)])
def test_no_word_of_a_heading_is_broken(chromium: Browser, tmp_path: Path, media: Any, width: int) -> None:
    """On A4 less its margins, and on a screen: a sheet of two halves, with the longest headings there are."""
    page = replace(_filled(runbook.Runbook, "x"), stop=False)
    rows = (replace(page.sheets[0].rows[0], cells=(runbook.SheetCell("23:48", field=False),) * 6),) * 12
    columns = (
        "lead swapped", "written or brought level or activated", "manager answers or every path back",
        "runs, read back",
    )  # fmt: skip
    rows = tuple(replace(row, cells=row.cells[: len(columns)]) for row in rows)
    sheet = replace(page.sheets[0], columns=columns, rows=rows)
    file = tmp_path / "book.html"
    file.write_text(paper.html(replace(page, sheets=(sheet,))), "utf-8")
    shown = chromium.new_page(viewport={"width": width, "height": 1000})
    shown.emulate_media(media=media)
    shown.goto(file.as_uri())
    assert shown.locator(".halves table.sheet").count() == 2
    assert shown.evaluate(_BROKEN) == []
    shown.close()


def test_a_run_book_asks_nobody_to_settle_a_jump_that_its_stops_avoid(office: Keeper) -> None:
    """`gaps` asks about going there in one step; the plan goes by 6.0, and was held against the same rules."""
    assert '"jump-refused"' in office("gaps", "skerry-a", "--to", "6.1", "--json").out
    told = office("report", "--runbook", "skerry-a", "--to", "6.1", "--out", "-")
    assert "infrastructure to 6.0.1" in told.out.lower()
    assert "jump-refused" not in told.out
    assert "1 more about going there in one step" in re.sub(r"\s+", " ", told.out)


def test_a_run_book_of_a_plan_that_breaks_a_rule_is_refused_and_nothing_is_written(
    office: Keeper, tmp_path: Path
) -> None:
    plan, out = tmp_path / "plan.toml", tmp_path / "book.html"
    plan.write_text(PLAN.replace('version = "6.1.0"', 'version = "6.0.1"', 1))
    refused = office("report", "--runbook", "--plan", plan, "--out", out)
    assert (refused.status, out.exists()) == (4, False)
    assert "mix-refused: step 2" in refused.err
    plan.write_text(PLAN)
    assert office("report", "--runbook", "--plan", plan, "--out", out).status == 1
    assert out.exists()
    none = office("report", "--runbook", "holm-a", "--to", "5.4", "--out", tmp_path / "none.html")
    assert (none.status, (tmp_path / "none.html").exists()) == (1, False)
    assert "no allowed route was found" in none.err
    none = office("report", "--runbook", "holm-a", "--to", "5.4", "--out", tmp_path / "none.html", "--json")
    assert (none.status, none.json["written"], none.json["nearest"]) == (1, None, "6.0")


def test_a_site_is_shown_slot_by_slot_now_and_then(office: Keeper, tmp_path: Path) -> None:
    out = tmp_path / "site.html"
    assert office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0").status == 0
    assert office("activate", "HOLMA-IO1").status == 0
    done = office("report", "--site", "holm", "--out", out, "--json")
    assert (done.status, done.json["counts"]["components"]) == (0, 38)
    page = out.read_text("utf-8")
    assert '<h2 id="h1">holm / holm-a</h2>' in page
    assert "skerry" not in page
    states = {state: count for state, count in done.json["states"].items() if count}
    assert states == {"behind": 37, "unread": 1}
    then = office("report", "--site", "holm", "--on", "2026-11-21", "--out", "-")
    assert "io-module: 2 at 6.0.1" in then.out
    assert max(map(len, then.out.splitlines())) <= 80
    wrong = office("report", "--site", "home", "--out", "-")
    assert (wrong.status, "did you mean --site holm" in wrong.err) == (2, True)


def test_what_is_withdrawn_is_flagged_in_words(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """ "Where is a *withdrawn* one still running?": on the picture, too"""
    text = world.manifest.read_text("utf-8")
    at = text.index("marram-infrastructure-5.4.10.bin")
    old = 'lifecycle = "superseded"'
    text = text[:at] + text[at:].replace(old, 'lifecycle = "withdrawn"\nreason = "notice 7"', 1)
    world.manifest.write_text(text, encoding="utf-8")
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 1
    assert keeper("inventory", "load", HARBOUR).status == 0
    done = keeper("report", "--site", "skerry", "--out", tmp_path / "s.html", "--json")
    number = done.json["counts"]["withdrawn"]
    assert number > 5
    page = (tmp_path / "s.html").read_text("utf-8")
    assert page.count("<td>withdrawn: infrastructure 5.4.10") == number
    assert done.json["states"]["withdrawn"] == number


def test_wrong_words_are_told_with_what_is_meant(keeper: Keeper) -> None:
    for words, meant in (
        (("report", "--out", "x.html"), "--runbook DOMAIN"),
        (("report", "--runbook", "--site", "holm", "--out", "x.html"), "about two things"),
        (("report", "--runbook", "holm-a", "--to", "6.1"), "--out FILE.html"),
        (("report", "--runbook", "--out", "x.html"), "--to RELEASE"),
        (("report", "--runbook", "holm-a", "--to", "6.1", "--on", "2026-11-01", "--out", "x"), "known now"),
        (("report", "--site", "holm", "--to", "6.1", "--out", "x.txt"), "--out FILE.html"),
        (("report", "--site", "holm", "--inventory", "i.toml", "--out", "x.html"), "--overview"),
        (("report", "--site", "holm", "--manifest", "m.toml", "--out", "x.html"), "--overview"),
        (("report", "--site", "holm", "--per-cluster", "2", "--out", "x.html"), "--overview"),
        (("report", "--site", "holm", "--json", "--out", "-"), "--out FILE"),
    ):
        done = keeper(*words)
        assert done.status == 2, words
        assert meant in done.err + done.out


def _filled(kind: Any, text: str) -> Any:
    """A value of one of the reports' types in which every text is `text`."""
    made: dict[str, Any] = {}
    for each in fields(kind):
        name = str(each.type)
        if name in ("int", "float"):
            made[each.name] = 1
        elif name == "TimelinePicture | None":
            made[each.name] = _filled(timeline.TimelinePicture, text)
        elif name == "bool":
            made[each.name] = True
        elif name == "str":
            made[each.name] = text
        elif name == "tuple[tuple[str, str], ...]":
            made[each.name] = ((text, text),)
        elif name == "tuple[str, ...]":
            made[each.name] = (text,)
        elif name == "tuple[Finding, ...]":
            made[each.name] = (finding("not-checked", text, text, text),)
        elif name == "Mapping[str, int]":
            made[each.name] = {"components": 1}
        else:
            inner = re.fullmatch(r"tuple\[(\w+), \.\.\.\]", name)
            assert inner, name
            module = next(m for m in (runbook, site_page, timeline, space, gantt) if hasattr(m, inner[1]))
            made[each.name] = (_filled(getattr(module, inner[1]), text),)
    return kind(**made)


@pytest.mark.fault(75)
def test_hostile_names_stay_text_in_both_forms() -> None:
    """Hostile names (HTML, ESC, bidi) escaped in both."""
    ledger = _filled(runbook.Runbook, HOSTILE)
    read = safe_page(paper.html(ledger))
    assert "<script>alert(1)</script>\\x1b[31m\\u202egnp.exe" in read.text
    assert "{{ 7*7 }}" in read.text
    for text in (plain_runbook.text(ledger), site_page.text(_filled(site_page.SitePage, HOSTILE))):
        assert not re.search(r"[\x00-\x08\x0b\x0e-\x1f\x7f\u202a-\u202e\u2028]", text)
        assert "\\x1b[31m\\u202e" in text


def test_an_empty_book_and_an_empty_site_are_pages_too() -> None:
    ledger = replace(_filled(runbook.Runbook, "x"), steps=(), gaps=(), errors=(), sheets=(), shell="")
    assert "None was found" in safe_page(paper.html(ledger)).text
    assert "STOP" not in safe_page(paper.html(replace(ledger, stop=False))).text
    assert "none was found" in plain_runbook.text(ledger)
    assert site_page.text(replace(_filled(site_page.SitePage, "x"), components=()))


def test_bars_show_everything_that_takes_time_and_stay_within_their_width() -> None:
    bars = [
        GanttBar("a", (Span(0, 1), Span(1, 1000, "half"))),
        GanttBar("a very long name of a thing", (Span(999, 1000, "path"),)),
        GanttBar("c", (Span(0, 1000), Span(500, 501, "path"))),
    ]
    for width in (60, 80, 120):
        rows = list(lines(bars, 1000, width))
        assert max(map(len, rows)) <= width
        assert sum("#" in row for row in rows) == 3
        assert any("down: path, minutes 500-501" in row for row in rows)
