"""Which ledger a command uses, and how it is opened: the shared one, or the store's own in its place (`--offline`)."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import KeeperError
from bundlekeeper.frozen import dataclass

if TYPE_CHECKING:
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.ledger.shared.copied_ledger import SharedLedger


@dataclass(frozen=True, slots=True)
class SharedAt:
    """Which shared ledger is meant: its address for this command ("" is the config file's); `offline` it is not asked.

    `copies` is the user's folder of their copies.
    """

    address: str = ""
    offline: bool = False
    copies: Path = Path()


@dataclass(frozen=True, slots=True)
class LedgerPlace:
    """Where a session's ledger is: the address of a shared one ("" for none), and the path of the store's own."""

    asked: SharedAt
    address: str
    own: Path

    @property
    def shared(self) -> str:
        """The address that is asked, "" where the store's own ledger is used."""
        return "" if self.asked.offline else self.address

    def copy(self) -> Path | None:
        """The last copy of the shared ledger that `--offline` stands in for; None for none. Raises RefusedError."""
        if not (self.asked.offline and self.address):
            return None
        from bundlekeeper.ledger.shared.offline import last_copy

        return last_copy(self.asked.copies, self.address)


def open_shared(
    place: LedgerPlace, *, write: bool, now: Callable[[], datetime], tell: Callable[[str], None]
) -> SharedLedger:
    """The shared ledger; a note reports that the store's own has what it has not. Raises as `SharedLedger.connect`."""
    from bundlekeeper.ledger.shared.copied_ledger import SharedLedger

    shared = SharedLedger.connect(place.shared, place.asked.copies, write=write, tell=tell, now=now)
    if not place.own.exists():
        return shared
    from bundlekeeper.ledger.shared.offline import lacks

    with suppress(KeeperError):  # a damaged ledger of the store is no reason to refuse the shared one
        if lacks(shared, place.own):
            tell("note: this store's own ledger has events that the shared ledger has not")
            tell("hint: bundlekeeper ledger export --offline | bundlekeeper ledger merge -")
    return shared


def open_own(place: LedgerPlace, *, write: bool, now: Callable[[], datetime], tell: Callable[[str], None]) -> Ledger:
    """The store's own ledger. In place of a shared one it begins with that one's last copy, which answers alone where
    nothing was recorded in its place. Raises as `Ledger.open`, `offline.last_state`, `offline.bring_up_to_date`.
    """
    from bundlekeeper.ledger.record.ledger import Ledger

    copy = place.copy()
    if copy is not None and not write and not place.own.exists():
        from bundlekeeper.ledger.shared.offline import last_state

        ledger = Ledger.open(copy, write=False)
        try:
            known = last_state(ledger)
        except BaseException:
            ledger.close()
            raise
        tell(f"note: the shared ledger is not asked: this is what it had when this machine last reached it, {known}")
        return ledger
    if not write:
        if place.asked.offline and place.address:
            tell(f"note: the shared ledger is not asked: {_brought(place.own, copy, now())}")
        return Ledger.open(place.own, write=False)
    ledger = Ledger.open(place.own, write=True)
    if copy is not None:
        from bundlekeeper.ledger.shared.offline import bring_up_to_date

        bring_up_to_date(ledger, copy, now())
        ledger.see()
    return ledger


def _brought(own: Path, copy: Path | None, learned: datetime) -> str:
    """Bring what the last copy has into the store's own ledger; what then is asked, in words. Raises as `open_own`."""
    if copy is None:
        return "this is the store's own, and no copy of the shared one is on this machine"
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.ledger.shared.offline import bring_up_to_date, last_state, merged_of

    with Ledger.open(copy, write=False) as shared:
        known = last_state(shared)
        with Ledger.open(own, write=False) as ledger:
            whole = merged_of(ledger, shared) is None
    if not whole:
        with Ledger.open(own, write=True) as ledger:
            bring_up_to_date(ledger, copy, learned)
    return f"this is the store's own, with what the shared one had when this machine last reached it, {known}"
