"""One bundle to one component at one service: asked first, sent once, believed when it was read back.

Rules: what the service states decides, and what it does not state is not known; a connection that broke, a task that
was lost and an answer that never came are asked about, and never repeated; only a reading makes a result staged or
activated.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from bundlekeeper.errors import KeeperError, RefusedError, StoppedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import some
from bundlekeeper.links.redfish.task import FollowedTask, TaskEnd
from bundlekeeper.links.redfish.types import ResourceError, ServiceLostError, ServiceReply
from bundlekeeper.links.redfish.update_service import ChosenWay, UploadOrder, messages
from bundlekeeper.links.redfish.upload import ServiceState, UploadConversation, targets_of
from bundlekeeper.model.upload import APPLY_TIME, STAGING, UploadOutcome, UploadResult, UploadWay
from bundlekeeper.store.verifying.while_sent import ChangedError

if TYPE_CHECKING:
    from bundlekeeper.jobs.upload.asked import UploadDone, UploadOptions, UploadTarget
    from bundlekeeper.ledger.ask.uploads import OpenUpload
    from bundlekeeper.links.redfish.upload import UploadRequest

_BANKS = ("active", "pending", "spare")
_NOT_WAITED = "the service did not wait, or somebody started it"


class Recording(Protocol):
    """What an attempt records; every call returns when it is durable."""

    def begin(self, target: UploadTarget, service: str, way: UploadWay, apply_time: str, address: str) -> str:
        """The intent; its id."""

    def end(
        self, target: UploadTarget, service: str, way: UploadWay | None, intent: str, outcome: UploadOutcome
    ) -> None:
        """What became of it."""

    def settle(self, target: UploadTarget, service: str, earlier: OpenUpload, outcome: UploadOutcome) -> None:
        """What became of an earlier one."""

    def earlier(self, component: str) -> list[OpenUpload]:
        """The uploads to the component of which nobody knows what became of them."""


@dataclass(slots=True)
class UploadAttempt:
    """One target at the service that has it. `pieces` reads the file, with a counter of the bytes that were taken."""

    talk: UploadConversation
    options: UploadOptions
    recording: Recording
    pieces: Callable[[UploadTarget, Callable[[int], None]], Iterator[bytes]]
    now: Callable[[], datetime]  # aware

    def run(self, state: ServiceState, target: UploadTarget) -> tuple[UploadDone, ServiceState]:
        """Bring it; returns what became of it, and what the service has then. Raises StoppedError before a byte is
        sent."""
        from bundlekeeper.jobs.upload.asked import UploadDone

        service = self.talk.service.place
        try:
            state, settled = self._settled(state, target)
            outcome, requests = self._tried(state, target) if settled is None else (settled, ())
        except _Refused as refused:
            outcome = UploadOutcome(UploadResult.NOT_TRIED, refused.reason)
            return UploadDone(target, service, outcome, (), refused.findings), state
        except (ResourceError, ServiceLostError) as error:  # nothing was sent yet
            return UploadDone(target, service, UploadOutcome(UploadResult.NOT_TRIED, error.message)), state
        if isinstance(outcome, _Ended):
            return UploadDone(target, service, outcome.outcome, (), outcome.findings), outcome.state or state
        return UploadDone(target, service, outcome, requests), state

    # -- before --------------------------------------------------------------------------------------------------------

    def _settled(self, state: ServiceState, target: UploadTarget) -> tuple[ServiceState, UploadOutcome | None]:
        """What the service has already of earlier uploads, and of this one; None where it is to be sent.

        Raises _Refused.
        """
        here = state.components[target.key]
        banks = _banks(state, target)
        previous, before, early, reason = target.answer.previous, dict[str, str](), "", ""
        for earlier in self.recording.earlier(target.key):
            before = {} if previous is None else {"spare": previous.version}
            found = _found(replace(target, version=earlier.event.version), banks, before)
            if found is None and self.talk.has_a_task() is not False:
                raise _Refused(
                    f"an upload of {earlier.event.version} was begun {earlier.event.at.text()}, what became of it is "
                    "not known, and a task of it may be there"
                )
            reason = "" if found else "the service has no task of it and does not list it"
            if found is None and target.same(banks.get("spare", ""), earlier.event.version):
                reason = "the service has no task of it, and lists it only as spare, where it may have been before"
            if found is UploadResult.ACTIVATED and dict(earlier.event.before).get(APPLY_TIME) == STAGING:
                early = earlier.event.version
                reason = f"an upload of {early} was asked to wait, and it runs: {_NOT_WAITED}"
            if not self.options.dry_run:
                result = found or UploadResult.FAILED
                self.recording.settle(
                    target, self.talk.service.place, earlier, UploadOutcome(result, reason, tuple(banks.items()))
                )
        if early:
            hint = "look what went down; report it to the maker"
            raise _Refused(reason, (finding("activated-early", target.name, reason, hint),))
        if _found(target, banks, before) is UploadResult.STAGED and not self.options.activate:
            outcome = UploadOutcome(UploadResult.STAGED, "it was there already: nothing was sent", tuple(banks.items()))
            if not self.options.dry_run:
                self.recording.end(target, self.talk.service.place, None, "", outcome)
            return state, outcome
        runs = target.component.active or ""
        if here.active is None or not target.same(here.active, runs):
            now = f"runs {here.active}" if here.active is not None else "does not say what it runs"
            raise _Refused(f"the service says that it {now}, and it was judged as running {runs}: load what it is now")
        if here.model is not None and target.component.model is not None and here.model != target.component.model:
            raise _Refused(f"the service says that its model is {here.model}, not {target.component.model}")
        return state, None

    def _order(self, state: ServiceState, target: UploadTarget) -> UploadOrder:
        resources, reason = targets_of(state, target.key)
        if reason:
            raise _Refused(reason)
        window = None
        if target.window is not None and target.window.begins and "window" in self.options.apply_time:
            window = (target.window.begins, 60 * target.window.minutes)
        stored = target.stored
        return UploadOrder(resources, self.options.apply_time, stored.name, stored.size, window, self.options.image_uri)

    def _tried(
        self, state: ServiceState, target: UploadTarget
    ) -> tuple[_Ended | UploadOutcome, tuple[UploadRequest, ...]]:
        order = self._order(state, target)
        reasons, unasked = self.talk.against(state, order)
        if reasons:
            raise _Refused("; ".join(reasons))
        way = self.talk.choose(state, order)
        if not isinstance(way, ChosenWay):
            raise _Refused("; ".join(way))
        if self.options.dry_run:
            requests = tuple(self.talk.requests(way, order))
            return UploadOutcome(UploadResult.NOT_TRIED, unasked), requests
        return self._sent(state, target, order, way), ()

    # -- sending, and afterwards ---------------------------------------------------------------------------------------

    def _sent(self, state: ServiceState, target: UploadTarget, order: UploadOrder, way: ChosenWay) -> _Ended:
        service, before = self.talk.service.place, _banks(state, target)
        intent = self.recording.begin(target, service, way.way, order.apply_time, order.targets[0])
        attempt = _Sending(self, state, target, before)
        try:
            outcome, findings = attempt.run(order, way)
        except StoppedError as stopped:
            reason = f"stopped after {attempt.count} of {order.size_bytes} bytes"
            self.recording.end(
                target, service, way.way, intent, UploadOutcome(UploadResult.UNKNOWN, reason, task=attempt.task_address)
            )
            stopped.message = f"stopped: what became of {target.key} is not known"
            stopped.hint = "run the command again: it asks the service first"
            raise
        self.recording.end(target, service, way.way, intent, outcome)
        return _Ended(outcome, attempt.after, findings)


@dataclass(slots=True)
class _Sending:
    """One file on its way, and what is known of it."""

    attempt: UploadAttempt
    state: ServiceState
    target: UploadTarget
    before: dict[str, str]
    count: int = 0
    task_address: str = ""
    after: ServiceState | None = None

    def run(self, order: UploadOrder, way: ChosenWay) -> tuple[UploadOutcome, tuple[Finding, ...]]:
        """Send and read back. Raises StoppedError."""
        talk = self.attempt.talk
        sent, broke, findings = self._send(order, way)
        task = self._followed(sent) if sent is not None and 200 <= sent.status < 300 else None
        self.task_address = task.address if task is not None else ""
        said = messages(sent.body) if sent is not None else ()
        said = tuple(dict.fromkeys((*said, *(task.messages if task is not None else ()))))
        banks = self._read_back()
        found = None if banks is None else _found(self.target, banks, self.before, is_done=_is_done(sent, task))
        reason = broke or self._why(sent, task)
        failed = (sent is not None and not 200 <= sent.status < 300) or (
            task is not None and task.end is TaskEnd.FAILED
        )
        if banks is None:
            result = UploadResult.UNKNOWN
            reason = f"{reason}; it could not be read back" if reason else "it could not be read back"
        elif found is not None and failed:
            result, reason = UploadResult.UNKNOWN, f"{reason}; but the service lists it as {found.value}"
        elif found is not None:
            result, reason = found, ""
        elif failed or _is_done(sent, task):
            result = UploadResult.FAILED
            reason = reason or f"the service said that it is done, and {_listed(banks)} was read back"
        elif findings or (sent is None and self.count < order.size_bytes and talk.has_a_task() is False):
            result = UploadResult.FAILED  # the service never had the whole file
            reason = f"{reason}; the service has no task of it and does not list it"
        else:
            result = UploadResult.UNKNOWN
            reason = reason or "nothing says what became of it"
        if found is UploadResult.ACTIVATED and self._is_early(order):
            reason = f"it was asked to wait, and {_listed(banks or {})} runs: the service ignored the apply time"
        return UploadOutcome(result, reason, tuple((banks or {}).items()), self.task_address, said), findings

    def _is_early(self, order: UploadOrder) -> bool:
        """True where it was to wait for a start that nobody asked for, or for a window that has not begun."""
        is_before = order.window is not None and self.attempt.now() < datetime.fromisoformat(order.window[0])
        return order.apply_time == STAGING or is_before

    def _send(self, order: UploadOrder, way: ChosenWay) -> tuple[ServiceReply | None, str, tuple[Finding, ...]]:
        """The answer, or why there is none, with findings where the file was the reason."""

        def took(size: int) -> None:
            self.count += size

        try:
            pieces = self.attempt.pieces
            return self.attempt.talk.send(self.state, way, order, lambda: pieces(self.target, took)), "", ()
        except ChangedError as changed:
            return None, changed.message, tuple(changed.problems)
        except StoppedError:
            raise
        except RefusedError as refused:  # nothing was sent
            return ServiceReply(400, "", None), refused.message, ()
        except KeeperError as error:
            return None, f"{error.message} after {self.count} of {order.size_bytes} bytes", ()

    def _followed(self, sent: ServiceReply) -> FollowedTask | None:
        try:
            return self.attempt.talk.follow(sent, self._has_arrived)
        except ResourceError as error:
            return FollowedTask("", TaskEnd.LOST, "", f"its task cannot be asked for: {error.message}")

    def _has_arrived(self) -> bool:
        banks = self._read_back()
        return banks is not None and _found(self.target, banks, self.before) is not None

    def _read_back(self) -> dict[str, str] | None:
        """What the component has now, by bank; None where it could not be read. Raises StoppedError."""
        try:
            state = self.attempt.talk.read()
        except StoppedError:
            raise
        except KeeperError:
            return None
        if self.target.key not in state.components or not state.complete:
            return None
        self.after = state
        return _banks(state, self.target)

    @staticmethod
    def _why(sent: ServiceReply | None, task: FollowedTask | None) -> str:
        if task is not None and task.reason:
            return task.reason
        if sent is not None and not 200 <= sent.status < 300:
            busy = ": it is busy, try again later" if sent.status in (429, 503) else ""
            return f"the service answered {sent.status}{busy}"
        return ""


def _is_done(sent: ServiceReply | None, task: FollowedTask | None) -> bool:
    """True where the service says that the operation ended well."""
    if task is not None:
        return task.end is TaskEnd.DONE
    return sent is not None and sent.status in (200, 201, 204)


def _banks(state: ServiceState, target: UploadTarget) -> dict[str, str]:
    """What the service lists of a component, by bank; what it does not list is left out."""
    component = state.components[target.key]
    return {bank: version for bank in _BANKS if (version := getattr(component, bank)) is not None}


def _found(
    target: UploadTarget, banks: dict[str, str], before: dict[str, str], *, is_done: bool = False
) -> UploadResult | None:
    """Where the image is by a reading; None where it is nowhere.

    An image that was in the spare bank before may be an old one: it counts where the service says that this was done.
    """
    if target.same(banks.get("active", ""), target.version):
        return UploadResult.ACTIVATED
    if target.same(banks.get("pending", ""), target.version):
        return UploadResult.STAGED
    spare = banks.get("spare", "")
    was = before.get("spare")
    is_new = was is not None and not target.same(was, target.version)
    return UploadResult.STAGED if spare and target.same(spare, target.version) and (is_new or is_done) else None


def _listed(banks: dict[str, str]) -> str:
    return some([f"{bank} {version or 'none'}" for bank, version in banks.items()]) or "nothing"


@dataclass(frozen=True, slots=True)
class _Ended:
    """An attempt that sent something: what became of it, what the service had last, and findings about the file."""

    outcome: UploadOutcome
    state: ServiceState | None
    findings: tuple[Finding, ...]


class _Refused(Exception):  # noqa: N818 - the name says what happened; never leaves this module
    """Nothing is sent."""

    def __init__(self, reason: str, findings: tuple[Finding, ...] = ()) -> None:
        super().__init__(reason)
        self.reason, self.findings = reason, findings
