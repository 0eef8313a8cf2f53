"""One management service while files are brought to it: what it has, what is asked first, the requests, the answers.

Rules: one session; the component is named in every request, and only resources of its own; a file's bytes are read once
and sent as they are read; nothing is sent twice; a reservation that was made at the service is taken back.
Source: DMTF DSP0266 (multipart HTTP push, HTTP push, tasks), RFC 7578 (multipart/form-data). Imports httpx.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import httpx

from bundlekeeper.errors import KeeperError, RefusedError
from bundlekeeper.links.http.client import redacted
from bundlekeeper.links.redfish import update_service as pure
from bundlekeeper.links.redfish.map_firmware import place
from bundlekeeper.links.redfish.session import ROOT, Service
from bundlekeeper.links.redfish.task import FollowedTask, TaskLimits, at_work, follow, of_answer
from bundlekeeper.links.redfish.types import (
    Placement,
    ReadingEvidence,
    ReadLimits,
    ResourceError,
    SendBody,
    SendLimits,
    ServiceLostError,
    ServiceReply,
)
from bundlekeeper.links.redfish.update_service import ChosenWay, UploadOrder
from bundlekeeper.links.redfish.user_map import MapEntry
from bundlekeeper.links.redfish.walk import Body, Tree, Walk, link, related
from bundlekeeper.model.inventory.types import Component
from bundlekeeper.model.upload import UploadWay

#: Gives the file's bytes, verified while they are read; the last ones only when all of them are right.
Pieces = Callable[[], Iterator[bytes]]
_JSON, _FILE, _FORM = "application/json", "application/octet-stream", "multipart/form-data"
_CRLF = "\r\n"
_MANY = frozenset({"ComputerSystem", "Chassis", "Aggregate"})  # resources that stand for all that is in them


@dataclass(frozen=True, slots=True)
class ServiceState:
    """What a service has: its components by key, what each was read from, and its update service, None for none."""

    components: Mapping[str, Component]
    evidence: Mapping[str, ReadingEvidence]
    tree: Tree
    update: Body | None
    complete: bool


@dataclass(frozen=True, slots=True)
class UploadRequest:
    """One request that an upload sends: for people `address` is without its query, `file` says that the file is in
    it."""

    method: str
    address: str
    media_type: str
    size_bytes: int
    parameters: Mapping[str, Any]
    file: bool = False


@dataclass(slots=True)
class UploadConversation:
    """A service that was opened for uploads; use it inside the service's own context."""

    service: Service
    placement: Placement
    entries: Sequence[MapEntry] = ()
    read_limits: ReadLimits = field(default_factory=ReadLimits)
    send_limits: SendLimits = field(default_factory=SendLimits)
    task_limits: TaskLimits = field(default_factory=TaskLimits)
    now: Callable[[], float] = float
    _is_open: bool = False

    # -- reading -------------------------------------------------------------------------------------------------------

    def read(self) -> ServiceState:
        """Everything that the service has now; the first time after a log-in. Raises KeeperError where that fails."""
        if self._is_open:
            self.service.begin_again()
        tree = Walk(self.service, self.read_limits).run(log_in=not self._is_open)
        self._is_open = True
        found = place(tree, self.placement, self.entries, self.service.place)
        update = next(tree.of_type("UpdateService"), None)
        return ServiceState(
            {component.key: component for component in found.components},
            {evidence.component: evidence for evidence in found.evidence},
            tree,
            update.body if update is not None else None,
            tree.complete,
        )

    def against(self, state: ServiceState, order: UploadOrder) -> tuple[list[str], str]:
        """What the service itself states against the upload; and what it could not be asked. Raises KeeperError."""
        if state.update is None:
            return ["the service has no update service"], ""
        root = self.service.get(self.service.resolve(ROOT))
        busy, unasked = at_work(self.service, root)
        return [*pure.against(state.update, order), *(f"another task is at work: {task}" for task in busy)], unasked

    def choose(self, state: ServiceState, order: UploadOrder) -> ChosenWay | list[str]:
        """The first way that can be used, else the reasons against each."""
        update = state.update or {}
        unreachable = {}
        for way in UploadWay:
            try:
                self._address(way, pure.reference(way, update))
            except ResourceError as error:
                unreachable[way] = error.message
        return pure.choose(update, order, unreachable)

    def _address(self, way: UploadWay, reference: str | None) -> httpx.URL:
        """Only HttpPushUri may be outside /redfish/ (DSP0266 leaves its form to the service)."""
        return self.service.resolve(reference, below="/" if way is UploadWay.PUSH else "/redfish/")

    # -- sending -------------------------------------------------------------------------------------------------------

    def requests(self, way: ChosenWay, order: UploadOrder) -> list[UploadRequest]:
        """Every request that `send` makes, in turn; nothing is sent."""
        address = redacted(self._address(way.way, way.reference))
        if way.way is UploadWay.MULTIPART:
            frame = _Multipart.of(order)
            return [UploadRequest("POST", address, _FORM, frame.size_bytes, pure.parameters(order), file=True)]
        if way.way is UploadWay.SIMPLE:
            asked = pure.simple_update(order)
            return [UploadRequest("POST", address, _JSON, len(_encoded(asked)), asked)]
        update, reserved = redacted(self._update()), pure.reservation(order)
        return [
            UploadRequest("PATCH", update, _JSON, len(_encoded(reserved)), reserved),
            UploadRequest("POST", address, _FILE, order.size_bytes, {}, file=True),
        ]

    def send(self, state: ServiceState, way: ChosenWay, order: UploadOrder, pieces: Pieces) -> ServiceReply:
        """Send the file, or ask the service to fetch it: once.

        Raises RefusedError where the service does not let itself be reserved; KeeperError where no answer came: what
        the service did is then not known.
        """
        self.service.begin_again()
        url = self._address(way.way, way.reference)
        if way.way is UploadWay.MULTIPART:
            frame = _Multipart.of(order)
            body = SendBody(frame.media_type, frame.size_bytes, lambda: frame.around(pieces()))
            return self.service.send("POST", url, body, self.send_limits)
        if way.way is UploadWay.SIMPLE:
            return self._json("POST", url, pure.simple_update(order))
        return self._pushed(state, url, order, pieces)

    def _pushed(self, state: ServiceState, url: httpx.URL, order: UploadOrder, pieces: Pieces) -> ServiceReply:
        update = state.update or {}
        sent = self._json("PATCH", self._update(), pure.reservation(order), update)
        if not 200 <= sent.status < 300:
            said = "; ".join(pure.messages(sent.body)[:2])
            raise RefusedError(
                f"the service does not take the targets and the apply time for HttpPushUri ({sent.status})"
                + (f": {said}" if said else ""),
                where=self.service.place,
                hint="nothing was sent to it",
            )
        try:
            return self.service.send("POST", url, SendBody(_FILE, order.size_bytes, pieces), self.send_limits)
        finally:
            self._release(update)

    def _release(self, update: Body) -> None:
        from contextlib import suppress

        with suppress(KeeperError):
            self._json("PATCH", self._update(), pure.release(update))

    def _update(self) -> httpx.URL:
        root = self.service.get(self.service.resolve(ROOT))
        return self.service.resolve(link(root, "UpdateService"))

    def _json(self, method: str, url: httpx.URL, asked: Mapping[str, Any], update: Body | None = None) -> ServiceReply:
        data = _encoded(asked)
        etag = (update or {}).get("@odata.etag")
        headers = {"If-Match": etag} if isinstance(etag, str) and etag.isascii() and etag.isprintable() else {}
        return self.service.send(
            method, url, SendBody(_JSON, len(data), lambda: iter((data,))), self.send_limits, headers
        )

    # -- afterwards ----------------------------------------------------------------------------------------------------

    def follow(self, sent: ServiceReply, arrived: Callable[[], bool]) -> FollowedTask | None:
        """The task of an answer, followed to its end; None where the answer names none. Raises as `task.follow`."""
        place = of_answer(self.service, sent)
        return None if place is None else follow(self.service, place, self.task_limits, self.now, arrived)

    def has_a_task(self) -> bool | None:
        """Whether a task is at work now or waits; None where nobody can say. Raises StoppedError."""
        try:
            self.service.begin_again()
            root = self.service.get(self.service.resolve(ROOT))
            tasks, unasked = at_work(self.service, root, waiting=True)
        except (ServiceLostError, ResourceError):
            return None
        return True if tasks else None if unasked else False


