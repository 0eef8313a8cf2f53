"""What of the ledger needs attention: work that was begun and not finished or not confirmed, and what runs withdrawn.

Rules: nothing is decided here that the ledger did not answer; a component is in one concern of its record only, the
gravest; an inventory says nothing about when something was staged, only when it was read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from bundlekeeper.findings import Level, finding
from bundlekeeper.jobs.attention.items import Concern, Matter
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import Agreement, Evidence, WhereAnswer

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
_DOUBT = Matter("doubt about dates in the ledger", "doubts about dates in the ledger", "bundlekeeper where")


def concerns(session: Session) -> Iterator[Concern]:
    """What the ledger has; nothing where nothing was recorded. Raises as `Session.ledger`."""
    if not session.ledger_is_there:
        return
    from bundlekeeper.jobs.recording.where import doubts
    from bundlekeeper.ledger.ask.unsettled import unsettled

    for found in doubts(session.ledger, None, None, session.config.zone or "UTC", session.now()):
        yield Concern(found, _DOUBT)
    answers = unsettled(session.ledger, session.now())
    yield from (concern for answer in answers if (concern := _of_record(answer)) is not None)
    yield from _withdrawn(session)
    for answer in answers:
        if answer.staged is not None and answer.staged.version:
            message = f"{answer.staged.version} is staged, {_version(answer)} runs"
            found = finding("not-activated", _called(answer), message, "bundlekeeper activate, when it is its turn")
            yield Concern(found, _STAGED, answer.staged.since.at.utc().date())


def _of_record(answer: WhereAnswer) -> Concern | None:
    """The concern of what was recorded as activated; None where it is in order, or nothing was."""
    from bundlekeeper.ledger.ask.types import Agreement

    matters: dict[Agreement, tuple[str, Matter, str]] = {
        Agreement.ACTIVATION_FAILED: ("activation-failed", _FAILED, f"{_version(answer)} runs"),
        Agreement.NO_ANSWER: ("no-answer", _SILENT, "it did not answer, and nothing was heard of it since"),
        Agreement.NOT_READ_BACK: ("not-read-back", _UNREAD, f"{_recorded(answer)} is recorded, and was not read back"),
        Agreement.ONLY_RECORDED: ("not-read-back", _UNREAD, f"{_recorded(answer)} is recorded, and was never read"),
        Agreement.DIFFERS: ("not-read-back", _OTHER, f"{_recorded(answer)} is recorded, {_version(answer)} was read"),
    }
    if answer.agreement not in matters:
        return None
    code, matter, message = matters[answer.agreement]
    since = _since(answer)
    name = _called(answer)
    hint = f"read it and record what runs: bundlekeeper observe {answer.component} --active VERSION"
    return Concern(
        finding(code, name, message, hint),
        matter,
        since.at.utc().date() if since is not None else None,
        answer.component,
    )


def _withdrawn(session: Session) -> Iterator[Concern]:
    from bundlekeeper.jobs.recording.selection import Places
    from bundlekeeper.jobs.recording.where import WhereAsked, WhereTimes, where

    for answer in where(session, Places(), WhereAsked(withdrawn=True, bank=("active",)), WhereTimes()).answers:
        bundles = ", ".join(f"{bundle.family} {bundle.version}" for bundle in answer.bundles)
        message = f"runs {_version(answer)}, of {bundles}, which is withdrawn"
        since = answer.active.since.at.utc().date() if answer.active is not None else None
        yield Concern(finding("withdrawn", _called(answer), message, "plan the way to another version: bundlekeeper "
                              "route DOMAIN --to RELEASE", Level.ERROR), _WITHDRAWN, since)  # fmt: skip


def _called(answer: WhereAnswer) -> str:
    """The component by its place as `where` prints it, and its kind; by its identity where it has no place."""
    return f"{answer.place.path()} {answer.kind}" if answer.place is not None else answer.component


def _version(answer: WhereAnswer) -> str:
    return answer.active.version if answer.active is not None else "an unknown version"


def _recorded(answer: WhereAnswer) -> str:
    return answer.recorded.version if answer.recorded is not None else "nothing"


def _since(answer: WhereAnswer) -> Evidence | None:
    return answer.recorded.since if answer.recorded is not None else answer.seen
