"""Every target at its service: one log-in for each service, some services at once, the ledger by one thread.

Rules: a target is at the first service that lists it, in the order in which they are named; what no service lists is
sent to none; a service that cannot be read stops only its own targets; sessions are ended whatever happened.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar

from bundlekeeper.errors import InputError, KeeperError, StoppedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.durations import seconds
from bundlekeeper.formats.escape import some
from bundlekeeper.jobs.recording.inventory_read import map_entries, who
from bundlekeeper.jobs.session import Session
from bundlekeeper.jobs.upload.asked import UploadDone, UploadOptions, UploadTarget
from bundlekeeper.jobs.upload.attempt import UploadAttempt
from bundlekeeper.jobs.upload.turns import Turns
from bundlekeeper.model.upload import UploadOutcome, UploadResult, UploadWay

if TYPE_CHECKING:
    from bundlekeeper.jobs.upload.entries import UploadRecorder
    from bundlekeeper.ledger.ask.uploads import OpenUpload
    from bundlekeeper.links.redfish.session import Service
    from bundlekeeper.links.redfish.types import Credentials
    from bundlekeeper.links.redfish.upload import UploadConversation
    from bundlekeeper.links.redfish.user_map import MapEntry
    from bundlekeeper.model.stop import Stop

_T = TypeVar("_T")
_SLICE_S = 0.1  # how long the ledger's thread waits before it looks whether the work has ended


class LedgerThread:
    """Runs what other threads ask for in the thread that made it: a database belongs to one thread."""

    def __init__(self) -> None:
        self._asked: queue.Queue[tuple[Callable[[], Any], Future[Any]]] = queue.Queue()

    def call(self, work: Callable[[], _T]) -> _T:
        """The result of `work`, run by the owner. Raises what it raises."""
        future: Future[_T] = Future()
        self._asked.put((work, future))
        return future.result()

    def serve(self, running: Sequence[Future[Any]]) -> None:
        """Run what is asked for until all of these have ended."""
        while not all(one.done() for one in running) or not self._asked.empty():
            try:
                work, future = self._asked.get(timeout=_SLICE_S)
            except queue.Empty:
                continue
            try:
                future.set_result(work())
            except BaseException as error:
                future.set_exception(error)


@dataclass(frozen=True, slots=True)
class _Recording:
    """The recorder, as the attempts' threads use it."""

    ledger: LedgerThread
    recorder: UploadRecorder
    session: Session

    def begin(self, target: UploadTarget, service: str, way: UploadWay, apply_time: str, address: str) -> str:
        return self.ledger.call(lambda: self.recorder.begin(target, service, way, apply_time, address))

    def end(
        self, target: UploadTarget, service: str, way: UploadWay | None, intent: str, outcome: UploadOutcome
    ) -> None:
        self.ledger.call(lambda: self.recorder.end(target, service, way, intent, outcome))

    def settle(self, target: UploadTarget, service: str, earlier: OpenUpload, outcome: UploadOutcome) -> None:
        self.ledger.call(lambda: self.recorder.settle(target, service, earlier, outcome))

    def earlier(self, component: str) -> list[OpenUpload]:
        from bundlekeeper.ledger.ask.uploads import open_uploads

        return self.ledger.call(lambda: open_uploads(self.session.ledger, component))


