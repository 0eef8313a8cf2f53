"""Where an export is from: when it was made, of which store, and the head of the ledger that it was made from.

Rules: the head is that of the state which the export tells, because both are read in one transaction; a ledger that
cannot be read has no head, and that is reported.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import DamagedError
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.event.chain import Head


@dataclass(frozen=True, slots=True)
class ExportOrigin:
    """When an export was made (aware, UTC), of the store in which folder; `head` is None where there is no ledger."""

    at: datetime
    store: str
    head: Head | None

    @property
    def digest(self) -> str:
        """The ledger's head, as `ledger verify --head` takes it; empty where there is none."""
        return self.head.digest if self.head is not None else ""

    @property
    def moment(self) -> str:
        """When it was made, in whole seconds: `2026-11-30T09:12:00Z`."""
        return f"{self.at:%Y-%m-%dT%H:%M:%SZ}"


@contextmanager
def exporting(session: Session) -> Iterator[ExportOrigin]:
    """One state of the ledger for everything that is asked within, and where that is from.

    Raises LockedError, RefusedError, UnfinishedError.
    """
    with ExitStack() as stack:
        head = None
        try:
            if session.ledger_is_there:
                stack.enter_context(session.ledger.reading())
                head = session.ledger.head()
        except DamagedError as error:
            session.tell(f"note: the ledger's head is not known: {error.message}")
        yield ExportOrigin(session.now(), str(session.root.absolute()), head)
