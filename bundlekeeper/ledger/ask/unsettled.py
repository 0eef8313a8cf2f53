"""Components of which something is still to be done or to be found out, as of now.

Rules: as `where` without a date; what is in order is not read, so that a large ledger answers soon.
"""

from __future__ import annotations

from datetime import datetime

from bundlekeeper.ledger.ask.answering import Answering, Chosen
from bundlekeeper.ledger.ask.as_of import AsOf
from bundlekeeper.ledger.ask.types import Agreement, WhereAnswer
from bundlekeeper.ledger.ask.where import place_order
from bundlekeeper.ledger.event.places import RowsQuestion
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.state.fold import OPEN

#: What a record says and no reading confirms.
OPEN_AGREEMENTS = frozenset({
    Agreement.ACTIVATION_FAILED, Agreement.NO_ANSWER, Agreement.NOT_READ_BACK, Agreement.ONLY_RECORDED,
    Agreement.DIFFERS,
})  # fmt: skip

# The index's own condition, word for word: else SQLite does not use the index (sqlite.org/partialindex.html §3).
_OPEN = "(staged > 0 OR differs = 1 OR unread = 1 OR failed_event IS NOT NULL OR no_answer_event IS NOT NULL)"


def unsettled(ledger: Ledger, clock: datetime) -> list[WhereAnswer]:
    """Components with something staged, or whose record no reading confirms, sorted by place; `clock` is now, aware.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    with ledger.reading():
        as_of = AsOf(ledger, None, None, "UTC", clock)
        newest = RowsQuestion(f"until = {OPEN} AND {_OPEN}", (), "state_open")
        states = as_of.states([newest if as_of.is_newest else RowsQuestion(_OPEN, ())])
        chosen = [Chosen(state, ()) for state in states if state.snapshot.present]
        answers = [answer for answer in Answering(ledger, chosen).answers() if _is_unsettled(answer)]
    return sorted(answers, key=place_order)


def _is_unsettled(answer: WhereAnswer) -> bool:
    return bool(answer.staged is not None and answer.staged.version) or answer.agreement in OPEN_AGREEMENTS
