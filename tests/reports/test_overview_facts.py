"""What a page of sites says of a store, beside what the other commands say of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import Keeper, World

_SHEET = """\
site,domain,chassis,slot,parent,kind,model,active,staged,variant,healthy
lund,lund-k,-,U1,K1,bios,Gull-1,6.1.0,-,managed-servers,no
lund,lund-k,-,U2,K2,bios,Gull-1,6.1.0,-,managed-servers,yes
"""


@pytest.fixture
def lund(keeper: Keeper, world: World, tmp_path: Path) -> Keeper:
    """A store with a manifest, and two rack servers that run its newest release; one is not well."""
    sheet = tmp_path / "lund.csv"
    sheet.write_text(_SHEET)
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status < 2
    done = keeper("inventory", "load", sheet, "--read-at", "2026-11-01", "--zone", "UTC")
    assert done.status < 2, done.err
    return keeper


def page_of(keeper: Keeper, *words: str) -> str:
    """The page that is written."""
    done = keeper("report", "--overview", "--to", "6.1", *words, "--out", "page.html", "--force", "--json")
    assert done.status < 2, done.err
    return Path(done.json["written"]["file"]).read_text("utf-8")


def test_a_domain_at_the_release_keeps_its_gaps(lund: Keeper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`gaps` and the page say the same of a server that is not well."""
    monkeypatch.chdir(tmp_path)
    assert "pair-unhealthy" in lund("gaps", "lund-k", "--to", "6.1").out
    page = page_of(lund)
    assert "2 of 2 at 6.1; 6 gaps" in page
    assert "warning: pair-unhealthy" in page


def test_a_page_of_a_past_day_says_nothing_of_now(
    lund: Keeper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What needs attention, and when bundles were verified, is of now alone."""
    monkeypatch.chdir(tmp_path)
    assert "What needs attention" in page_of(lund)
    past = page_of(lund, "--on", "2026-11-02")
    assert "What needs attention" not in past
    assert "when each bundle was verified" not in past


def test_components_that_were_removed_since_are_told(
    lund: Keeper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page looks back with the components of now; `where --on` has one more."""
    monkeypatch.chdir(tmp_path)
    assert "removed since" not in page_of(lund, "--since", "2026-11-02")
    assert lund("observe", "K2", "--removed", "--at", "2026-11-05T10:00Z").status < 2
    said = "1 component that was removed since then is not on its past days: bundlekeeper where --on DAY"
    assert said in page_of(lund, "--since", "2026-11-02")
