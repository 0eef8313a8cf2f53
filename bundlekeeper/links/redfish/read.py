"""Reads inventory from DMTF Redfish services: each service gives a reading or an error of its own.

Rules: only GET, and the session's POST and DELETE, are sent; one slow or broken service never stops the others; what a
reading could not place is listed beside what it placed; the clock, the waiting and the credentials are arguments.
Source: DMTF DSP0266 and DSP8010 2025.4. Importing this module imports httpx.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from bundlekeeper.errors import InputError, KeeperError
from bundlekeeper.findings import Finding
from bundlekeeper.links.http.client import origin_of
from bundlekeeper.links.redfish.cache import Cache
from bundlekeeper.links.redfish.map_firmware import merged, place
from bundlekeeper.links.redfish.session import Service, SessionMeans, service_url
from bundlekeeper.links.redfish.types import Credentials, Placement, ReadLimits, ReadOutcome, ServiceReading, noted
from bundlekeeper.links.redfish.user_map import MapEntry
from bundlekeeper.links.redfish.walk import Tree, Walk
from bundlekeeper.model.inventory.types import Component
from bundlekeeper.model.progress import Clock
from bundlekeeper.verification.hashing.read import Stop

MAX_WORKERS = 64

#: Gives the credentials for an origin (`https://host:port`); None reads without any.
CredentialsFor = Callable[[str], Credentials | None]


def read_service(
    url: str,
    credentials: Credentials | None,
    *,
    placement: Placement,
    clock: Clock,
    ca: Path | None = None,
    limits: ReadLimits | None = None,
    entries: Sequence[MapEntry] = (),
    cache: Cache | None = None,
    stop: Stop | None = None,
    http_on_loopback: bool = False,
    now: Callable[[], float] = time.monotonic,
    wait: Callable[[float], None] = time.sleep,
) -> ServiceReading:
    """Read one service: log in, read, log out, place.

    `ca` is a PEM file of the authorities that count instead of the system's; `entries` are the user's map; `cache`
    keeps documents and their entity tags from one reading to the next; `now` is a monotonic clock and `wait` a sleep,
    in seconds. Raises InputError for an address, authorities or settings that cannot be used, UnfinishedError where
    neither the service's root nor a session could be had, StoppedError when stopped.
    """
    limits = limits or ReadLimits()
    means = SessionMeans(now, wait, ca, limits, cache, stop, http_on_loopback)
    base = service_url(url, http_on_loopback=http_on_loopback)
    service = Service(base, credentials, means)
    try:
        with service:
            tree = Walk(service, limits).run()
    except KeeperError as e:
        e.problems = (*e.problems, *service.left)
        raise
    tree.problems.extend(service.left)
    return _reading(service, tree, placement, entries, clock)


def _reading(
    service: Service, tree: Tree, placement: Placement, entries: Sequence[MapEntry], clock: Clock
) -> ServiceReading:
    found = place(tree, placement, entries, service.place)
    counts = {
        "items": len(tree.items),
        "mapped": found.mapped,
        "unmapped": len(tree.items) - found.mapped - found.skipped,
        "skipped": found.skipped,
        "nameless": found.nameless,
        "components": len(found.components),
        "resources": len(tree.resources),
        "requests": service.requests,
        "not_modified": service.not_modified,
    }
    return ServiceReading(
        service.place,
        clock(),
        tuple(found.components),
        tuple(found.unmapped),
        (*tree.problems, *found.problems),
        counts,
        tuple(found.evidence),
        frozenset(found.used),
        tree.complete,
        tuple(tree.unread),
    )


def read_many(
    urls: Sequence[str],
    who: CredentialsFor,
    *,
    placement: Placement,
    clock: Clock,
    workers: int = 8,
    ca: Path | None = None,
    limits: ReadLimits | None = None,
    entries: Sequence[MapEntry] = (),
    caches: Mapping[str, Cache] | None = None,
    stop: Stop | None = None,
    http_on_loopback: bool = False,
    on_outcome: Callable[[ReadOutcome], None] = lambda _: None,
) -> tuple[ReadOutcome, ...]:
    """Read several services, `workers` at once; outcomes in the order of `urls`, each with a reading or an error.

    `caches` has one cache for each origin that is to have one. The calling thread checks every address and asks for
    every credential before the first request; `on_outcome` gets each outcome at once, from any thread.
    Raises InputError for an address that cannot be used or is there twice, and for `workers` outside 1 to 64.
    """
    if not 1 <= workers <= MAX_WORKERS:
        raise InputError(f"{workers} services at once: give a number from 1 to {MAX_WORKERS}")
    origins = [str(origin_of(service_url(url, http_on_loopback=http_on_loopback))) for url in urls]
    for number, origin in enumerate(origins):
        if origin in origins[:number]:
            raise InputError(f"the service {origin} is there twice")
    known = {origin: who(origin) for origin in origins}

    def read(origin: str) -> ReadOutcome:
        try:
            reading = read_service(
                origin,
                known[origin],
                placement=placement,
                clock=clock,
                ca=ca,
                limits=limits,
                entries=entries,
                cache=(caches or {}).get(origin),
                stop=stop,
                http_on_loopback=http_on_loopback,
            )
            outcome = ReadOutcome(origin, reading)
        except KeeperError as e:
            outcome = ReadOutcome(origin, error=e)
        on_outcome(outcome)
        return outcome

    with ThreadPoolExecutor(max_workers=min(workers, max(len(origins), 1)), thread_name_prefix="redfish") as pool:
        return tuple(pool.map(read, origins))


def named(problem: Finding, service: str) -> Finding:
    """The finding with the service in its subject, because services use the same paths. Raises nothing."""
    subject = problem.subject
    if subject == service or subject.startswith(f"{service}/"):
        return problem
    if subject.startswith("/"):
        return replace(problem, subject=service + subject)
    return replace(problem, subject=service, message=f"{subject}: {problem.message}")


def combine(readings: Iterable[ServiceReading]) -> tuple[tuple[Component, ...], tuple[Finding, ...]]:
    """The components of several services, each once: a component that two of them know is one.

    Where they contradict each other about a version, the first is used, with a finding. Raises nothing.
    """
    found: dict[str, Component] = {}
    stated_by: dict[tuple[str, str], str] = {}
    problems: list[Finding] = []
    for reading in readings:
        for component in reading.components:
            first = found.get(component.key)
            found[component.key] = component if first is None else merged(first, component)
            for bank in ("active", "pending", "spare"):
                old, new = (getattr(each, bank) if each is not None else None for each in (first, component))
                if new is not None:
                    stated_by.setdefault((component.key, bank), reading.service)
                if old is not None and new is not None and old != new:
                    by = stated_by[component.key, bank]
                    message = f"{bank} is {old} by {by}, {new} by {reading.service}; the first is used"
                    problems.append(noted("version-differs", component.key, message, "check the component itself"))
    return tuple(found.values()), tuple(problems)


def unused(entries: Sequence[MapEntry], readings: Iterable[ServiceReading]) -> tuple[Finding, ...]:
    """A finding for each entry of the map that fitted nothing in any of the readings. Raises nothing."""
    used = {number for reading in readings for number in reading.used}
    return tuple(
        noted(
            "map-unused",
            f"map[{number}]",
            "fits nothing that was read, or an entry before it fits first",
            "check the entry",
        )
        for number, _ in enumerate(entries)
        if number not in used
    )
