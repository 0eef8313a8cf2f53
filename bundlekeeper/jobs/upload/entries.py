"""What the ledger gets of an upload: the intent before the first byte, and afterwards what was read back.

Rules: an image is staged or activated only where a reading shows it; what was read is recorded as it was read, whatever
was expected; one batch has all that is known of one end.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from bundlekeeper.jobs.recording.record import RecordingWork, moment_of
from bundlekeeper.jobs.recording.statements import RecordDetails
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import Session
from bundlekeeper.jobs.upload.asked import UploadTarget
from bundlekeeper.ledger.ask.uploads import INTENT, OUTCOME
from bundlekeeper.ledger.event.events import Event, EventKind, EvidenceKind, Seen
from bundlekeeper.model.upload import APPLY_TIME, UploadOutcome, UploadResult, UploadWay

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.uploads import OpenUpload

_MESSAGES = 1000  # characters of the service's own words that are kept


class UploadRecorder:
    """Writes one command's uploads; only the thread that opened the ledger may use it."""

    def __init__(self, session: Session, details: RecordDetails) -> None:
        self._session = session
        self._details = details
        self._work = RecordingWork(session)
        self.ids: list[str] = []

    def begin(self, target: UploadTarget, service: str, way: UploadWay, apply_time: str, address: str) -> str:
        """Record that a file is about to be sent; the id of the entry. Raises as `Ledger.record`."""
        how = {APPLY_TIME: apply_time, "way": way.value, "target": address}
        event = replace(
            self._common(target, EventKind.UPLOAD_BEGUN, service),
            version=target.version,
            before=tuple(sorted(how.items())),
            **self._bundle(target, way),
        )
        return self._record([event])[0]

    def end(
        self,
        target: UploadTarget,
        service: str,
        way: UploadWay | None,
        intent: str,
        outcome: UploadOutcome,
        begun: Event | None = None,
    ) -> None:
        """Record what became of it: what was read, what that means, and how it ended. `begun` is the entry of an
        earlier run, whose bundle it was. Raises as `Ledger.record`."""
        bundle = self._bundle(target, way) if begun is None else _bundle_of(begun)
        events = [*self._state(target, service, bundle, outcome)]
        if intent:
            after = {OUTCOME: outcome.result.value, **({"task": outcome.task} if outcome.task else {})}
            end = replace(
                self._common(target, EventKind.UPLOAD_ENDED, service),
                version=target.version,
                before=((INTENT, intent),),
                after=tuple(sorted(after.items())),
                reason=outcome.reason[:_MESSAGES],
                note=_note(self._details.note, outcome),
                order=3,
            )
            events.append(end)
        if events:
            self._record(events)

    def settle(self, target: UploadTarget, service: str, earlier: OpenUpload, outcome: UploadOutcome) -> None:
        """Record what became of an upload that was left open, by what the service has now."""
        self.end(replace(target, version=earlier.event.version), service, None, earlier.id, outcome, earlier.event)

    def _state(
        self, target: UploadTarget, service: str, bundle: Mapping[str, Any], outcome: UploadOutcome
    ) -> Iterable[Event]:
        """The image on the component where it was read back, and the reading."""
        seen: dict[str, Any] = dict(outcome.seen)
        read = EvidenceKind.INVENTORY
        if outcome.result is UploadResult.STAGED:
            bank = next((bank for bank in ("pending", "spare") if target.same(seen.get(bank, ""), target.version)), "")
            staged = replace(
                self._common(target, EventKind.STAGED, service), version=target.version, bank=bank, evidence=read,
                **bundle,
            )  # fmt: skip
            yield staged
            if bank == "spare":
                seen["staged"] = seen[bank]
        elif outcome.result is UploadResult.ACTIVATED:
            event = replace(self._common(target, EventKind.ACTIVATED, service), version=target.version, evidence=read)
            yield replace(event, **bundle)
        if seen:
            observed = replace(self._common(target, EventKind.OBSERVED, service), evidence=read, order=2)
            yield replace(observed, seen=Seen(**seen))

    @staticmethod
    def _bundle(target: UploadTarget, way: UploadWay | None) -> dict[str, Any]:
        """The bundle; its digest only where its bytes were sent from here."""
        found = {"family": target.stored.family, "bundle": target.stored.version}
        return found if way in (UploadWay.SIMPLE, None) else {**found, "sha256": target.stored.sha256}

    def _common(self, target: UploadTarget, what: EventKind, service: str) -> Event:
        answer, details = target.answer, self._details
        return Event(
            what=what, at=moment_of(self._work, details, answer),
            reported_by=reporter(details.reported_by, self._session.config.reported_by),
            done_by=details.done_by, approved_by=details.approved_by, change=details.change, plan=target.plan,
            source=service, component=answer.component, kind=answer.kind, model=answer.model, parent=answer.parent,
            place=answer.place, method=target.method, note=details.note, deviations=details.deviations,
        )  # fmt: skip

    def _record(self, events: list[Event]) -> list[str]:
        done = self._session.ledger.record(events, self._session.now(), arrange=True)
        self.ids += done.ids
        return list(done.ids)


def _bundle_of(begun: Event) -> dict[str, Any]:
    """The bundle of an upload that was begun earlier, with the digest where its bytes were sent from here."""
    return {"family": begun.family, "bundle": begun.bundle, "sha256": begun.sha256}


def _note(own: str, outcome: UploadOutcome) -> str:
    said = "; ".join(outcome.messages)
    return "; ".join(text for text in (own, said and f"the service: {said}") if text)[:_MESSAGES]
