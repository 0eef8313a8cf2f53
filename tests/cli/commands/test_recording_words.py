"""The words of the recording commands: evidence of an unknown kind is refused before anything is recorded."""

from __future__ import annotations

import pytest

from tests.conftest import Keeper


@pytest.mark.parametrize(
    "words",
    [
        ("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0"),
        ("activate", "HOLMA-IO1"),
        ("observe", "HOLMA-IO1", "--active", "6.0.1"),
    ],
    ids=lambda words: words[0],
)
def test_evidence_of_an_unknown_kind_is_refused(words: tuple[str, ...], office: Keeper) -> None:
    before = office("ledger", "export").out
    ran = office(*words, "--evidence", "nonsense", "--json")
    assert ran.status == 2, (ran.out, ran.err)
    assert ran.json["error"]["message"] == "--evidence cannot be nonsense"
    assert ran.json["error"]["hint"] == "one of digest-read-back, inventory-reading, written-note, none"
    assert office("ledger", "export").out == before
