"""What a reception tells once though several bundles share it, and how often it opens the store database."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.cli.screen.media import received
from tests.kits.media_kit import Bundle, MadeSet, Site, make_set, manifest_text, write_set

BUNDLES = tuple(Bundle(family, "6.1.0", family.encode() * 99) for family in ("infrastructure", "blade", "rack"))


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return Site(tmp_path / "skerry")


def own_copies() -> MadeSet:
    """A set whose manifest has every digest from the file itself."""
    text = manifest_text(BUNDLES).replace(b"publisher: download page, 2026-08-02", b"own copy")
    return make_set(BUNDLES, manifest=text)


def test_what_several_bundles_share_is_reported_once(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    came = site.receive(*write_set(own_copies(), tmp_path))
    assert [f.code for f in came.findings] == ["self-digest"] * 3, "and not as own-copy of the manifest's lines, too"
    received.show_text(site.root, came)
    reported = capsys.readouterr().out
    assert reported.count("warning: self-digest:") == 2
    assert f"2 more like it: {BUNDLES[1].file}, {BUNDLES[2].file}" in reported


@pytest.mark.parametrize(("dry_run", "count"), [(True, 1), (False, 3)])
def test_the_database_is_opened_once_to_read_and_by_adding_to_ask_and_to_write(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, dry_run: bool, count: int
) -> None:
    media = write_set(own_copies(), tmp_path)
    opened: list[str] = []
    real = sqlite3.connect

    def connect(database: str, *words: Any, **named: Any) -> sqlite3.Connection:
        if ":memory:" not in str(database):
            opened.append(str(database))
        connection: sqlite3.Connection = real(database, *words, **named)
        return connection

    monkeypatch.setattr(sqlite3, "connect", connect)
    site.receive(*media, dry_run=dry_run)
    assert len(opened) == count, opened
