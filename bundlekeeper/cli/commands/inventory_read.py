"""`bundlekeeper inventory read`: what management services (DMTF Redfish) say of their components, as an inventory file.

Rules: a password comes from a prompt, a netrc file or the environment, never from the command line, and is never
printed; where several services are read, one that fails takes nothing from the others; stdout holds the inventory or,
with a file named, the report.
"""

from __future__ import annotations

import netrc
import os
import stat
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.options import JsonOption, QuietOption, now
from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import InputError, StoppedError
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.inputs import read_bounded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bundlekeeper.findings import Finding
    from bundlekeeper.links.redfish.read import Who
    from bundlekeeper.links.redfish.types import Credentials, ReadOutcome, ServiceReading, Unmapped
    from bundlekeeper.links.redfish.user_map import MapEntry
    from bundlekeeper.model.inventory.types import Inventory

_DRAFTS = "What could not be placed; in a file for --map, with redfish = 1 on top, these would name it:"
PASSWORD = "BUNDLEKEEPER_PASSWORD"  # noqa: S105  (the variable's name)
_MAP_LIMIT = 4 * 1024 * 1024  # bytes; links.redfish_table.MAX_BYTES
_NETRC_LIMIT = 64 * 1024

UrlsArgument = Annotated[list[str], typer.Argument(metavar="URL...", help="Services: https://host[:port].")]
SiteOption = Annotated[str, typer.Option("--site", metavar="SITE", help="The site where the parts are.")]
DomainOption = Annotated[str, typer.Option("--domain", metavar="DOMAIN", help="Their domain; - for none.")]
ChassisOption = Annotated[
    str | None, typer.Option("--chassis", metavar="NAME", help="Their chassis (default: as the service calls it).")
]
SlotOption = Annotated[
    str | None, typer.Option("--slot", metavar="SLOT", help="Their slot (default: as the service numbers it).")
]
MapOption = Annotated[
    str | None, typer.Option("--map", metavar="FILE", help="TOML with [[map]] entries that say what items are.")
]
CaOption = Annotated[Path | None, typer.Option("--ca", metavar="FILE", help="CA certificates for https, as PEM.")]
UserOption = Annotated[str | None, typer.Option("--user", metavar="NAME", help="Log in as; the password is asked for.")]
NetrcOption = Annotated[
    Path | None, typer.Option("--netrc", metavar="FILE", help="User and password by host; mode 0600.")
]
BasicOption = Annotated[bool, typer.Option("--basic", help="Allow HTTP Basic where a service has no sessions.")]
HttpOption = Annotated[
    bool, typer.Option("--http-on-loopback", help="Allow plain http to this very machine (a tunnel, a test).")
]
OutputOption = Annotated[
    str, typer.Option("--output", "-o", metavar="FILE", help="Where to: .toml or .json (default: - is stdout, TOML).")
]
ForceOption = Annotated[bool, typer.Option("--force", "-f", help="Write over an old file.")]
ZoneOption = Annotated[str, typer.Option("--zone", metavar="ZONE", help="The site's time zone.")]
JobsOption = Annotated[int, typer.Option("--jobs", "-j", min=1, max=64, metavar="N", help="Services at once.")]
TimeOption = Annotated[str, typer.Option("--max-time", metavar="SPAN", help="Longest for one service: 10m, 90s.")]


