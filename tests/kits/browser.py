"""A real browser, headless, for pages that we write: Debian's Chromium, driven by Playwright.

Rules: one browser for a whole run of tests, a new page for each test, and none of them reaches a network; where there
is no Chromium the test is skipped, but never in CI.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

OPTIONS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
#: Widths in CSS pixels: a phone, a desk, a wall.
WIDTHS = (360, 1280, 3840)


@contextmanager
def started() -> Iterator[Browser]:
    """A running browser. Skips the test where there is none."""
    program = shutil.which("chromium")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("chromium is not on this machine")
        pytest.skip("chromium is not on this machine")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=[*OPTIONS])
        try:
            yield browser
        finally:
            browser.close()


def barriers(page: Page) -> list[str]:
    """What axe-core finds against WCAG 2.2 A and AA on the page as it is now, and against its best practices."""
    found = Axe().run(page)
    return [f"{rule['id']}: {[node['html'] for node in rule['nodes'][:3]]}" for rule in found.response["violations"]]


def overflows(page: Page) -> bool:
    """True where the page has to be moved sideways."""
    return bool(page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth"))
