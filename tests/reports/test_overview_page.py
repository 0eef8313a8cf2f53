"""The page of sites in a real browser: at every width, light, dark, on paper, without scripts, with hostile names."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from bundlekeeper.reports import overview_page
from bundlekeeper.reports.overview_page import html
from tests.kits import pages
from tests.kits.page_scripts import lint_errors, type_errors
from tests.kits.sure import some

SCRIPT = Path(overview_page.__file__).parent / "templates" / "overview.js"
KINDS = sorted([f"kind-{letter}" for letter in "abcdefghijkl"] * 4 + ["kind-l"] * 2)
VIEWS = [("", "light", 360), ("d1", "dark", 360), ("", "dark", 1024), ("d1", "light", 1024), ("d1", "light", 2560)]


@pytest.fixture
def browser(chromium: Browser) -> Browser:
    """The one Chromium of all tests: Playwright runs once in a process."""
    return chromium


class Shown:
    """A page that is open; `asked` are its requests, `wrong` what its console reports."""

    def __init__(self, browser: Any, file: Path, **options: Any) -> None:
        self.context = browser.new_context(reduced_motion="reduce", **options)
        self.page = self.context.new_page()
        self.asked: list[str] = []
        self.wrong: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("console", lambda message: self.wrong.append(message.text))
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.file = file

    def go(self, at: str = "") -> Any:
        """Open it at an anchor."""
        self.page.goto("about:blank")
        self.page.goto(f"{self.file.as_uri()}#{at}")
        if self.context and self.page.evaluate("document.querySelector('#filter')?.hidden === false"):
            expect(self.page.locator("#count")).not_to_be_empty()
        return self.page

    def __enter__(self) -> Shown:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """An ordinary page."""
    path = tmp_path / "page.html"
    path.write_text(html(pages.page()), "utf-8")
    return path


def test_every_view_fits_its_width_and_axe_finds_nothing(browser: Any, file: Path) -> None:
    """WCAG 2.2 AA as far as axe-core can tell; nothing is wider than the screen."""
    from axe_playwright_python.sync_playwright import Axe

    for at, scheme, width in some(VIEWS):
        with Shown(browser, file, color_scheme=scheme, viewport={"width": width, "height": 900}) as shown:
            page = shown.go(at)
            found = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]})
            assert [(v["id"], v["nodes"][0]["html"]) for v in found.response["violations"]] == [], (at, scheme, width)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (at, width)
            assert shown.wrong == []
            assert all(url.startswith(("file:", "about:")) for url in shown.asked), shown.asked


def test_a_hostile_name_in_every_field_runs_nothing_and_breaks_no_layout(browser: Any, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text(html(pages.page(pages.HOSTILE)), "utf-8")
    for width in (360, 1024):
        with Shown(browser, path, viewport={"width": width, "height": 900}) as shown:
            for at in ("", "d1", "c1"):
                page = shown.go(at)
                assert page.title() != "ran"
                assert page.locator("img").count() == 0
                assert page.evaluate("document.documentElement.scrollWidth") <= width, (at, width)
            assert page.locator("dialog[open]").count() == 1
            assert shown.wrong == []


def test_without_scripts_tiles_lead_to_domains_and_boxes_to_rows(browser: Any, file: Path) -> None:
    with Shown(browser, file, java_script_enabled=False) as shown:
        page = shown.go()
        assert page.locator("#filter").is_hidden()
        assert page.locator("#d1").is_hidden()
        page.click("a.tile >> nth=0")
        assert page.locator("#d1").is_visible()
        assert page.locator(".front").is_hidden()
        page.click("#d1 a.cell >> nth=0")
        assert page.locator("#d1").is_visible()
        assert page.locator("tr:target").count() == 1


def test_the_filter_the_days_the_details_and_the_copy(browser: Any, file: Path) -> None:
    with Shown(browser, file, permissions=["clipboard-read", "clipboard-write"]) as shown:
        page = shown.go()
        page.fill("[name=text]", "host-3 disk")
        assert page.locator("#found tbody tr").count() == 2
        assert page.locator("#count").inner_text() == "2 of 40 components"
        page.click("#found + .copy, #found .copy")
        page.get_by_text("Copied").wait_for()
        copied = page.evaluate("navigator.clipboard.readText()")
        assert copied.startswith("Domain,State,Component,")
        assert copied.count("\r\n") == 3
        page.select_option("[name=state]", "B")
        page.click("[type=reset]")
        expect(page.locator("#count")).to_have_text("40 components")
        page.click("a.tile >> nth=0")
        row = page.locator("#c1")
        assert "6.0.1" in row.inner_text()
        page.locator("[name=day]").fill("0")
        assert "5.4.2" in row.inner_text()
        assert "5.4.2" in page.locator("#d1 a.half >> nth=0").text_content()
        page.locator("[name=day]").fill("2")
        page.click("#c1 a")
        detail = page.locator("dialog[open]")
        assert "activated 6.0.1" in detail.inner_text()
        page.keyboard.press("Escape")
        assert detail.count() == 0
        assert shown.wrong == []


def test_a_past_day_is_that_day_in_the_search_the_copy_and_on_paper(browser: Any, file: Path) -> None:
    """The component of the history ran 5.4.2 on its first day; now it runs 6.0.1."""
    with Shown(browser, file, permissions=["clipboard-read", "clipboard-write"]) as shown:
        page = shown.go()
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        assert page.locator("#d1 tbody tr[hidden], #d1 .dim").count() == 0
        page.locator("[name=day]").fill("0")
        page.fill("[name=text]", "5.4.2")
        assert page.locator("#count").inner_text() == "2 of 40 components"
        listed = page.locator("#found tbody tr").first.locator("td, th").all_inner_texts()
        page.click("#found .copy")
        page.get_by_text("Copied").wait_for()
        copied = next(csv.DictReader(io.StringIO(page.evaluate("navigator.clipboard.readText()"), newline="")))
        assert copied["Runs"] == "5.4.2"
        assert list(copied.values()) == listed
        page.locator("#found tbody a").first.click()
        assert "5.4.2" in page.locator("dialog[open] > dl").inner_text()
        page.keyboard.press("Escape")
        page.fill("[name=text]", "")
        page.emulate_media(media="print")
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        assert "5.4.2" in (page.locator("#c1").text_content() or "")
        assert "5.4.2" in page.locator("#d1 a.half >> nth=0").text_content()


def test_the_keyboard_alone_gets_everywhere(browser: Any, file: Path) -> None:
    with Shown(browser, file) as shown:
        page = shown.go()
        for _ in range(40):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.className").startswith("tile"):
                break
        page.keyboard.press("Enter")
        assert page.locator("#d1").is_visible()
        page.focus("#d1 a.cell >> nth=0")
        page.keyboard.press("ArrowRight")
        assert page.evaluate("document.activeElement.getAttribute('href')") == page.locator(
            "#d1 a.cell >> nth=1"
        ).get_attribute("href")
        page.keyboard.press("Enter")
        assert page.locator("dialog[open]").count() == 1
        expect(page.get_by_role("button", name="Close")).to_be_focused()
        small = page.evaluate(
            "[...document.querySelectorAll('#d1 a.cell, #d1 a.half, button')].map(e => e.getBoundingClientRect())"
            ".filter(r => r.width && (r.width < 24 || r.height < 24)).length"
        )
        assert small == 0


def test_a_domain_of_40_servers_of_50_components_is_one_page_of_paper(browser: Any, tmp_path: Path) -> None:
    """Of twelve kinds, with many gaps and partitions; in the other domain each server has few components."""
    path = tmp_path / "page.html"
    large, small = (pages.page(servers=40, domains=1, kinds=kinds) for kinds in (KINDS, ("bios", "disk")))
    domains = (replace(large.domains[0], space=large.domains[0].space * 8, gaps=large.domains[0].gaps * 12),)
    path.write_text(html(replace(large, domains=(*domains, replace(small.domains[0], number=2)))), "utf-8")
    with Shown(browser, path) as shown:
        printed = shown.go().pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 3  # all of it, and each domain


def test_the_script_is_strictly_typed_and_keeps_the_rules() -> None:
    assert type_errors(SCRIPT) == ""
    assert lint_errors(SCRIPT) == ""


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("/** @type {number} */ const wrong = one('a', HTMLElement);", "error TS2322"),
        ("if (days == rows) form.innerHTML = wrong;", "eqeqeq no-restricted-properties no-undef"),
    ],
    ids=["type", "rule"],
)
def test_a_wrong_line_in_the_script_is_found(tmp_path: Path, line: str, said: str) -> None:
    script = tmp_path / "wrong.js"
    script.write_text(f"{SCRIPT.read_text('utf-8')}\n{line}\n", "utf-8")
    answer = type_errors(script) if said.startswith("error") else lint_errors(script)
    assert [word for word in said.split() if word not in answer] == []


def test_no_text_of_data_is_outside_escaping() -> None:
    """The one script and the one style are the package's own; the policy names both by digest."""
    made = html(pages.page(pages.HOSTILE))
    assert made.count("<script") == 1
    assert "<img" not in made
    assert "default-src &#39;none&#39;" in made
    assert " style=" not in made
