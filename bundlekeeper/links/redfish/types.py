"""What reading a Redfish service needs and returns.

Rules: a secret is in no `repr`; nothing that a service states is dropped in silence: an item belongs to a component, or
is listed as unmapped with a reason, or is skipped because the user's map says so; the counts add up.
Source: DMTF Redfish, DSP0266 (the protocol) and DSP8010 2025.4 (the schemas).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from bundlekeeper.errors import KeeperError, UnfinishedError
from bundlekeeper.findings import CODES, Code, Finding, Level
from bundlekeeper.model.inventory.types import Component

#: Codes of what reading a service finds (a list beside the one of `findings`, as reading an inventory has).
READ_CODES: dict[str, Code] = {
    "unreadable": CODES["unreadable"],
    "resource-unread": Code(Level.WARNING, "a resource of the service could not be read"),
    "link-elsewhere": Code(Level.WARNING, "a link leads away from the service; it was not followed"),
    "collection-unread": Code(Level.NOTE, "collections that the service links to and that were not read"),
    "count-differs": Code(Level.WARNING, "a collection has another number of members than it says"),
    "limit-reached": Code(Level.WARNING, "more than the limit of a reading; the rest was not read"),
    "not-placed": Code(Level.WARNING, "a firmware item that could not be placed; a [[map]] entry can place it"),
    "version-differs": Code(Level.WARNING, "a component states another version than its firmware item"),
    "outside-collection": Code(Level.NOTE, "a firmware item that is linked, but in no collection"),
    "session-left": Code(Level.NOTE, "a session that was or may have been made, and was not ended"),
    "map-unused": Code(Level.WARNING, "an entry of the map that fits nothing that was read"),
}


def noted(code: str, subject: str, message: str, hint: str = "") -> Finding:
    """A finding of READ_CODES at its own level. Raises KeyError for another code."""
    return Finding(code, READ_CODES[code].level, subject, message, hint)


@dataclass(frozen=True, slots=True)
class Credentials:
    """Who logs in. `basic` allows HTTP Basic where a service has no sessions."""

    user: str = field(repr=False)
    password: str = field(repr=False)
    basic: bool = False


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """Where a reading of one service ends. `deadline_s` is for all of it, `resource_s` for one answer."""

    deadline_s: float = 600.0
    resource_s: float = 30.0
    connect_s: float = 10.0
    tries: int = 3
    backoff_s: float = 1.0
    longest_wait_s: float = 20.0
    max_resource_bytes: int = 4 * 1024 * 1024
    max_total_bytes: int = 256 * 1024 * 1024
    max_resources: int = 20_000
    max_pages: int = 1000
    max_silent: int = 3  # after so many resources in a row without an answer the service is given up


@dataclass(frozen=True, slots=True)
class ServiceReply:
    """The answer to a request that asks for a change: `location` is a link, "" for none; `body` None for no object."""

    status: int
    location: str
    body: dict[str, Any] | None
    retry_after_s: float | None = None


@dataclass(frozen=True, slots=True)
class SendBody:
    """What is sent: its media type, its length in bytes, and its pieces, read once."""

    media_type: str
    size_bytes: int
    pieces: Callable[[], Iterator[bytes]]


@dataclass(frozen=True, slots=True)
class SendLimits:
    """`answer_s` is how long the service may think after the last byte, `least_rate_bytes_s` over any `window_s`."""

    answer_s: float = 600.0
    least_rate_bytes_s: float = 4096.0
    window_s: float = 60.0
    idle_s: float = 60.0


@dataclass(frozen=True, slots=True)
class Placement:
    """What a service cannot know: where its components are. `chassis` and `slot` replace what the service states."""

    site: str
    domain: str
    chassis: str | None = None
    slot: str | None = None


@dataclass(frozen=True, slots=True)
class Unmapped:
    """Something with firmware that could not be placed, as the service has it, and the reason.

    `kind` is the kind of its component and `of` the resource that it belongs to, where they are known; `is_component`
    is True where it is a component itself and no item of a firmware inventory.
    """

    odata_id: str
    id: str | None
    name: str | None
    version: str | None
    software_id: str | None
    reason: str
    kind: str | None = None
    of: str | None = None
    is_component: bool = False


@dataclass(frozen=True, slots=True)
class ReadingEvidence:
    """Which resources a component's versions were read from; `additional` are an item's AdditionalVersions."""

    component: str  # its key
    resource: str
    items: tuple[str, ...] = ()
    additional: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ServiceReading:
    """What one service gave.

    `complete` is False where the reading was cut short. `counts`: items, mapped, unmapped, skipped (they add up),
    components, resources, requests, not_modified. `used` are the indexes of the map's entries that fitted, `unread` the
    paths of collections that are linked but were not read.
    """

    service: str
    read_at: datetime
    components: tuple[Component, ...]
    unmapped: tuple[Unmapped, ...]
    problems: tuple[Finding, ...]
    counts: Mapping[str, int]
    evidence: tuple[ReadingEvidence, ...] = ()
    used: frozenset[int] = frozenset()
    complete: bool = True
    unread: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadOutcome:
    """One service of several: its reading, or why there is none."""

    service: str
    reading: ServiceReading | None = None
    error: KeeperError | None = None


class ResourceError(UnfinishedError):
    """This resource cannot be read; others may be. `code` is the finding's code."""

    def __init__(self, message: str, *, where: str = "", hint: str = "", code: str = "resource-unread") -> None:
        super().__init__(message, hint=hint, where=where)
        self.code = code


class ServiceLostError(UnfinishedError):
    """This service does not answer any more."""
