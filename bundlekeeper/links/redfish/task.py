"""The task of an update, followed to its end.

Rules: a task is only read, never changed; one that waits for something is reported, and never waited for without end;
a read that got no answer is tried again with longer and longer pauses, a change never is.
Source: DMTF DSP0266 (task monitors: 202 until the end), DSP8010 Task, whose states are quoted from its schema.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum

import httpx

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.formats.escape import visible
from bundlekeeper.links.http.client import redacted
from bundlekeeper.links.redfish.session import Service
from bundlekeeper.links.redfish.types import ResourceError, ServiceReply
from bundlekeeper.links.redfish.update_service import messages
from bundlekeeper.links.redfish.walk import Body, link, links, type_of

_FAILED = frozenset({"Exception", "Killed", "Cancelled"})
# "Service: … when a corrective action is possible", "Suspended: … stopped (e.g., by a user)", "Interrupted: … the user
# should either re-run/restart the Task", "Pending: … some condition" (DSP8010 Task)
_WAITS = {
    "Pending": "it waits for something, such as a start",
    "Suspended": "somebody stopped it",
    "Interrupted": "it was interrupted and waits for somebody",
    "Service": "it waits for somebody to correct something",
}
_NOT_TOLD = frozenset({401, 403, 404, 408, 410, 429})  # about the question for a task, not about the task
_ENDED = frozenset({"Completed", *_FAILED})
_MAX_TASKS = 200  # that are looked at before an upload
_LONGEST_PAUSE_S = 15.0


class TaskEnd(StrEnum):
    """How a task ended, as far as it was followed."""

    DONE = "done"
    FAILED = "failed"
    WAITS = "waits"
    LOST = "lost"  # nobody could ask to the end


@dataclass(frozen=True, slots=True)
class TaskLimits:
    """`total_s` for the whole task; a task that waits is asked `waiting_asks` times before it is left."""

    total_s: float = 3600.0
    pause_s: float = 1.0
    tries: int = 5
    waiting_asks: int = 3


@dataclass(frozen=True, slots=True)
class FollowedTask:
    """The task's address, how it ended, in which state, and what the service said."""

    address: str
    end: TaskEnd
    state: str = ""
    reason: str = ""
    messages: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TaskPlace:
    """Where a task is asked: the task itself, or its monitor, whose status is the operation's in the end."""

    url: httpx.URL
    is_monitor: bool


def of_answer(service: Service, sent: ServiceReply) -> TaskPlace | None:
    """Where the task of an answer is asked: the Task that it has, else the monitor of its Location; None for neither.

    Raises ResourceError where the only address leads away from the service.
    """
    body = sent.body or {}
    if type_of(body, "") == "Task" and link({"it": body}, "it"):
        return TaskPlace(service.resolve(body["@odata.id"]), is_monitor=False)
    return TaskPlace(service.resolve(sent.location), is_monitor=True) if sent.location else None


def _asked(service: Service, place: TaskPlace) -> ServiceReply:
    return service.ask("GET", place.url) if place.is_monitor else ServiceReply(200, "", service.get(place.url))


def follow(
    service: Service, place: TaskPlace, limits: TaskLimits, now: Callable[[], float], arrived: Callable[[], bool]
) -> FollowedTask:
    """Ask for the task until it ends. `arrived` reads whether the component has the image, asked where the task waits.

    Raises StoppedError.
    """
    address, end_s, pause_s = redacted(place.url), now() + limits.total_s, limits.pause_s
    state, reason, failures, waited = "", "", 0, 0
    said: tuple[str, ...] = ()
    while True:
        sent: ServiceReply | None
        try:
            sent = _asked(service, place)
            failures = failures + 1 if sent.status in _NOT_TOLD or sent.status >= 500 else 0
        except UnfinishedError as e:
            sent, failures, reason = None, failures + 1, e.message
        if sent is not None and not failures:
            found = _judged(address, sent)
            state, said = found.state or state, found.messages or said
            if found.end in (TaskEnd.DONE, TaskEnd.FAILED):
                return found
            if found.state in _WAITS:
                waited += 1
                if arrived():
                    return FollowedTask(address, TaskEnd.DONE, found.state, found.reason, said)
                if waited >= limits.waiting_asks:
                    return found
            reason = f"its task was still {state or 'at work'}"
        elif sent is not None:
            reason = f"the service answered {sent.status} to the question for its task"
        if failures >= limits.tries or now() >= end_s:
            return FollowedTask(address, TaskEnd.LOST, state, reason, said)
        asked_s = sent.retry_after_s if sent is not None and sent.retry_after_s is not None else 0.0
        service.begin_again()
        service.pause(min(max(pause_s, asked_s), _LONGEST_PAUSE_S))
        pause_s = min(pause_s * 1.5, _LONGEST_PAUSE_S)


def _judged(address: str, sent: ServiceReply) -> FollowedTask:
    """What one answer of a task or of its monitor means."""
    body, said = sent.body or {}, messages(sent.body)
    state = body.get("TaskState")
    state = visible(state)[:40] if isinstance(state, str) else ""
    status = body.get("TaskStatus")
    if sent.status >= 400:
        return FollowedTask(address, TaskEnd.FAILED, state, f"the service answered {sent.status} for its task", said)
    if state in _FAILED or (state == "Completed" and status == "Critical"):
        return FollowedTask(address, TaskEnd.FAILED, state, f"its task ended as {state}", said)
    if state == "Completed" or (sent.status in (200, 201, 204) and not state):
        return FollowedTask(address, TaskEnd.DONE, state, "", said)
    if state in _WAITS:
        return FollowedTask(address, TaskEnd.WAITS, state, f"its task is {state}: {_WAITS[state]}", said)
    return FollowedTask(address, TaskEnd.LOST, state, "", said)


def at_work(service: Service, root: Body, *, waiting: bool = False) -> tuple[list[str], str]:
    """The tasks that are at work now, in words; and what could not be asked, "" where all was.

    Those that only wait count with `waiting` alone: an update that was staged may leave one.
    Raises ResourceError, ServiceLostError, StoppedError.
    """
    reference = link(root, "Tasks")
    if reference is None:
        return [], "whether another update is at work: the service has no list of tasks"
    try:
        members = list(_members(service, reference))
        found = []
        for member in members[:_MAX_TASKS]:
            task = service.get(service.resolve(member))
            state = task.get("TaskState")
            if isinstance(state, str) and state not in _ENDED and (waiting or state not in _WAITS):
                found.append(f"{visible(str(task.get('Name') or member))[:80]} is {visible(state)[:40]}")
    except ResourceError as e:
        raise ResourceError(
            f"whether another update is at work cannot be asked: {e.message}", where=e.where, hint="look at the service"
        ) from e
    return found, "" if len(members) <= _MAX_TASKS else f"more than {_MAX_TASKS} tasks: only the first were asked"


def _members(service: Service, reference: str) -> Iterator[str]:
    tasks = link(service.get(service.resolve(reference)), "Tasks")
    seen: set[str] = set()
    while tasks is not None and tasks not in seen and len(seen) < _MAX_TASKS:
        seen.add(tasks)
        page = service.get(service.resolve(tasks))
        yield from links(page, "Members")
        following = page.get("Members@odata.nextLink")
        tasks = following if isinstance(following, str) else None