def read(
    urls: UrlsArgument,
    site: SiteOption,
    domain: DomainOption,
    chassis: ChassisOption = None,
    slot: SlotOption = None,
    map_file: MapOption = None,
    ca: CaOption = None,
    user: UserOption = None,
    netrc_file: NetrcOption = None,
    basic: BasicOption = False,
    http_on_loopback: HttpOption = False,
    out: OutputOption = "-",
    force: ForceOption = False,
    zone: ZoneOption = "UTC",
    jobs: JobsOption = 8,
    max_time: TimeOption = "10m",
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Read management services (DMTF Redfish, over https) and write what they say as an inventory.

    Only reads. The password comes from BUNDLEKEEPER_PASSWORD, from --netrc, or from a prompt.
    """
    from bundlekeeper.formats.durations import seconds
    from bundlekeeper.links.redfish.read import read_many
    from bundlekeeper.links.redfish.types import Placement, ReadLimits
    from bundlekeeper.verification.hashing.read import Stop

    sink = ReadingSink(out, force, json)
    _check_place(site, zone)
    if slot is not None and len(urls) > 1:
        raise InputError("--slot is one server's, and there are several services", hint="read them one by one")
    entries = _entries(map_file)
    stop = Stop()
    with SIGNALS.guarded(stop):
        outcomes = read_many(
            urls,
            _who(user, netrc_file, basic=basic),
            placement=Placement(site, "" if domain == "-" else domain, chassis, slot),
            clock=now,
            workers=jobs,
            ca=ca,
            limits=ReadLimits(deadline_s=seconds(max_time)),
            entries=entries,
            stop=stop,
            http_on_loopback=http_on_loopback,
            told=(lambda _: None) if quiet else _tell,
        )
    if any(isinstance(each.error, StoppedError) for each in outcomes):
        stopped = SIGNALS.stopped()
        stopped.problems = tuple(problem for each in outcomes for problem in _problems(each))
        raise stopped
    if len(outcomes) == 1 and outcomes[0].error is not None:
        outcomes[0].error.problems = _problems(outcomes[0])
        raise outcomes[0].error
    return _finish(outcomes, entries, zone, sink)


def _problems(outcome: ReadOutcome) -> tuple[Finding, ...]:
    """What was found at one service, each with the service's name."""
    from bundlekeeper.links.redfish.read import named

    told = outcome.reading.problems if outcome.reading is not None else ()
    told = outcome.error.problems if outcome.error is not None else told
    return tuple(named(problem, outcome.service) for problem in told)


def _check_place(site: str, zone: str) -> None:
    from bundlekeeper.formats.moments import zone_of

    if not site.strip():
        raise InputError("--site is empty", hint="name the site where the parts are")
    zone_of(zone)


def _entries(file: str | None) -> tuple[MapEntry, ...]:
    if file is None:
        return ()
    from bundlekeeper.links.redfish.user_map import read_map

    return read_map(read_bounded(file, _MAP_LIMIT, "the map"), name=file)


def _tell(outcome: ReadOutcome) -> None:
    if outcome.reading is None:
        output.aside(f"{outcome.service}: not read")
    else:
        output.aside(f"{outcome.service}: {counted(len(outcome.reading.components), 'component')}")


# -- who logs in -------------------------------------------------------------------------------------------------------


def _who(user: str | None, netrc_file: Path | None, *, basic: bool) -> Who:
    """Tells the credentials for each service; a password is prompted for once."""
    from bundlekeeper.links.redfish.types import Credentials

    book = _netrc(netrc_file) if netrc_file is not None else None
    typed: list[str] = []

    def who(origin: str) -> Credentials | None:
        from bundlekeeper.links.http.client import origin_of, parse_url

        found = book.authenticators(origin_of(parse_url(origin)).host) if book is not None else None
        if found is not None and user in (None, found[0]):
            return Credentials(found[0], found[2] or "", basic)
        if user is None:
            return None
        if not typed:
            typed.append(_password())
        return Credentials(user, typed[0], basic)

    return who


def _password() -> str:
    told = os.environ.get(PASSWORD, "")
    if told:
        return told
    if not sys.stdin.isatty():
        raise InputError("there is no password", hint=f"set {PASSWORD}, name a --netrc file, or run it on a terminal")
    import getpass

    return getpass.getpass("password: ")


def _netrc(path: Path) -> netrc.netrc:
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode) or status.st_size > _NETRC_LIMIT:
            raise InputError("the netrc file is no regular file or too large", where=str(path))
        if status.st_mode & 0o077:
            raise InputError("the netrc file can be read by others", where=str(path), hint=f"chmod 600 {path}")
        return netrc.netrc(path)
    except (OSError, netrc.NetrcParseError, ValueError):
        # The parser's words can hold the file's: they are not repeated, nor kept as the cause.
        raise InputError("the netrc file cannot be read", where=str(path), hint="check its lines") from None


# -- what comes out ----------------------------------------------------------------------------------------------------


class ReadingSink:
    """Where the inventory and the report go."""

    def __init__(self, out: str, force: bool, json: bool) -> None:
        """Raises InputError where the file's name says no form, or the file is there already."""
        self.out = out
        self.force = force
        self.json = json
        if out != "-" and not out.endswith((".toml", ".json")):
            raise InputError("the inventory's file ends with neither .toml nor .json", where=out)
        if out != "-" and not force and Path(out).exists():  # told before the services are read, not after
            raise InputError("the file is there already", where=out, hint="name another, or --force")

    def write(self, inventory: Inventory, readings: Sequence[ServiceReading]) -> None:
        """Write the inventory, unless stdout is for the JSON report. Raises as `write_new`."""
        from bundlekeeper.cli.screen.user_files import INVENTORY, write_new
        from bundlekeeper.model.inventory.write_json import to_json
        from bundlekeeper.model.inventory.write_toml import to_toml

        if self.out == "-" and self.json:
            return
        text = to_json(inventory) if self.out.endswith(".json") else to_toml(inventory, _comments(readings))
        write_new(self.out, text, force=self.force, kind=INVENTORY)


