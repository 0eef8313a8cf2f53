"""Each command opens the store, its database and its ledger once: counted while the whole tour runs."""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bundlekeeper.demo import tour
from bundlekeeper.store.contents.store import Store

OPENED: Counter[str] = Counter()
COUNTING: list[bool] = [False]


def _heard(event: str, arguments: tuple[object, ...]) -> None:
    """CPython's own audit event of `sqlite3.connect`; a hook stays for as long as the process lives."""
    if COUNTING[0] and event == "sqlite3.connect":
        name = os.fsdecode(arguments[0]) if isinstance(arguments[0], (str, bytes, os.PathLike)) else str(arguments[0])
        for database in ("catalogue.sqlite", "ledger.sqlite"):
            if f"/{database}" in name:
                OPENED[database] += 1


@pytest.fixture(scope="module", autouse=True)
def _hook() -> None:
    sys.addaudithook(_heard)


@contextmanager
def counted(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Count what is opened inside the block."""
    real = Store.open.__func__  # type: ignore[attr-defined]  # a class method's own function

    def opened(cls: type[Store], root: Path, *, write: bool) -> Store:
        OPENED["store"] += 1
        store: Store = real(cls, root, write=write)
        return store

    OPENED.clear()
    monkeypatch.setattr(Store, "open", classmethod(opened))
    COUNTING[0] = True
    try:
        yield
    finally:
        COUNTING[0] = False
        monkeypatch.undo()


def test_every_command_of_the_tour_opens_each_thing_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A store that is new is made first, so its database may be opened to be made and once more to be used."""
    from bundlekeeper.cli.screen.answers.tour import run

    too_often = []

    def counting(number: int, step: tour.TourStep) -> int:
        with counted(monkeypatch):
            status = run(number, step)
        if any(count > 1 for count in OPENED.values()):
            too_often.append((step.command, dict(OPENED)))
        return status

    steps = tour.tour(tour.fresh(tmp_path / "tour"), counting)
    assert [(step.command, status) for step, status in steps if status != step.expected] == []
    assert too_often == []


def test_an_opening_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The test's own reader."""
    with counted(monkeypatch), Store.open(tmp_path / "store", write=True) as store:
        store.catalogue(write=True).close()
        store.catalogue(write=True).close()
    assert OPENED["store"] == 1
    assert OPENED["catalogue.sqlite"] >= 2
