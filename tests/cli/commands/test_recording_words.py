"""The words that the recording commands take: a evidence of no known kind is refused before anything is recorded."""

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
def test_a_proof_of_no_known_kind_is_refused(words: tuple[str, ...], office: Keeper) -> None:
    before = office("ledger", "export").out
    ran = office(*words, "--evidence", "nonsense", "--json")
    assert ran.status == 2, (ran.out, ran.err)
    assert ran.json["error"]["message"] == "--evidence nonsense: no such evidence"
    assert ran.json["error"]["hint"] == "one of digest-read-back, inventory-reading, paper, none"
    assert office("ledger", "export").out == before
