"""What comes with a set and goes on with something that is here."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from bundlekeeper.jobs.media.receive import close_continued_by
from bundlekeeper.jobs.session import Caller, Session
from bundlekeeper.store.contents.kept_plans import KeptPlan
from tests.kits.ledger_history import DAY0


def test_a_plan_that_comes_closes_the_one_that_it_goes_on_with(tmp_path: Path) -> None:
    """It may have the same name: only one of them is due."""
    said: list[str] = []
    old, new = "a" * 64, "b" * 64
    later = DAY0 + timedelta(days=1)
    with Session(tmp_path / "store", Caller(lambda: later, later.date, said.append), write=True) as session:
        for digest, continues in ((old, ""), (new, old)):
            plan = KeptPlan(digest, "night", "holm-b", "6.1", DAY0, "kim", "", "", continues)
            assert session.plans.keep(plan, b"{}")
        close_continued_by(session, (new,))
    with Session(tmp_path / "store", Caller(lambda: later, later.date, said.append)) as session:
        assert {plan.sha256: plan.reason for plan in session.plans.kept()} == {old: "continued by night", new: ""}
    assert said == [f"note: plan night ({old[:8]}) is closed: continued by night"]
