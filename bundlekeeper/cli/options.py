"""What the commands share: options, the clock, the store's place.

Rules: the real clock is made here and nowhere else; a flag wins over the environment, the environment over the config
file, the config file over the default.
"""

from __future__ import annotations

import os
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from bundlekeeper.jobs.session import Caller
    from bundlekeeper.model.config import UserConfig
    from bundlekeeper.model.progress import Progress


StoreOption = Annotated[
    Path | None,
    # Not `readable`: the parser would call a folder that may not be entered a wrong word (2), not an I/O failure (3).
    typer.Option(
        "--store",
        metavar="DIR",
        help="The store's folder (or BUNDLEKEEPER_STORE, or the config file).",
        show_default=False,
        readable=False,
    ),
]
DetailsOption = Annotated[bool, typer.Option("--details", help="Everything that was found, not only what decides.")]
ForceOption = Annotated[bool, typer.Option("--force", "-f", help="Replace an old file.")]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON object on stdout.")]
QuietOption = Annotated[bool, typer.Option("--quiet", "-q", help="No progress.")]
SignatureOption = Annotated[
    Path | None,
    typer.Option("--signature", metavar="FILE", help="The manifest's signature (default: MANIFEST.sig, if there)."),
]
DryRunOption = Annotated[bool, typer.Option("--dry-run", help="Report what would be done; change nothing.")]
WaitOption = Annotated[
    int, typer.Option("--wait", min=0, metavar="SECONDS", help="How long to wait for the store's lock.")
]
ExpiredOption = Annotated[
    str | None, typer.Option("--allow-expired", metavar="REASON", help="Use an expired manifest; recorded.")
]
ManifestOption = Annotated[
    str | None, typer.Option("--manifest", metavar="FILE", help="This manifest, not the one that the store admitted.")
]
InventoryOption = Annotated[
    str | None, typer.Option("--inventory", metavar="FILE", help="This inventory, not the store's ledger.")
]
ToOption = Annotated[str, typer.Option("--to", metavar="RELEASE", help="The release to be reached.")]
WindowOption = Annotated[
    str | None, typer.Option("--window", metavar="SPAN", help="No window longer than this: 4h, 4h30m, or minutes.")
]
PerClusterOption = Annotated[
    int, typer.Option("--per-cluster", min=1, metavar="N", help="Servers of one cluster at a time.")
]
ParallelOption = Annotated[
    list[str] | None,
    typer.Option(
        "--parallel",
        metavar="N",
        help="Pieces of work at a time at each site, each a server or a side of the infrastructure; SITE=N for one "
        "site. Repeatable.",
    ),
]
WindowsOption = Annotated[
    str | None, typer.Option("--windows", metavar="FILE", help="Real windows, with dates: TOML, or .ics.")
]
WithoutOption = Annotated[
    list[str] | None,
    typer.Option(
        "--without", metavar="SERVER", help="Leave this server as it is: its serial, or its place. Repeatable."
    ),
]
ReasonOption = Annotated[
    list[str] | None,
    typer.Option("--reason", metavar="TEXT", help="Why it is left out: one for all, or one for each. Repeatable."),
]
VolumeOption = Annotated[
    list[str] | None,
    typer.Option("--volume", metavar="KIND", help="16GB:fat32, 2x64GB:exfat, dvd, bd-25, 20GiB:folder … Repeatable."),
]
SpareOption = Annotated[str, typer.Option("--spare", metavar="SHARE", help="Leave this much of each volume free.")]
PassphraseOption = Annotated[
    int | None, typer.Option("--passphrase-fd", min=0, metavar="N", help="Read the passphrase from this descriptor.")
]
JobsOption = Annotated[
    int | None, typer.Option("--jobs", "-j", min=1, max=64, metavar="N", help="Files at once (default: all cores).")
]
ReportedByOption = Annotated[
    str | None, typer.Option("--reported-by", metavar="NAME", help="Who reports it (default: you).")
]
Several = list[str] | None  # of an option that may be repeated: one of its values suffices
SiteOption = Annotated[Several, typer.Option("--site", metavar="NAME", help="Only at this site; repeatable.")]
DomainOption = Annotated[Several, typer.Option("--domain", metavar="NAME", help="Only in this domain; repeatable.")]
ChassisOption = Annotated[Several, typer.Option("--chassis", metavar="NAME", help="Only in this chassis; repeatable.")]
SlotOption = Annotated[Several, typer.Option("--slot", metavar="N", help="Only in this slot; repeatable.")]
KindOption = Annotated[
    Several, typer.Option("--kind", metavar="KIND", help="Only components of this kind; repeatable.")
]
ModelOption = Annotated[
    Several, typer.Option("--model", metavar="MODEL", help="Only components of this model; repeatable.")
]


def now() -> datetime:
    """The time, aware, in UTC."""
    return datetime.now(UTC)


def today() -> date:
    """Today's date in this machine's time zone."""
    return datetime.now().astimezone().date()


@cache
def user_config() -> UserConfig:
    """The user's own defaults. Raises InputError, RefusedError, UnfinishedError for a config file that is wrong."""
    from bundlekeeper.jobs import config

    return config.user_config(os.environ)


def store_root(option: Path | None) -> Path:
    """The store's folder: the flag, else BUNDLEKEEPER_STORE, else the config file's, else the user's data folder.

    Raises as `user_config`, where that is asked.
    """
    if option is not None:
        return option
    from_environment = os.environ.get("BUNDLEKEEPER_STORE", "")
    if from_environment:
        return Path(from_environment)
    if user_config().store:
        return Path(user_config().store).expanduser()
    return default_store()


def default_store() -> Path:
    """The store's folder where nothing names one: in the user's data folder."""
    import platformdirs

    return Path(platformdirs.user_data_dir("bundlekeeper", appauthor=False)) / "store"


def login_name() -> str:
    """The name of who runs this; empty for a process without a user name, as in some containers."""
    from contextlib import suppress

    from bundlekeeper.errors import InputError
    from bundlekeeper.jobs.recording.who import reporter

    with suppress(InputError):
        return reporter(None)
    return ""


def progress_for(quiet: bool) -> Progress:
    """The progress reporter that fits stderr: a bar on a terminal, plain lines elsewhere, none when quiet."""
    from bundlekeeper.cli.screen.progress import make

    return make(quiet)


def caller(*, quiet: bool = True) -> Caller:
    """Who runs a job: this machine's clock, stderr for notes and, unless `quiet`, for progress."""
    from bundlekeeper.cli.screen import output
    from bundlekeeper.cli.screen.usage.ledger_at import ledger_at
    from bundlekeeper.jobs.session import Caller

    return Caller(now, today, output.aside, progress_for(quiet), user_config, ledger_at())