def _finish(outcomes: Sequence[ReadOutcome], entries: tuple[MapEntry, ...], zone: str, sink: ReadingSink) -> int:
    from bundlekeeper.links.redfish.read import combine, unused
    from bundlekeeper.links.redfish.types import noted
    from bundlekeeper.model.inventory.types import Inventory

    readings = [each.reading for each in outcomes if each.reading is not None]
    failed = [(each.service, each.error) for each in outcomes if each.error is not None]
    components, contradictions = combine(readings)
    found = [noted("unreadable", service, error.says, error.hint) for service, error in failed]
    found += [problem for each in outcomes for problem in _problems(each)]
    found += [*contradictions, *unused(entries, readings)]
    inventory = Inventory(min((r.taken for r in readings), default=now()), zone, components)
    if components:
        sink.write(inventory, readings)
    if sink.json:
        output.envelope("inventory-read", found, _as_json(inventory, readings, failed, sink.out))
    else:
        _print(found, readings, len(components), len(failed), sink.out)
    return exit_status(found)


def _comments(readings: Sequence[ServiceReading]) -> list[str]:
    """Entries for a map, to be taken out of the comment and filled in."""
    rows = [(reading.service, each) for reading in readings for each in reading.unmapped]
    lines = [_DRAFTS] if rows else []
    for service, each in rows:
        lines += ["", f"{each.name or each.id or '?'}, version {each.version or '?'}: {each.why}", "[[map]]"]
        lines += _draft(service, each)
    return lines


def _draft(service: str, row: Unmapped) -> list[str]:
    """An entry's lines; what nothing tells is left open. An entry about a part itself wants what tells it apart."""
    from bundlekeeper.formats.toml_edit import basic_string
    from bundlekeeper.links.redfish.user_map import OPEN

    drafted = {"service": service, "odata_id": row.odata_id, "kind": row.kind or OPEN}
    if not row.is_part:
        drafted["of"] = row.of or OPEN
    elif row.kind is not None:
        drafted["serial"] = OPEN
    return [f"{key} = {basic_string(value)}" for key, value in drafted.items()]


def _total(readings: Sequence[ServiceReading]) -> dict[str, int]:
    keys = dict.fromkeys(key for reading in readings for key in reading.counts)
    return {key: sum(reading.counts.get(key, 0) for reading in readings) for key in keys}


def _as_json(
    inventory: Inventory, readings: Sequence[ServiceReading], failed: Sequence[tuple[str, Any]], out: str
) -> dict[str, Any]:
    import json

    from bundlekeeper.model.inventory.write_json import to_json

    services: list[dict[str, Any]] = [
        {
            "service": r.service,
            "complete": r.complete,
            "counts": dict(r.counts),
            "unread": r.unread,
            "unmapped": [{name: getattr(u, name) for name in u.__slots__} for u in r.unmapped],
            "evidence": [
                {"component": e.component, "resource": e.resource, "items": e.items, "additional": dict(e.additional)}
                for e in r.evidence
            ],
        }
        for r in readings
    ]
    services += [{"service": service, "complete": False, "error": error.says} for service, error in failed]
    written = json.loads(to_json(inventory))
    return {"inventory": written, "file": "" if out == "-" else out, "services": services, "counts": _total(readings)}


def _print(
    found: Sequence[Finding], readings: Sequence[ServiceReading], components: int, failed: int, out: str
) -> None:
    """The report: on stdout beside a file, else on stderr."""
    counts = _total(readings)
    cut = sum(not reading.complete for reading in readings)
    summary = (
        f"{counted(components, 'component')} of {len(readings)} services; firmware items: "
        f"{counts.get('mapped', 0)} mapped, {counts.get('unmapped', 0)} unmapped, {counts.get('skipped', 0)} skipped"
    )
    summary += f"; {failed} services not read" if failed else ""
    summary += f"; {cut} read in part" if cut else ""
    if out == "-":
        output.findings_aside(found)
        output.aside(summary)
        return
    output.findings_text(found)
    output.line(summary)
    output.aside(f"next: bundlekeeper inventory load {out}" if components else "nothing was written")


def register(group: typer.Typer) -> None:
    """Add the command to the group `inventory`."""
    group.command("read")(read)
