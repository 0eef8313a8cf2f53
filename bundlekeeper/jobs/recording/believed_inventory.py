"""The inventory as the ledger has it now: the newest readings, brought up to date by what was recorded since."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.model.inventory.types import Inventory


@dataclass(frozen=True, slots=True)
class BelievedInventory:
    """The inventory, the components that are not in it because their place is not known, and what is doubtful."""

    inventory: Inventory
    unplaced: tuple[str, ...]
    doubts: list[Finding]


def believed_inventory(session: Session) -> BelievedInventory:
    """Everything that is anywhere now. Raises InputError where no inventory was loaded; DamagedError, LockedError,
    UnfinishedError."""
    from bundlekeeper.ledger.ask.as_inventory import believed
    from bundlekeeper.ledger.ask.future_events import ahead

    ledger, clock = session.ledger, session.now()
    with ledger.reading():
        found, beyond = believed(ledger, clock=clock), ahead(ledger, clock)
    doubts = [] if beyond is None else [beyond.doubt("they do not count here")]
    if found is None:
        raise InputError("no inventory was loaded yet", hint="bundlekeeper inventory load FILE", problems=doubts)
    return BelievedInventory(found.inventory, found.unplaced, doubts)
