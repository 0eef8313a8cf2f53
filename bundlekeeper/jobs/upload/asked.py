"""What is asked of an upload, what is to be brought where, and what became of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.formats.escape import visible
from bundlekeeper.jobs.recording.inventory_read import LogIn
from bundlekeeper.model.upload import ACTIVATING, STAGING, UploadOutcome, UploadResult

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.links.redfish.upload import UploadRequest
    from bundlekeeper.model.inventory.types import Component
    from bundlekeeper.model.manifest.types import Bundle
    from bundlekeeper.store.database.rows import StoredBundle

#: Agrees to what cannot be taken back: gets the name and, in words, what goes down.
Agree = Callable[[str, Sequence[str]], bool]


@dataclass(frozen=True, slots=True)
class UploadOptions:
    """How files are brought: by which services, who logs in, applied when ("" stages), so many services at once.

    `image_uri` is where a service may fetch the file itself; `max_time` is a span for one task.
    """

    services: tuple[str, ...]
    log_in: LogIn
    ca: Path | None = None
    map_file: str | None = None
    http_on_loopback: bool = False
    activate: str = ""
    image_uri: str | None = None
    parallel: int = 1
    per_cluster: int = 1
    max_time: str = "1h"
    dry_run: bool = False

    @property
    def apply_time(self) -> str:
        """When the service is asked to apply it."""
        return self.activate or STAGING

    def check(self) -> None:
        """Insist on services and known words. Raises InputError."""
        from bundlekeeper.formats.durations import seconds
        from bundlekeeper.links.redfish.session import service_url

        if not self.services:
            raise InputError("--upload needs the management service", hint="--service https://host")
        for url in self.services:
            service_url(url, http_on_loopback=self.http_on_loopback)
        seconds(self.max_time)
        if self.activate == STAGING:
            raise InputError(f"{STAGING} does not activate", hint="leave --activate out: that stages")
        if self.activate and self.activate not in ACTIVATING:
            raise InputError(f"--activate cannot be {visible(self.activate)}", hint=f"one of {', '.join(ACTIVATING)}")
        _insist_on_address(self.image_uri)


def _insist_on_address(image_uri: str | None) -> None:
    from urllib.parse import urlsplit

    if image_uri is None:
        return
    try:
        parts = urlsplit(image_uri)
        known = bool(parts.scheme and parts.hostname) and image_uri.isascii() and image_uri.isprintable()
    except ValueError:
        known = False
    if not known or " " in image_uri:
        raise InputError("--image-uri is no address", hint="https://host/folder/file, as the service reaches it")
    if parts.username is not None or parts.password is not None:
        raise InputError("--image-uri has a user name or a password in it", hint="use a server that asks for none")


@dataclass(frozen=True, slots=True)
class PlannedTime:
    """The window of a plan in which a component is due: its number, and when it begins (ISO 8601), "" without dates."""

    number: int
    begins: str = ""
    minutes: int = 0


@dataclass(frozen=True, slots=True)
class UploadTarget:
    """One component that a bundle is to be brought to, as it was judged: `version` is the image's."""

    component: Component
    answer: WhereAnswer
    bundle: Bundle
    stored: StoredBundle
    version: str
    effect: str
    method: str
    plan: str = ""  # the digest
    window: PlannedTime | None = None
    same: Callable[[str, str], bool] = lambda a, b: a == b

    @property
    def key(self) -> str:
        """The component's identity."""
        return self.answer.component

    @property
    def pair(self) -> tuple[str, ...]:
        """What names its redundant pair; empty where it is in none."""
        one = self.component
        return (one.site, one.domain, one.kind, one.pair) if one.pair else ()

    @property
    def name(self) -> str:
        """The component for people."""
        place = self.answer.place.path() if self.answer.place is not None else "?"
        return f"{self.answer.kind} {self.key} ({place})"


@dataclass(frozen=True, slots=True)
class UploadDone:
    """One target, the service that it was sent to ("" for none), what became of it, and the requests of a dry run."""

    target: UploadTarget
    service: str
    outcome: UploadOutcome
    requests: tuple[UploadRequest, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class UploadRun:
    """What a whole command did; `refused` where something was not sent."""

    apply_time: str
    done: tuple[UploadDone, ...]
    findings: tuple[Finding, ...]
    dry_run: bool = False
    refused: bool = False

    @property
    def counts(self) -> Mapping[str, int]:
        """How many targets had each result."""
        found = {result.value: 0 for result in UploadResult}
        for done in self.done:
            found[done.outcome.result.value] += 1
        return found
