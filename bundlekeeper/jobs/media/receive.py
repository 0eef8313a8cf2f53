"""Receives the volumes of a set into the store."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.media.receiving.receive import Reception
    from bundlekeeper.model.stop import Stop


@dataclass(frozen=True, slots=True)
class ReceiveOptions:
    """What to receive and how: the volumes' `folders`, `wait_s` in seconds, the reasons for exceptions."""

    folders: tuple[Path, ...]
    dry_run: bool = False
    wait_s: float = 0.0
    allow_expired: str | None = None
    allow_rollback: str | None = None


def receive_media(session: Session, options: ReceiveOptions, stop: Stop) -> Reception:
    """Add what the volumes have to the store; no store is made. Raises as `receive.receive`."""
    from bundlekeeper.media.receiving.receive import receive

    came = receive(
        session.store if session.is_there else None,
        options.folders,
        clock=session.now,
        progress=session.caller.progress,
        stop=stop,
        wait_s=options.wait_s,
        dry_run=options.dry_run,
        allow_rollback=options.allow_rollback,
        allow_expired=options.allow_expired,
    )
    if came.plans and not options.dry_run:
        close_continued_by(session, came.plans)
    return came


def close_continued_by(session: Session, names: tuple[str, ...]) -> None:
    """Close the plans that those of these `names`, which came, go on with. Raises as `Session.ledger`."""
    from bundlekeeper.jobs.following.keep import close_continued

    for name in names:
        plan = session.plans.find(name)
        closed = close_continued(session, plan) if plan is not None else None
        if closed is not None:
            session.tell(f"note: plan {closed.name} ({closed.sha256[:8]}) is closed: {closed.reason}")
