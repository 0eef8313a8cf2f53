"""Two people at work on one component in one minute: both are recorded, and the second is warned of the first."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from bundlekeeper.jobs.recording.record import RecordingDone, record
from bundlekeeper.jobs.recording.selection import Places
from bundlekeeper.jobs.recording.statements import Asked, RecordDetails, RecordStatement
from bundlekeeper.jobs.session import Caller, Session
from bundlekeeper.jobs.shared.which_ledger import SharedAt
from tests.conftest import MARRAM, Keeper
from tests.kits.postgres import cluster, new_database

__all__ = ["cluster"]
NOW = datetime(2026, 11, 30, 22, tzinfo=UTC)


@pytest.mark.parametrize("kind", ["own", "shared"])
def test_the_second_of_two_who_contradict_each_other_is_told(
    keeper: Keeper, tmp_path: Path, request: pytest.FixtureRequest, kind: str
) -> None:
    """lee records between the moment when kim's command read the ledger and the moment when it records."""
    shared = new_database(request.getfixturevalue("cluster"), tmp_path) if kind == "shared" else None
    store = tmp_path / "store"
    at = {
        role: SharedAt(shared.address(role), copies=tmp_path / role) if shared else SharedAt()
        for role in ("kim", "lee")
    }
    words = ["--ledger-at", shared.address("lee")] if shared else []
    assert keeper("inventory", "load", MARRAM, "--reported-by", "noor", *words).status == 0
    waiting = ["lee"]

    def observed(person: str, version: str) -> RecordingDone:
        def now() -> datetime:
            if person == "kim" and waiting:
                assert observed(waiting.pop(), "6.0.1").findings == []
            return NOW

        caller = Caller(now, NOW.date, lambda _: None, shared=at[person])
        asked = Asked("observe", active=version)
        statement = RecordStatement(asked, Places("SKERRYA-IO1"), RecordDetails(reported_by=person))
        with Session(store, caller, write=True) as session:
            _ = session.ledger
            return record(session, statement, file=None, dry_run=False)

    done = observed("kim", "5.4.10")
    (found,) = [finding for finding in done.findings if finding.code == "recorded-otherwise"]
    assert found.subject == "SKERRYA-IO1"
    assert found.message.startswith("lee recorded observed active 6.0.1 as entry ")
    entry = found.message.split("entry ")[1].split(" ")[0]
    history = keeper("where", "SKERRYA-IO1", "--history", "--json", *words).json
    assert entry in {event["id"][: len(entry)] for event in history["history"]}
    assert keeper("ledger", "undo", entry, "--reason", "misread", *words).status == 0  # as the hint says
    if shared:
        shared.drop()
