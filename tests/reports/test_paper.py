"""A run-book of 40 servers on paper: how many pages and boxes, what comes first, nothing twice."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bundlekeeper.reports import paper, runbook
from tests.conftest import Keeper
from tests.kits.large_domain import DOMAIN, SERVERS, large_domain

_BOOK = ("report", "--runbook", DOMAIN, "--to", "6.1", "--window", "6h")


@pytest.fixture
def book(office: Keeper, tmp_path: Path) -> str:
    """The page of a run-book of 40 servers."""
    (tmp_path / "large.toml").write_text(large_domain())
    done = office(*_BOOK, "--inventory", tmp_path / "large.toml", "--out", tmp_path / "book.html")
    assert done.status == 1
    return (tmp_path / "book.html").read_text("utf-8")


def test_a_window_is_a_page_and_a_server_a_row(book: str) -> None:
    """ "One page a window of ≤ 25 servers, ≤ 12 pages beside the appendix where there are ≤ 8 windows." """
    sheets = re.findall(r'(?s)<section class="sheet-page">.*?</section>', book)
    titles = [re.findall(r"<h2>(.*?)</h2>", sheet) for sheet in sheets]
    assert [title[0].partition(":")[0] for title in titles] == [
        f"Window {n} of {len(sheets)}" for n in range(1, len(sheets) + 1)
    ]
    assert len(sheets) <= 8
    rows = [re.findall(r'<td class="name">(?:server )?(\d/\d)</td>', sheet) for sheet in sheets]
    assert sorted(row for sheet in rows[1 : len(sheets) // 2] for row in sheet) == sorted(
        f"{n // 8 + 1}/{n % 8 + 1}" for n in range(SERVERS)
    )
    assert all(sheet.count("Turn back by") == 1 and "<svg" in sheet and 'class="hatch"' in sheet for sheet in sheets)
    assert book.count('class="box"') <= 600
    assert len(sheets) + 4 <= 12  # at most four pages come before the first window: see the next test


def test_what_comes_before_the_first_window_is_at_most_four_pages(book: str) -> None:
    front = re.sub(r"(?s)<style>.*?</style>", "", book).partition('<section class="sheet-page">')[0]
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", front))
    assert paper.lines_of(text) * 4.9 + 5 * front.count("<tr") < 4 * paper.PAGE


def test_a_sheet_that_is_too_high_goes_on_and_loses_no_row() -> None:
    rows = tuple(runbook.SheetRow(f"server 1/{n}", (runbook.SheetCell("0:10", field=False),) * 6) for n in range(90))
    about = ("Window 1 of 1", "window 1 of 1", "when", "1 h", "0:10", "reason", "")
    sheet = runbook.WindowSheet(*about, (), (), None, (), 60, (), ("x",) * 6, rows, ())
    pages = paper.sheet_pages(sheet)
    assert [page.again for page in pages] == ["1 of 3", "2 of 3", "3 of 3"]
    assert tuple(row for page in pages for row in page.rows) == rows
    assert all(paper.sheet_height(page) <= paper.PAGE for page in pages)
    assert sum(map(len, paper.parts_of(pages[0]))) == len(pages[0].rows)


def test_a_run_book_of_a_pair_that_is_not_healthy_begins_with_stop(office: Keeper, tmp_path: Path) -> None:
    (tmp_path / "ill.toml").write_text(large_domain(healthy="false"))
    told = office(*_BOOK, "--inventory", tmp_path / "ill.toml", "--out", "-").out
    head = told.splitlines()[:6]
    assert head[2].startswith("* STOP: do not begin. ")
    assert "pair-unhealthy: fabric-switch pair fabric:" in head[3]
    assert re.sub(r"\s+", " ", told).count("pair-unhealthy: fabric-switch pair fabric") == 1  # no gap twice
    assert "STOP: do not begin. The first page has the reasons." in told


def test_no_gap_is_there_twice(office: Keeper, tmp_path: Path) -> None:
    (tmp_path / "large.toml").write_text(large_domain())
    told = office(*_BOOK, "--inventory", tmp_path / "large.toml", "--out", "-").out
    gaps = [
        re.sub(r"\s+", " ", row) for row in re.findall(r"(?s)\[ \] ((?:warning|error): .*?)\n      closed by", told)
    ]
    assert len(gaps) == len(set(gaps)) > 5
    assert sum("fits" in gap or "fit (" in gap for gap in gaps) == 1
