"""Make the page, open it, measure, print."""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from bundlekeeper.reports.overview_page import html
from tests.kits import pages
from tests.kits.browser import started

DOMAINS, SERVERS = 40, 248  # 40 domains of 500 components
_PAINT = "performance.getEntriesByType('paint').map((entry) => [entry.name, entry.startTime])"
_FILTER = """(word) => new Promise((resolve) => requestIdleCallback(() => {
  const field = document.querySelector('[name=text]');
  field.value = word;
  const begin = performance.now();
  field.dispatchEvent(new Event('input', { bubbles: true }));
  document.body.getBoundingClientRect();
  resolve(performance.now() - begin);
}))"""
_PLACES = {
    "on the front": "location.hash = ''",
    "in a domain": "location.hash = 'd1'",
    "at a table": "document.querySelector('#d1 .scroll').scrollIntoView()",
}
_TIMES = 5


def main() -> None:
    """Print the measures."""
    with TemporaryDirectory() as folder, started() as browser:
        path = Path(sys.argv[1]).resolve() if sys.argv[1:] else Path(folder) / "page.html"
        if not sys.argv[1:]:
            path.write_text(html(pages.page(servers=SERVERS, domains=DOMAINS)), "utf-8")
        print(f"file          {path.stat().st_size / 1e6:8.1f} MB   (wanted: at most 15)")
        page = browser.new_page()
        page.goto(path.as_uri())
        page.locator("#count:not(:empty)").wait_for()
        for name, milliseconds in page.evaluate(_PAINT):
            print(f"{name:<24}{milliseconds:6.0f} ms   (wanted: less than 1000)")
        print(f"components    {page.locator('#count').inner_text()}")
        for where, going in _PLACES.items():
            page.evaluate(f"() => {{ {going} }}")
            taken: dict[str, list[float]] = {}
            for _ in range(_TIMES):
                for word in ("host-3", "disk", "nothing of that name", ""):
                    taken.setdefault(word, []).append(page.evaluate(_FILTER, word))
            for word, times in taken.items():
                middle, most = sorted(times)[_TIMES // 2], max(times)
                print(
                    f"filter {word!r:<24}{where:<13}{middle:6.0f} ms, at most {most:.0f} ms   (wanted: less than 100)"
                )


if __name__ == "__main__":
    main()
