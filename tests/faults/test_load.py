"""Large records: what a question costs is counted in SQLite's own operations, not by the clock."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from bundlekeeper.ledger.ask.types import Selector
from bundlekeeper.ledger.ask.where import where
from bundlekeeper.ledger.record.ledger import Ledger
from tests.kits.ledger_history import DAY0, read

_EVERY = 10  # operations of SQLite's virtual machine between two calls of the handler


def operations(ledger: Ledger, work: Callable[[], object]) -> int:
    """How many operations of SQLite's virtual machine the work costs (sqlite.org/c3ref/progress_handler.html)."""
    calls = 0

    def count() -> int:
        nonlocal calls
        calls += 1
        return 0

    ledger.connection.set_progress_handler(count, _EVERY)
    work()
    ledger.connection.set_progress_handler(None, 0)
    return calls * _EVERY


def record(path: Path, components: int, days: int) -> None:
    """So many components, each read once a day."""
    with Ledger.open(path, write=True) as ledger:
        for day in range(days):
            events = [read(day, f"6.{day}", component=f"C{n}") for n in range(components)]
            ledger.record(events, DAY0)


@pytest.mark.fault(84)
def test_a_question_costs_the_same_however_long_the_record_is(tmp_path: Path) -> None:
    """ "10⁶ events, 10⁵ components: bounds stated and met" (84): sixteen times the ledger, the same work for one part

    The bench measures the full size; here it is that the cost does not grow with the ledger.
    """
    costs = {}
    for components, days in ((20, 5), (20, 40), (160, 10)):
        path = tmp_path / f"l{components}"
        record(path, components, days)
        with Ledger.open(path, write=False) as ledger:
            questions = {
                "one": partial(where, ledger, Selector(component="C7")),
                "site": partial(where, ledger, Selector(site="nowhere")),
                "version": partial(where, ledger, Selector(version="6.0")),
            }
            costs[components, days] = {name: operations(ledger, ask) for name, ask in questions.items()}
    small, long, large = costs[20, 5], costs[20, 40], costs[160, 10]
    assert all(long[name] <= 2 * small[name] + 100 for name in ("one", "site")), costs
    assert large["one"] <= 1.5 * small["one"] + 100, costs
    assert large["site"] <= 1.5 * small["site"] + 100, costs
    assert large["version"] <= 1.5 * small["version"] + 100, costs  # nobody runs it any more


def test_recording_costs_the_same_however_long_the_record_is(tmp_path: Path) -> None:
    """Appending one event to a record sixteen times as long."""
    costs = []
    for components, days in ((20, 5), (160, 10)):
        path = tmp_path / f"l{components}"
        record(path, components, days)
        with Ledger.open(path, write=True) as ledger:
            event = read(days, "7.0", component="C7")
            costs.append(operations(ledger, partial(ledger.record, [event], DAY0)))
    assert costs[1] <= 1.5 * costs[0] + 100, costs
