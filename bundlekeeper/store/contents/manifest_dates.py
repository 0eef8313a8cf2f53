"""The dates of the manifests that a store admitted, and what they say of this machine's clock. Pure.

Rules: a clock that is set back makes nothing good again; a date of issue counts until a manifest of a higher number
states an earlier one; a day that states no zone may be one ahead of UTC's.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Protocol

from bundlekeeper.findings import Finding, finding
from bundlekeeper.store.database.rows import Admitted

AHEAD = timedelta(days=1)


class Dated(Protocol):
    """A manifest, or what the store remembers of one."""

    @property
    def platform(self) -> str:
        """Its platform."""

    @property
    def sequence(self) -> int:
        """Its number."""

    @property
    def issued(self) -> date:
        """Its date of issue."""


def latest(known: Sequence[Admitted], now: datetime, coming: Dated | None = None) -> datetime:
    """The time to judge dates by: now, or the newest acceptance where this machine's clock is behind it. Pure.

    A clock that is set back must not make an expired manifest or key good again. An acceptance counts no more once its
    manifest's date was corrected: by one in `known`, or by the one that is `coming`.
    """
    return max([now, *(manifest.admitted_at for manifest in uncorrected(known, coming))])


def doubts(subject: str, known: Sequence[Admitted], now: datetime, issued: date | None = None) -> list[Finding]:
    """The finding that this machine's clock is behind what the store knows of, or nothing. Pure.

    `issued` is what the manifest called `subject` states; without it that of the manifest in force counts.
    """
    if issued is not None:
        stated = [(subject, issued)]
    else:
        stated = [(called(manifest), manifest.issued) for manifest in uncorrected(known)[-1:]]
    for name, day in stated:
        if is_ahead(day, now):
            message = f"{name} was issued on {day}; this machine's clock says {now.date()}"
            hint = "where the clock is right, take a later manifest that states the right date; else set the clock"
            return [finding("clock-doubtful", subject, message, hint)]
    newest = max(uncorrected(known), key=lambda each: each.admitted_at, default=None)
    if newest is None or now.date() >= newest.admitted_at.date():
        return []
    message = f"{called(newest)} was admitted on {newest.admitted_at.date()}; this machine's clock says {now.date()}"
    return [
        finding("clock-doubtful", subject, message, "find out which of the two clocks is wrong, that day's or today's")
    ]


def stands(known: Sequence[Admitted], now: datetime) -> list[Finding]:
    """What is to be said of the manifest in force, by its dates: expired, or a clock that is behind. Pure."""
    if not known:
        return []
    newest = known[-1]
    subject = called(newest)
    found = doubts(subject, known, now)
    if newest.expires is not None and newest.expires < latest(known, now).date():
        found.append(finding("expired", subject, f"expired on {newest.expires}", "ask for a newer manifest"))
    return found


def called(manifest: Dated) -> str:
    """What people call a manifest."""
    return f"{manifest.platform}, sequence {manifest.sequence}"


def is_ahead(issued: date, now: datetime) -> bool:
    """A day of issue, which states no zone, may be one ahead of UTC's (the zones go up to UTC+14)."""
    return issued > now.date() + AHEAD


def uncorrected(known: Sequence[Admitted], coming: Dated | None = None) -> list[Admitted]:
    """Those whose date of issue stands: no manifest of a higher number states an earlier one.

    What is corrected so was issued, and admitted, by a clock that was ahead. Whoever sets a clock back has no such
    manifest to show: an older one has a lower number.
    """
    later = [*known, *([coming] if coming is not None else [])]
    return [
        manifest
        for manifest in known
        if not any(dated.sequence > manifest.sequence and dated.issued < manifest.issued for dated in later)
    ]
