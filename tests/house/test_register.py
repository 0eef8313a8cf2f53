"""The registers of faults and attacks against the marks at the tests: nothing is registered that no test shows."""

from __future__ import annotations

import pytest

from tests.house.register import ATTACKS, FAULTS, marks, table


@pytest.mark.parametrize(("kind", "registered"), [("fault", FAULTS), ("attack", ATTACKS)])
def test_what_is_registered_has_a_test_and_every_mark_is_registered(
    kind: str, registered: dict[int, str] | dict[str, str]
) -> None:
    named = {what for what, _ in marks(kind)}
    assert named == set(registered)


def test_the_faults_are_numbered_without_a_gap() -> None:
    assert list(FAULTS) == list(range(1, len(FAULTS) + 1))


def test_a_row_names_its_tests_and_a_mark_that_is_not_there_is_not_found() -> None:
    (row,) = [row for row in table("fault", FAULTS) if row.startswith("| 1 |")]
    assert "test_" in row
    assert not any(what == len(FAULTS) + 1 for what, _ in marks("fault"))
    assert list(table("fault", {0: "nothing"}))[-1] == "| 0 | nothing |  |"
