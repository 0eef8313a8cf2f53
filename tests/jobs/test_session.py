"""Each command opens the store, its database and its ledger once: counted while the whole tour runs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from bundlekeeper.cli.screen.help import GROUPS
from bundlekeeper.demo import tour
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database.store_database import StoreDatabase


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each was opened since the counter was last cleared, to be read or to be written."""
    counts: Counter[str] = Counter()
    for kind in (Store, StoreDatabase, Ledger):
        monkeypatch.setattr(kind, "open", classmethod(_counting(kind, counts)))
    return counts


def _counting(kind: type, counts: Counter[str]) -> Callable[..., object]:
    real = kind.open.__func__  # type: ignore[attr-defined]  # a class method's own function

    def opening(cls: type, path: Path, *, write: bool) -> object:
        counts[f"{kind.__name__}, {'to write' if write else 'to read'}"] += 1
        return real(cls, path, write=write)

    return opening


def test_every_command_of_the_tour_opens_each_thing_once(tmp_path: Path, opened: Counter[str]) -> None:
    """The store database may be asked before it is locked, and then be opened to be written: once each.

    `media receive` asks twice: what is in the store already, and, by `store add`, whether the manifest may be taken at
    all.
    """
    from bundlekeeper.cli.screen.answers.tour import run

    too_often, seen = [], set()

    def counting(number: int, step: tour.TourStep) -> int:
        opened.clear()
        status = run(number, step)
        if opened:
            seen.add(" ".join(step.command[:2]) if step.command[0] in GROUPS else step.command[0])
        stores = sum(count for what, count in opened.items() if what.startswith("Store,"))
        if step.command[:2] == ("media", "receive") and opened["StoreDatabase, to read"] == 2:
            opened["StoreDatabase, to read"] = 1
        if stores > 1 or any(count > 1 for count in opened.values()):
            too_often.append((step.command, dict(opened)))
        return status

    steps = tour.tour(tour.fresh(tmp_path / "tour"), counting)
    assert [(step.command, status) for step, status in steps if status != step.expected] == []
    assert too_often == []
    assert seen >= {"store add", "store list", "verify", "stage", "where", "gaps", "route", "inventory load"}
    assert seen >= {"trust add", "media pack", "media write", "media receive", "receipt write"}


def test_an_opening_is_counted(tmp_path: Path, opened: Counter[str]) -> None:
    """The test's own reader."""
    with Store.open(tmp_path / "store", write=True) as store:
        store.database(write=True).close()
        store.database(write=False).close()
    assert opened == {"Store, to write": 1, "StoreDatabase, to write": 1, "StoreDatabase, to read": 1}
