"""Reading management services (DMTF Redfish): the components that they report, as one inventory.

Rules: a password is never printed, nor kept in an error; where several services are read, one that fails does not stop
the others; what could not be placed is drafted as entries for a map.
"""

from __future__ import annotations

import netrc
import stat
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, KeeperError, StoppedError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.inputs import read_bounded

if TYPE_CHECKING:
    from bundlekeeper.findings import Finding
    from bundlekeeper.jobs.session import Caller
    from bundlekeeper.links.redfish.read import CredentialsFor
    from bundlekeeper.links.redfish.types import Credentials, Placement, ReadOutcome, ServiceReading, Unmapped
    from bundlekeeper.links.redfish.user_map import MapEntry
    from bundlekeeper.model.inventory.types import Inventory
    from bundlekeeper.model.stop import Stop

_DRAFTS = "These could not be placed. Complete the entries and put them into a file for --map, after redfish = 1:"


@dataclass(frozen=True, slots=True)
class LogIn:
    """Who logs in: `user` with the password that `password` asks for, once, or by host the user in the file `netrc`.

    `basic` allows HTTP Basic where a service has no sessions.
    """

    user: str | None
    netrc: Path | None
    basic: bool
    password: Callable[[], str]


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """How services are read: where their components are, who logs in, …; `max_time` is a span for one service."""

    site: str
    domain: str
    chassis: str | None
    slot: str | None
    log_in: LogIn
    map_file: str | None
    ca: Path | None
    http_on_loopback: bool
    zone: str | None
    workers: int
    max_time: str


@dataclass(frozen=True, slots=True)
class InventoryRead:
    """The inventory of all services, each service's reading, and the services that could not be read, with the error.

    `drafts` are entries for a map, as lines of TOML, that would name what could not be placed.
    """

    inventory: Inventory
    readings: list[ServiceReading]
    failed: list[tuple[str, KeeperError]]
    drafts: list[str]
    findings: list[Finding]

    @property
    def counts(self) -> Mapping[str, int]:
        """What the services counted, added up."""
        keys = dict.fromkeys(key for reading in self.readings for key in reading.counts)
        return {key: sum(reading.counts.get(key, 0) for reading in self.readings) for key in keys}

    def document(self, form: str) -> str:
        """The inventory as a file: "json", else TOML with the drafts as a comment."""
        from bundlekeeper.model.inventory.write_json import to_json
        from bundlekeeper.model.inventory.write_toml import to_toml

        return to_json(self.inventory) if form == "json" else to_toml(self.inventory, self.drafts)


def read(caller: Caller, urls: Sequence[str], options: ReadOptions, *, stop: Stop, quiet: bool) -> InventoryRead:
    """Read every service; unless `quiet`, each that is done is reported. `stop` ends the reading.

    Raises InputError for what cannot be read like this, StoppedError when it was stopped, and for a single service its
    own error.
    """
    from bundlekeeper.formats.durations import seconds
    from bundlekeeper.links.redfish.read import read_many
    from bundlekeeper.links.redfish.types import ReadLimits

    placement = _placement(options)
    if options.slot is not None and len(urls) > 1:
        raise InputError("--slot names one server, but there are several services", hint="read them one by one")
    entries = map_entries(options.map_file)

    def report(outcome: ReadOutcome) -> None:
        reading = outcome.reading
        what = "not read" if reading is None else counted(len(reading.components), "component")
        caller.tell(f"{outcome.service}: {what}")

    outcomes = read_many(
        urls,
        who(options.log_in),
        placement=placement,
        clock=caller.now,
        workers=options.workers,
        ca=options.ca,
        limits=ReadLimits(deadline_s=seconds(options.max_time)),
        entries=entries,
        stop=stop,
        http_on_loopback=options.http_on_loopback,
        on_outcome=(lambda _: None) if quiet else report,
    )
    if any(isinstance(outcome.error, StoppedError) for outcome in outcomes):
        stopped = StoppedError("stopped by a signal")
        stopped.problems = tuple(problem for outcome in outcomes for problem in _problems(outcome))
        raise stopped
    if len(outcomes) == 1 and outcomes[0].error is not None:
        outcomes[0].error.problems = _problems(outcomes[0])
        raise outcomes[0].error
    return _together(outcomes, entries, _zone(options, caller), caller)


def _zone(options: ReadOptions, caller: Caller) -> str:
    return options.zone or caller.config().zone or "UTC"


