"""What became of a plan's components, recorded in one batch: staging, activation, what failed, what was seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Level
from bundlekeeper.jobs.recording.record import (
    RecordingDone,
    RecordingWork,
    add_choice,
    by_reason,
    moment_of,
    recorded_bundle,
    recorded_component,
)
from bundlekeeper.jobs.recording.statements import RecordDetails
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import Session
from bundlekeeper.jobs.shared.otherwise import otherwise
from bundlekeeper.model.record_rules import activating, staging
from bundlekeeper.model.vocabulary import METHODS

if TYPE_CHECKING:
    from bundlekeeper.formats.moments import Moment
    from bundlekeeper.ledger.ask.types import WhereAnswer


@dataclass(frozen=True, slots=True)
class PlannedRecord:
    """What is to be recorded of one component's part of a plan: `outcome` is `activated` (staged first, where it has a
    bank for that), `failed`, `skipped`, `no-answer`, or empty for nothing but a reading.

    `bundle` is the bundle's file. `seen` is the running version that was read, None where nobody did; the words after
    it are the reading's own. `after` are the moments that a reading cannot be older than, each with what was then.
    """

    component: str
    bundle: str
    version: str
    outcome: str
    reason: str = ""
    seen: str | None = None
    seen_at: str | None = None
    seen_by: str | None = None
    source: str = ""
    note: str = ""
    after: tuple[tuple[Moment, str], ...] = ()


def record_planned(
    session: Session, planned: Sequence[PlannedRecord], details: RecordDetails, *, dry_run: bool
) -> RecordingDone:
    """Record what became of many components of a plan in one batch: all of it or nothing.

    Raises InputError for what cannot be understood, RefusedError for what contradicts what is known.
    """
    from bundlekeeper.ledger.ask import where as questions
    from bundlekeeper.ledger.ask.future_events import ahead
    from bundlekeeper.ledger.ask.types import Selector

    work = RecordingWork(session)
    older: list[str] = []
    for row in planned:
        answers = questions.where(session.ledger, Selector(component=row.component), clock=session.now())
        if len(answers) != 1:
            raise InputError(f"{row.component} was never recorded", hint="bundlekeeper inventory load FILE")
        older += _planned(work, row, answers[0], details)
    if older:
        hint = "the sheet's time is when somebody looked after the work; ledger undo takes back a wrong activation"
        raise InputError("nothing was recorded: what was seen is older than the work", evidence=older, hint=hint)
    if work.refusals and not details.anyway:
        message = f"refused, nothing was recorded: {len(work.refusals)} of {len(work.events)} contradict what is known"
        hint = 'check what was done; if it is true: --anyway "the reason", which is recorded'
        raise RefusedError(message, hint=hint, evidence=by_reason(work.refusals))
    recorded = None if dry_run else session.ledger.record(work.events, session.now(), arrange=True)
    beyond = ahead(session.ledger, session.now())
    found = otherwise(recorded) + ([] if beyond is None else [replace(beyond.doubt(), level=Level.NOTE)])
    ids = recorded.ids if recorded else tuple(event.id() for event in work.events)
    return RecordingDone("plan-record", ids, work.lines, recorded, found)


def _planned(work: RecordingWork, row: PlannedRecord, answer: WhereAnswer, details: RecordDetails) -> list[str]:
    """Add the events of one component; returns what is wrong with the time of its reading."""
    from bundlekeeper.ledger.event.events import Event, EventKind, EvidenceKind, Seen

    component = recorded_component(work, answer)
    read = replace(details, at=row.seen_at or details.at, reported_by=row.seen_by or details.reported_by)
    done_at, seen_at = moment_of(work, details, answer), moment_of(work, read, answer)
    if row.seen is not None and seen_at.at_us < done_at.at_us:  # what was seen then was done by then
        if details.at is not None:
            message = f"{row.component} was seen at {seen_at.text()}, before it was done: {done_at.text()}"
            raise InputError(message, hint="--at is when the window was done, the sheet's time when somebody looked")
        done_at = seen_at
    common = Event(
        what=EventKind.OBSERVED, at=done_at, reported_by=reporter(details.reported_by),
        done_by=details.done_by, approved_by=details.approved_by, change=details.change, plan=details.plan,
        component=answer.component, kind=answer.kind, model=answer.model, parent=answer.parent, place=answer.place,
        method=component.method, note=details.note,
    )  # fmt: skip
    if row.outcome == "activated":
        bundle = recorded_bundle(work, row.bundle)
        how = METHODS.get(component.method)
        if component.staged != row.version and (how is None or how.banks != ()):
            staged = replace(common, what=EventKind.STAGED)
            add_choice(work, staged, staging(component, bundle, row.version, ""), bundle, None, details.anyway)
        component = replace(component, staged=row.version)
        activated = replace(common, what=EventKind.ACTIVATED)
        add_choice(work, activated, activating(component, bundle, row.version), bundle, None, details.anyway)
    elif row.outcome:
        what = EventKind(row.outcome)
        version = "" if what is EventKind.NO_ANSWER else row.version
        work.events.append(replace(common, what=what, version=version, reason=row.reason))
        why = f": {row.reason}" if row.reason else ""
        work.lines.append(f"{component.component} ({component.place}): {what.value} {version}{why}".rstrip())
    if row.seen is not None:
        evidence = EvidenceKind.INVENTORY if row.source else EvidenceKind.WRITTEN_NOTE
        seen = replace(
            common, at=seen_at, reported_by=reporter(read.reported_by), seen=Seen(row.seen),
            source=row.source, evidence=evidence, note=row.note or common.note,
        )  # fmt: skip
        work.events.append(seen)
        work.lines.append(f"{component.component} ({component.place}): read back {row.seen}")
    older = [(moment, what) for moment, what in row.after if row.seen is not None and seen_at.at_us < moment.at_us]
    return [f"{row.component} was seen at {seen_at.text()}, before {what}: {moment.text()}" for moment, what in older]
