"""The page of a printed receipt: its facts, the lines to type, the code to scan."""

from __future__ import annotations

from collections.abc import Sequence

from bundlekeeper.reports import pages, qr


def page(title: str, facts: Sequence[tuple[str, str]], lines: Sequence[str], code: str) -> str:
    """The HTML of one page, whole without a network. Raises InputError when `code` is too long for a QR code."""
    from markupsafe import Markup

    drawn = Markup(qr.svg(code))  # noqa: S704  (made by segno from characters of our own alphabet)
    return pages.render("receipt.html", page={"title": title, "facts": facts, "lines": lines, "drawn": drawn})
