"""The dates of the manifests that a store admitted, and what they show about this machine's clock. Pure.

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
    """A manifest, or the store's row of one."""

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
    """The time to judge dates by: now, or the newest admission where this machine's clock is behind it. Pure.

    A clock that is set back must not make an expired manifest or key good again. An admission no longer counts once its
    manifest's date was corrected: by one in `known`, or by the one that is `coming`.
    """
    return max([now, *(manifest.admitted_at for manifest in uncorrected(known, coming))])


def doubts(subject: str, known: Sequence[Admitted], now: datetime, issued: date | None = None) -> list[Finding]:
    """The finding that this machine's clock is behind the dates in the store; empty where it is not. Pure.

    `issued` is the date of the manifest called `subject`; without it the date of the manifest in force counts.
    """
    if issued is not None:
        stated = [(subject, issued)]
    else:
        stated = [(called(manifest), manifest.issued) for manifest in uncorrected(known)[-1:]]
    for name, day in stated:
        if is_ahead(day, now):
            message = f"{name} was issued on {day}; this machine's clock says {now.date()}"
            hint = "if the clock is right, add a later manifest with the right date; if not, set the clock"
            return [finding("clock-doubtful", subject, message, hint)]
    newest = max(uncorrected(known), key=lambda manifest: manifest.admitted_at, default=None)
    if newest is None or now.date() >= newest.admitted_at.date():
        return []
    message = f"{called(newest)} was admitted on {newest.admitted_at.date()}; this machine's clock says {now.date()}"
    return [
        finding("clock-doubtful", subject, message, "find out which clock is wrong: that of that day, or that of today")
    ]


def date_findings(known: Sequence[Admitted], now: datetime) -> list[Finding]:
    """The findings on the dates of the manifest in force: expired, or a clock that is behind. Pure."""
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
    """True where a day of issue is more than a day ahead: it states no zone, and zones go up to UTC+14."""
    return issued > now.date() + AHEAD


def uncorrected(known: Sequence[Admitted], coming: Dated | None = None) -> list[Admitted]:
    """Those whose date of issue was not corrected: no manifest of a higher number states an earlier one.

    A corrected one was issued, and admitted, by a clock that was ahead. A clock that is set back brings no such
    manifest: an older one has a lower number.
    """
    later = [*known, *([coming] if coming is not None else [])]
    return [
        manifest
        for manifest in known
        if not any(dated.sequence > manifest.sequence and dated.issued < manifest.issued for dated in later)
    ]
