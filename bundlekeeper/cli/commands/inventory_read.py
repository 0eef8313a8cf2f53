"""`bundlekeeper inventory read`: what management services (DMTF Redfish) report, as an inventory file.

Rules: a password comes from a prompt, a netrc file or the environment, never from the command line, and is never
printed; where several services are read, one that fails does not stop the others; stdout holds the inventory or,
with a file named, the report.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import ForceOption, JsonOption, QuietOption, caller
from bundlekeeper.cli.screen.answers.inventory import ReadingSink
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status
from bundlekeeper.model.stop import Stop

PASSWORD = "BUNDLEKEEPER_PASSWORD"  # noqa: S105  (the variable's name)

UrlsArgument = Annotated[list[str], typer.Argument(metavar="URL...", help="Services: https://host[:port].")]
SiteOption = Annotated[str, typer.Option("--site", metavar="SITE", help="The site where the components are.")]
DomainOption = Annotated[str, typer.Option("--domain", metavar="DOMAIN", help="Their domain; - for none.")]
ChassisOption = Annotated[
    str | None, typer.Option("--chassis", metavar="NAME", help="Their chassis (default: as the service calls it).")
]
SlotOption = Annotated[
    str | None, typer.Option("--slot", metavar="SLOT", help="Their slot (default: as the service numbers it).")
]
MapOption = Annotated[
    str | None, typer.Option("--map", metavar="FILE", help="TOML with [[map]] entries that state what items are.")
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
ZoneOption = Annotated[
    str | None,
    typer.Option("--zone", metavar="ZONE", help="The site's time zone (default: the config file's, or UTC)."),
]
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
    zone: ZoneOption = None,
    jobs: JobsOption = 8,
    max_time: TimeOption = "10m",
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Read management services (DMTF Redfish, over https) and write what they report as an inventory.

    It only reads. The password comes from BUNDLEKEEPER_PASSWORD, from --netrc, or from a prompt.
    """
    from bundlekeeper.jobs.recording import inventory_read as job

    sink = ReadingSink(out, force, form_of(json=json))
    log_in = job.LogIn(user, netrc_file, basic, password)
    options = job.ReadOptions(site, domain, chassis, slot, log_in, map_file, ca, http_on_loopback, zone, jobs, max_time)
    stop = Stop()
    with SIGNALS.guarded(stop):
        found = job.read(caller(), urls, options, stop=stop, quiet=quiet)
    sink.show(found)
    return exit_status(found.findings)


def password() -> str:
    """From the environment, else from a prompt. Raises InputError where there is neither."""
    given = os.environ.get(PASSWORD, "")
    if given:
        return given
    if not sys.stdin.isatty():
        raise InputError("there is no password", hint=f"set {PASSWORD}, name a --netrc file, or run it on a terminal")
    import getpass

    return getpass.getpass("password: ")


def register(group: typer.Typer) -> None:
    """Add the command to the group `inventory`."""
    group.command("read")(read)
