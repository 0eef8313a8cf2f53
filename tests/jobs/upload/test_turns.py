"""Who may be written to at the same time."""

from __future__ import annotations

import threading
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import pytest

from bundlekeeper.errors import StoppedError
from bundlekeeper.jobs.upload.asked import UploadTarget
from bundlekeeper.jobs.upload.turns import Turns
from bundlekeeper.model.inventory.types import Component
from bundlekeeper.model.stop import Stop
from bundlekeeper.model.upload import UploadResult
from tests.kits.sure import PATIENCE_S, wait_until


def target(serial: str, **values: Any) -> UploadTarget:
    component = replace(
        Component("bios", "holm", "holm-a", "1", "1", "SRV", "Tern-2", serial, active="6.0.1"), **values
    )
    answer = SimpleNamespace(component=serial)
    bundle: Any = None
    return UploadTarget(component, cast("Any", answer), bundle, bundle, "6.1.0", "", "two-bank")


def is_let_in_beside(turns: Turns, first: UploadTarget, second: UploadTarget) -> bool:
    """True where the second gets its turn while the first has its own; it gets it in any case afterwards."""
    entered, leave = threading.Event(), threading.Event()
    waiting = threading.Event()

    def enter() -> None:
        waiting.set()
        with turns.turn(second):
            entered.set()
            leave.wait(PATIENCE_S)

    thread = threading.Thread(target=enter)
    with turns.turn(first):
        free = turns._is_free(second)
        thread.start()
        if free:
            wait_until(entered.is_set, "the second has its turn")
        inside = entered.is_set()
    wait_until(entered.is_set, "the second has its turn afterwards")
    leave.set()
    thread.join()
    assert inside is free
    return inside


def test_never_both_halves_of_a_pair() -> None:
    halves = [target("A", pair="p", parent=None), target("B", pair="p", parent=None)]
    assert not is_let_in_beside(Turns(9, Stop()), *halves)
    other = target("C", pair="q", parent=None)
    assert is_let_in_beside(Turns(9, Stop()), halves[0], other)


def test_of_one_cluster_only_so_many_and_an_unknown_one_may_be_any() -> None:
    same = [target("A", cluster="c1"), target("B", cluster="c1")]
    assert not is_let_in_beside(Turns(1, Stop()), *same)
    assert is_let_in_beside(Turns(2, Stop()), *same)
    assert is_let_in_beside(Turns(1, Stop()), same[0], target("C", cluster="c2"))
    assert is_let_in_beside(Turns(1, Stop()), same[0], target("C", cluster=""))
    assert not is_let_in_beside(Turns(1, Stop()), same[0], target("C", cluster=None))
    assert not is_let_in_beside(Turns(1, Stop()), target("C", cluster=None), same[0])


def test_what_failed_stops_the_rest_of_its_pair() -> None:
    turns, first, second = Turns(1, Stop()), target("A", pair="p", parent=None), target("B", pair="p", parent=None)
    with turns.turn(first) as before:
        assert before == ""
        turns.ended(first, UploadResult.FAILED)
    with turns.turn(second) as before:
        assert before == "A"
    with turns.turn(target("C", pair="q", parent=None)) as before:
        assert before == ""


def test_a_stop_ends_the_waiting() -> None:
    stop = Stop()
    turns, halves = Turns(1, stop), [target("A", pair="p"), target("B", pair="p")]
    caught: list[BaseException] = []

    def wait() -> None:
        try:
            with turns.turn(halves[1]):
                pass
        except StoppedError as error:
            caught.append(error)

    with turns.turn(halves[0]):
        thread = threading.Thread(target=wait)
        thread.start()
        stop.set()
        thread.join(30)
    assert len(caught) == 1
    with pytest.raises(StoppedError), turns.turn(halves[0]):
        pass