class _Listed:
    """Which services list which targets, as far as they were read."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._keys: dict[int, frozenset[str]] = {}

    def publish(self, number: int, keys: Sequence[str]) -> None:
        """Service `number` has these; one that could not be read has none."""
        with self._changed:
            self._keys.setdefault(number, frozenset(keys))
            self._changed.notify_all()

    def before(self, number: int, stop: Stop) -> frozenset[str]:
        """What the services before it have, once all of them were read. Raises StoppedError."""
        with self._changed:
            while any(earlier not in self._keys for earlier in range(number)):
                stop.check()
                self._changed.wait(_SLICE_S)
            return frozenset(key for earlier in range(number) for key in self._keys[earlier])


@dataclass(slots=True)
class Conduct:
    """One command's run over all of its services."""

    session: Session
    options: UploadOptions
    targets: Sequence[UploadTarget]
    recorder: UploadRecorder
    stop: Stop
    ledger: LedgerThread = field(default_factory=LedgerThread)
    done: dict[str, UploadDone] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    _listed: _Listed = field(default_factory=_Listed)
    _entries: tuple[MapEntry, ...] = ()

    def run(self) -> None:
        """Bring everything; what became of it is in `done`, by component.

        Raises InputError for an address that cannot be used or is there twice; StoppedError, when all is recorded.
        """
        from bundlekeeper.links.http.client import origin_of
        from bundlekeeper.links.redfish.session import service_url

        options = self.options
        urls = [service_url(url, http_on_loopback=options.http_on_loopback) for url in options.services]
        origins = [str(origin_of(url)) for url in urls]
        for number, origin in enumerate(origins):
            if origin in origins[:number]:
                raise InputError(f"the service {origin} is there twice")
        self._entries = map_entries(options.map_file)
        credentials_of = who(options.log_in)
        known = [credentials_of(origin) for origin in origins]
        turns, progress = Turns(options.per_cluster, self.stop), self.session.caller.progress
        if not options.dry_run:
            size = sum(target.stored.size for target in self.targets)
            progress.begin("uploading", size, len(self.targets))
        with ThreadPoolExecutor(max_workers=options.parallel, thread_name_prefix="upload") as pool:
            running = [
                pool.submit(self._at, number, origin, credentials, turns)
                for number, (origin, credentials) in enumerate(zip(origins, known, strict=True))
            ]
            self.ledger.serve(running)
        progress.done()
        errors = [error for one in running if (error := one.exception()) is not None]
        for error in errors:
            if not isinstance(error, StoppedError):
                raise error
        for error in errors:
            raise error

    def _at(self, number: int, origin: str, credentials: Credentials | None, turns: Turns) -> None:
        """All targets of one service, one after the other. Raises StoppedError."""
        from bundlekeeper.links.redfish.cache import Cache
        from bundlekeeper.links.redfish.session import Service, SessionMeans, service_url

        here = self.options.http_on_loopback
        means = SessionMeans(
            time.monotonic, time.sleep, self.options.ca, cache=Cache(), stop=self.stop, http_on_loopback=here
        )
        try:
            service = Service(service_url(origin, http_on_loopback=here), credentials, means)
            try:
                with service:
                    self._targets(number, service, turns)
            finally:
                self.findings += service.left
        except StoppedError:
            raise
        except KeeperError as error:
            self.findings.append(finding("unreadable", origin, error.message, error.hint))
            self.findings += error.problems
        finally:
            self._listed.publish(number, ())

    def _targets(self, number: int, service: Service, turns: Turns) -> None:
        talk = self._conversation(service)
        state = talk.read()
        mine = [target for target in self.targets if target.key in state.components]
        self._listed.publish(number, [target.key for target in mine])
        others = self._listed.before(number, self.stop)
        attempt = UploadAttempt(talk, self.options, self._recording(), self._pieces, self.session.now)
        for target in mine:
            if target.key in others:
                continue
            with turns.turn(target) as failed:
                reason = (
                    f"its other half, {failed}, was not brought to the end: this one was not begun" if failed else ""
                )
                if turns.early:
                    reason = f"{turns.early} was asked to wait and runs it: nothing more is sent"
                if reason:
                    done = UploadDone(target, service.place, UploadOutcome(UploadResult.NOT_TRIED, reason))
                else:
                    self.session.caller.progress.file(target.key)
                    done, state = attempt.run(state, target)
                self.done[target.key] = done
                if not self.options.dry_run:
                    turns.ended(target, done.outcome.result, is_early=_is_early(done))

    def _recording(self) -> _Recording:
        return _Recording(self.ledger, self.recorder, self.session)

    def _conversation(self, service: Service) -> UploadConversation:
        from bundlekeeper.links.redfish.task import TaskLimits
        from bundlekeeper.links.redfish.types import Placement
        from bundlekeeper.links.redfish.upload import UploadConversation

        first = self.targets[0].component
        limits = TaskLimits(total_s=seconds(self.options.max_time))
        return UploadConversation(
            service, Placement(first.site, first.domain), self._entries, task_limits=limits, now=time.monotonic
        )

    def _pieces(self, target: UploadTarget, count: Callable[[int], None]) -> Iterator[bytes]:
        from bundlekeeper.store.verifying.while_sent import pieces

        progress = self.session.caller.progress

        def took(size: int) -> None:
            count(size)
            progress.advance(size)

        return pieces(self.session.store, target.stored, self.stop, took)


def ended(conduct: Conduct) -> Iterator[UploadDone]:
    """What became of every target, in their order, with its findings; those that no service lists were not tried.

    A service that could not be read may list it: that is a finding already, and nothing is said against the target.
    """
    unread = sorted({found.subject for found in conduct.findings if found.code == "unreadable"})
    reason = f"{some(unread)} could not be read" if unread else "no service that was named lists it"
    for target in conduct.targets:
        done = conduct.done.get(target.key)
        nowhere = UploadDone(target, "", UploadOutcome(UploadResult.NOT_TRIED, reason))
        yield _with_findings(done or nowhere) if done or not unread else nowhere


def _is_early(done: UploadDone) -> bool:
    """True where it runs although it was asked to wait."""
    if any(found.code == "activated-early" for found in done.findings):
        return True
    return done.outcome.result is UploadResult.ACTIVATED and bool(done.outcome.reason)


def _with_findings(done: UploadDone) -> UploadDone:
    """The same with a finding for everything but a result that was wanted."""
    outcome, target = done.outcome, done.target
    subject, hint = target.name, f"bundlekeeper where {target.key} --history"
    if outcome.result is UploadResult.UNKNOWN:
        hint = "run the command again: it asks the service first"
        found = finding("outcome-unknown", subject, outcome.reason, hint)
    elif outcome.result is UploadResult.FAILED:
        found = finding("upload-failed", subject, outcome.reason, hint)
    elif outcome.result is UploadResult.ACTIVATED and _is_early(done):
        found = finding("activated-early", subject, outcome.reason, "look what went down; report it to the maker")
    elif outcome.result is UploadResult.NOT_TRIED and not done.requests and not _is_early(done):
        found = finding("not-for-upload", subject, outcome.reason)
    else:
        return done
    said = f" (the service: {'; '.join(outcome.messages[:3])})" if outcome.messages else ""
    return replace(done, findings=(*done.findings, replace(found, message=found.message + said)))