@dataclass(frozen=True, slots=True)
class _Multipart:
    """The two parts of a multipart push: UpdateParameters, then UpdateFile (DSP0266)."""

    media_type: str
    before: bytes
    after: bytes
    size_bytes: int

    @classmethod
    def of(cls, order: UploadOrder) -> _Multipart:
        from secrets import token_hex

        boundary = f"bundlekeeper-{token_hex(16)}"
        name = order.file.replace('"', "%22")  # RFC 7578 §4.2
        first = f'Content-Disposition: form-data; name="UpdateParameters"{_CRLF}Content-Type: {_JSON}{_CRLF}{_CRLF}'
        second = (
            f'Content-Disposition: form-data; name="UpdateFile"; filename="{name}"{_CRLF}Content-Type: {_FILE}'
            f"{_CRLF}{_CRLF}"
        )
        before = f"--{boundary}{_CRLF}{first}".encode() + _encoded(pure.parameters(order))
        before += f"{_CRLF}--{boundary}{_CRLF}{second}".encode()
        after = f"{_CRLF}--{boundary}--{_CRLF}".encode()
        size = len(before) + order.size_bytes + len(after)
        return cls(f"{_FORM}; boundary={boundary}", before, after, size)

    def around(self, pieces: Iterator[bytes]) -> Iterator[bytes]:
        """The whole body."""
        yield self.before
        yield from pieces
        yield self.after


def _encoded(asked: Mapping[str, Any]) -> bytes:
    return json.dumps(asked).encode()


def targets_of(state: ServiceState, key: str) -> tuple[tuple[str, ...], str]:
    """The resource that names the component in a request, or why there is none: an item of it alone, else itself.

    "These targets should correspond to software inventory instances or their related items" (DSP8010 UpdateService); an
    item that several components share would name all of them, and so would "a ComputerSystem resource: … the applicable
    components within".
    """
    evidence, active = state.evidence[key], state.components[key].active
    items = [resource for path in evidence.items if (resource := state.tree.resources.get(path)) is not None]
    fixed = [resource.path for resource in items if resource.body.get("Updateable") is False]
    if items and len(fixed) == len(items):
        return (), f"the service says that it cannot be updated (Updateable is false: {fixed[0]})"
    users = Counter(path for other in state.evidence.values() for path in other.items)
    own = [resource for resource in items if users[resource.path] == 1 and resource.path not in fixed]
    own.sort(key=lambda resource: resource.body.get("Version") != active)
    if own:
        return (own[0].path,), ""
    is_related = any(evidence.resource in map(state.tree.locate, related(resource.body)) for resource in items)
    itself = state.tree.resources.get(evidence.resource)
    if is_related and itself is not None and itself.type not in _MANY:
        return (evidence.resource,), ""
    return (), "the service has no address that names this component alone"
