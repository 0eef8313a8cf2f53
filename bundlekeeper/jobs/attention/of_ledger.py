"""What of the ledger needs attention: work that was begun and not finished or not confirmed, and what runs withdrawn.

Rules: the ledger is asked as of one moment; what a record left open is worded in one place (`jobs/unsettled.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

from bundlekeeper.findings import Level, finding
from bundlekeeper.jobs.attention.items import Concern, Matter
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import Agreement, Evidence

_FAILED = Matter("activation failed", "activations failed", "bundlekeeper where {name}")
_SILENT = Matter("component did not answer", "components did not answer", "bundlekeeper where {name}")
_UNREAD = Matter(
    "component activated, not read back", "components activated, not read back", "bundlekeeper where {name}"
)
_OTHER = Matter("component read back as another version", "components read back as another version",
                "bundlekeeper where {name} --history")  # fmt: skip
_STAGED = Matter("component staged, not activated", "components staged, not activated", "bundlekeeper where --staged")
_WITHDRAWN = Matter("component runs a withdrawn version", "components run a withdrawn version",
                    "bundlekeeper where --withdrawn")  # fmt: skip
_UPLOAD = Matter("upload of which nobody knows what became", "uploads of which nobody knows what became",
                 "bundlekeeper where {name} --history")  # fmt: skip
_DOUBT = Matter("doubt about dates in the ledger", "doubts about dates in the ledger", "bundlekeeper where")


def concerns(session: Session) -> Iterator[Concern]:
    """What the ledger has; nothing where nothing was recorded. Raises as `Session.ledger`."""
    if not session.ledger_is_there:
        return
    from bundlekeeper.jobs.recording.selection import Places
    from bundlekeeper.jobs.recording.where import WhereAsked, WhereTimes, where
    from bundlekeeper.jobs.unsettled import called, of_record, runs
    from bundlekeeper.ledger.ask.unsettled import unsettled

    times = WhereTimes(zone=session.config.zone or "UTC")
    withdrawn = where(session, Places(), WhereAsked(withdrawn=True, bank=("active",)), times)
    yield from (Concern(doubt, _DOUBT) for doubt in withdrawn.doubts)
    yield from _uploads(session)
    answers = unsettled(session.ledger, session.now())
    for answer in answers:
        found = of_record(answer)
        if found is not None:
            since = answer.missed or (answer.recorded.since if answer.recorded is not None else answer.seen)
            yield Concern(found, _matters()[answer.agreement], _day(since), answer.component)
    for answer in withdrawn.answers:
        bundles = ", ".join(f"{bundle.family} {bundle.version}" for bundle in answer.bundles)
        message = f"runs {runs(answer)}, of {bundles}, which is withdrawn"
        hint = "plan the way to another version: bundlekeeper route DOMAIN --to RELEASE"
        found = finding("withdrawn", called(answer), message, hint, Level.ERROR)
        yield Concern(found, _WITHDRAWN, _day(answer.active.since if answer.active is not None else None))
    for answer in answers:
        if answer.staged is not None and answer.staged.version:
            message = f"{answer.staged.version} is staged, {runs(answer)} runs"
            found = finding("not-activated", called(answer), message, "bundlekeeper activate, when it is its turn")
            yield Concern(found, _STAGED, _day(answer.staged.since))


def _uploads(session: Session) -> Iterator[Concern]:
    """Files that were sent, or were to be, and of which nobody read back what became of them."""
    from bundlekeeper.ledger.ask.uploads import open_uploads

    for upload in open_uploads(session.ledger):
        event = upload.event
        place = f"{event.place.path()} {event.kind}" if event.place is not None else event.component
        why = f": {upload.reason}" if upload.reason else ""
        message = f"{event.version} was sent by {event.source}, and what became of it is not known{why}"
        hint = (
            f"bundlekeeper stage {event.component} --bundle {event.family}/{event.bundle} --upload "
            f"--service {event.source} asks the service first"
        )
        yield Concern(finding("outcome-unknown", place, message, hint), _UPLOAD, event.at.utc().date(), event.component)


def _matters() -> dict[Agreement, Matter]:
    from bundlekeeper.ledger.ask.types import Agreement

    return {
        Agreement.ACTIVATION_FAILED: _FAILED,
        Agreement.NO_ANSWER: _SILENT,
        Agreement.NOT_READ_BACK: _UNREAD,
        Agreement.ONLY_RECORDED: _UNREAD,
        Agreement.DIFFERS: _OTHER,
    }


def _day(since: Evidence | None) -> date | None:
    return since.at.utc().date() if since is not None else None
