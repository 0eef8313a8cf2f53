"""The fewest rules that block a way, against every set of them; its bounds, and what is reported when one is met."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.planning.route import why_none


@dataclass(frozen=True)
class Blocked:
    """A problem in which any of `sets` of rules, as bits, blocks the way."""

    sets: tuple[int, ...]
    enabled: int = 0
    gives_up: bool = False


class Oracle:
    """In the search's place: there is a way unless all rules of one of the sets are held."""

    asked = 0

    def __init__(self, problem: Blocked) -> None:
        self.problem = problem

    def has_way(self, most: int) -> bool | None:
        Oracle.asked += 1
        assert most == why_none.MOST_PLACES
        if self.problem.gives_up:
            return None
        return not any(rules & self.problem.enabled == rules for rules in self.problem.sets)


@pytest.fixture(autouse=True)
def oracle(monkeypatch: pytest.MonkeyPatch) -> None:
    """The search replaced, so that what blocks is known."""
    monkeypatch.setattr(why_none, "RouteSearch", Oracle)
    monkeypatch.setattr(Oracle, "asked", 0)


def blocking(sets: Iterable[int], number: int, **more: Any) -> tuple[int, bool]:
    return why_none.blocking(Blocked(tuple(sets), **more), number)  # type: ignore[arg-type]  # as the oracle reads it


def bits(*numbers: int) -> int:
    return sum(1 << n for n in numbers)


NUMBER = 7


@given(st.lists(st.sets(st.integers(0, NUMBER - 1), min_size=1, max_size=4), min_size=1, max_size=5))
def test_the_fewest_of_all_sets(sets: list[set[int]]) -> None:
    """Brute force: of every set of rules, the smallest that blocks."""
    rows = [bits(*rules) for rules in sets]
    least = next(
        size
        for size in range(NUMBER + 1)
        for chosen in combinations(range(NUMBER), size)
        if any(rules & bits(*chosen) == rules for rules in rows)
    )
    found, exact = blocking(rows, NUMBER)
    assert exact
    assert found.bit_count() == least
    assert found in rows


def test_beyond_so_many_rules_none_can_be_left_out_and_that_is_told() -> None:
    """Where the fewest are more than MOST_RULES, what is named is as few as leaving out one after the other gives."""
    few = bits(*range(2, 2 + why_none.MOST_RULES + 1))
    assert blocking([few], 12) == (few, False)
    assert blocking([bits(*range(why_none.MOST_RULES))], 12) == (bits(*range(why_none.MOST_RULES)), True)


def test_a_search_that_gives_up_is_never_taken_for_a_way_or_for_none() -> None:
    """Nothing is known then: all rules are named, and that they may be too many."""
    assert blocking([bits(1)], 3, gives_up=True) == (bits(0, 1, 2), False)


@pytest.mark.parametrize("most", [1, 3, 8])
def test_searches_are_bounded_and_what_is_named_still_blocks(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    """Twelve pairs of rules, each of which blocks: many searches for the fewest."""
    monkeypatch.setattr(why_none, "MOST_SEARCHES", most)
    sets = [bits(n, n + 12) for n in range(12)]
    found, exact = blocking(sets, 24)
    assert not exact
    assert any(rules & found == rules for rules in sets)
    assert Oracle.asked == 2 * most  # for the fewest, and again for leaving out one after the other
    if most == 8:
        assert found.bit_count() < 24