def _together(
    outcomes: Sequence[ReadOutcome], entries: tuple[MapEntry, ...], zone: str, caller: Caller
) -> InventoryRead:
    from bundlekeeper.links.redfish.read import combine, unused
    from bundlekeeper.links.redfish.types import noted
    from bundlekeeper.model.inventory.types import Inventory

    readings = [outcome.reading for outcome in outcomes if outcome.reading is not None]
    failed = [(outcome.service, outcome.error) for outcome in outcomes if outcome.error is not None]
    components, contradictions = combine(readings)
    found = [noted("unreadable", service, error.message, error.hint) for service, error in failed]
    found += [problem for outcome in outcomes for problem in _problems(outcome)]
    found += [*contradictions, *unused(entries, readings)]
    read_at = min((reading.read_at for reading in readings), default=caller.now())
    return InventoryRead(Inventory(read_at, zone, components), readings, failed, _drafts(readings), found)


def _problems(outcome: ReadOutcome) -> tuple[Finding, ...]:
    """What was found at one service, each with the service's name."""
    from bundlekeeper.links.redfish.read import named

    problems = outcome.reading.problems if outcome.reading is not None else ()
    problems = outcome.error.problems if outcome.error is not None else problems
    return tuple(named(problem, outcome.service) for problem in problems)


def _placement(options: ReadOptions) -> Placement:
    from bundlekeeper.formats.moments import zone_of
    from bundlekeeper.links.redfish.types import Placement

    if not options.site.strip():
        raise InputError("--site is empty", hint="name the site where the components are")
    if options.zone is not None:
        zone_of(options.zone)
    return Placement(options.site, "" if options.domain == "-" else options.domain, options.chassis, options.slot)


def map_entries(file: str | None) -> tuple[MapEntry, ...]:
    """The entries of the user's map; none without a file. Raises as `read_map`."""
    if file is None:
        return ()
    from bundlekeeper.links.redfish.user_map import read_map

    return read_map(read_bounded(file, limits.REDFISH_MAP_BYTES, "the map"), name=file)


def _drafts(readings: Sequence[ServiceReading]) -> list[str]:
    """Entries for a map, to be filled in."""
    items = [(reading.service, item) for reading in readings for item in reading.unmapped]
    lines = [_DRAFTS] if items else []
    for service, item in items:
        lines += ["", f"{item.name or item.id or '?'}, version {item.version or '?'}: {item.reason}", "[[map]]"]
        lines += _draft(service, item)
    return lines


def _draft(service: str, item: Unmapped) -> list[str]:
    """An entry's lines; what is not known is left open. An entry for a component of its own needs a serial."""
    from bundlekeeper.formats.toml_edit import basic_string
    from bundlekeeper.links.redfish.user_map import OPEN

    drafted = {"service": service, "odata_id": item.odata_id, "kind": item.kind or OPEN}
    if not item.is_component:
        drafted["of"] = item.of or OPEN
    elif item.kind is not None:
        drafted["serial"] = OPEN
    return [f"{key} = {basic_string(value)}" for key, value in drafted.items()]


# -- who logs in -------------------------------------------------------------------------------------------------------


def who(log_in: LogIn) -> CredentialsFor:
    """Find the credentials for each service; a password is asked for once. Raises InputError for a bad netrc file."""
    from bundlekeeper.links.redfish.types import Credentials

    logins = _netrc(log_in.netrc) if log_in.netrc is not None else None
    user = log_in.user
    typed: list[str] = []

    def credentials(origin: str) -> Credentials | None:
        from bundlekeeper.links.http.client import origin_of, parse_url

        found = logins.authenticators(origin_of(parse_url(origin)).host) if logins is not None else None
        if found is not None and user in (None, found[0]):
            return Credentials(found[0], found[2] or "", log_in.basic)
        if user is None:
            return None
        if not typed:
            typed.append(log_in.password())
        return Credentials(user, typed[0], log_in.basic)

    return credentials


def _netrc(path: Path) -> netrc.netrc:
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode) or status.st_size > limits.NETRC_BYTES:
            raise InputError("the netrc file is no regular file or too large", where=str(path))
        if status.st_mode & 0o077:
            raise InputError("the netrc file can be read by others", where=str(path), hint=f"chmod 600 {path}")
        return netrc.netrc(path)
    except (OSError, netrc.NetrcParseError, ValueError):
        # The parser's message may quote the file, so it is not repeated, nor kept as the cause.
        raise InputError("the netrc file cannot be read", where=str(path), hint="check its lines") from None
