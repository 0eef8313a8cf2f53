"""`where` equals the twin of the rules of banks after each event; longer: `python -m tests.nights --count 10000`."""

from __future__ import annotations

import pytest

from bundlekeeper.ledger.state.fold import ComponentState
from tests.nights.__main__ import main, run
from tests.nights.random_nights import DifferenceError


def test_where_equals_the_twin_in_a_share_of_the_nights() -> None:
    assert run(100, seed=20261130) > 500


def test_a_wrong_rule_is_noticed_and_the_night_is_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A failed activation that changes nothing, though it was recorded as done before."""
    monkeypatch.setattr(ComponentState, "_back", lambda *_: None)
    with pytest.raises(DifferenceError, match=r"night [0-9]+ of seed 1"):
        run(100, seed=1)
    assert main(["--count", "100", "--seed", "1"]) == 1
    assert "the twin has" in capsys.readouterr().out
