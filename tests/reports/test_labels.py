"""The label sheet: what stands on it, that it is safe, and that its codes say the same."""

from __future__ import annotations

from datetime import UTC, datetime

from bundlekeeper.model.media.index import FilePart, SetFile, SetIndex
from bundlekeeper.reports import labels

SHA = "0123456789abcdef" * 4


def index(name: str = "marram-blade-6.1.0.bin", volumes: int = 2) -> SetIndex:
    files = tuple(
        SetFile(
            f"blade/{n}/{name}",
            1_200_000,
            SHA,
            "bundle",
            "blade",
            str(n),
            False,
            (FilePart(n, f"blade/{n}/{name}", 0, 1_200_000, SHA),),
        )
        for n in range(1, volumes + 1)
    )
    made = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
    return SetIndex("00aa11bb22cc33dd", "ab12", 7, "marram", "domain skerry-a", made, SHA, 14, volumes, files)


def test_the_sheet_names_the_set_and_every_volume() -> None:
    """Issue 6: "names, set id, first and last digits of the digests, and QR codes, as HTML"."""
    page = labels.page(index(), "f" * 64)
    for due in ("marram-set0007", "00aa11bb22cc33dd", "volume 1 of 2", "volume 2 of 2", "01234567…89abcdef", "1.2 MB"):
        assert due in page, due
    assert page.count("<svg") == 2
    assert SHA not in page


def test_the_sheet_needs_no_network_and_runs_nothing() -> None:
    page = labels.page(index(), "f" * 64)
    assert "default-src 'none'" in page
    for never in ("<script", "http://", "https://", "@import", "src="):
        assert never not in page.replace('xmlns="http://www.w3.org/2000/svg"', ""), never


def test_names_are_escaped() -> None:
    """ "HTML in names: escaped; no script from data"."""
    page = labels.page(index("<b onload=x>&'\u202e.bin"), "f" * 64)
    assert "<b onload" not in page
    assert "&lt;b onload=x&gt;&amp;" in page
    assert "\u202e" not in page


def test_ends_of_digests() -> None:
    assert labels.shortened(SHA) == "01234567…89abcdef"


def test_nothing_touches_the_edge_of_the_printed_area() -> None:
    """Chromium cuts half a border there; seen on a page printed for A4."""
    style = labels.page(index(), "f" * 64).partition("</style>")[0]
    own = style[style.index("@media print") :]
    assert "padding: 0 1mm;" in own
    assert "{#" not in style
