"""The options of an upload, which `stage` and `plan record` share.

Rules: nothing is sent without --upload, and an option that only an upload has is refused without it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.commands.inventory_read import password
from bundlekeeper.errors import InputError, RefusedError

if TYPE_CHECKING:
    from bundlekeeper.jobs.upload.asked import Agree, UploadOptions

UploadOption = Annotated[
    bool, typer.Option("--upload", help="Bring the bundle's file over Redfish now; record what was read back.")
]
ServiceOption = Annotated[
    list[str] | None, typer.Option("--service", metavar="URL", help="With --upload: https://host[:port]; repeatable.")
]
ActivateOption = Annotated[
    str | None,
    typer.Option("--activate", metavar="WHEN", help="With --upload: start it too: immediate, on-reset, …; asks first."),
]
ConfirmOption = Annotated[
    str | None, typer.Option("--confirm", metavar="NAME", help="Agree to --activate without being asked: the target.")
]
ImageOption = Annotated[
    str | None, typer.Option("--image-uri", metavar="URL", help="Where the service may fetch the file itself.")
]
ParallelServices = Annotated[
    int, typer.Option("--parallel", min=1, max=64, metavar="N", help="Services that are sent to at once.")
]
TaskTimeOption = Annotated[str, typer.Option("--max-time", metavar="SPAN", help="Longest for one task: 1h, 90m.")]

_DEFAULTS: Mapping[str, Any] = {"parallel": 1, "per_cluster": 1, "max_time": "1h"}


def insist_on_upload(given: Mapping[str, Any]) -> None:
    """Refuse options that only an upload has; `given` are they by their name. Raises InputError."""
    wrong = [name for name, value in given.items() if value not in (None, False, [], "", _DEFAULTS.get(name))]
    if wrong:
        names = ", ".join(f"--{name.replace('_', '-')}" for name in wrong)
        raise InputError(
            f"without --upload there is no {names}", hint="--upload brings the file; without it, stage records"
        )


def insist_on_none(given: Mapping[str, Any], reason: str, what: str = "an upload") -> None:
    """Refuse options that an upload, or another act, cannot have, by their name. Raises InputError."""
    wrong = [name for name, value in given.items() if value not in (None, False, [], "", "none")]
    if wrong:
        raise InputError(f"{what} has no {', '.join(f'--{name}' for name in wrong)}: {reason}", hint="leave it out")


def agreeing(confirm: str | None, typed: Agree) -> Agree:
    """How an activation is agreed to: by --confirm, else by what is typed. A wrong --confirm raises RefusedError."""
    if confirm is None:
        return typed

    def agree(name: str, down: Sequence[str]) -> bool:
        if name != confirm:
            raise RefusedError(f"--confirm names {confirm}, not {name}", hint=f"--confirm {name} agrees to it")
        return True

    return agree


def upload_options(given: Mapping[str, Any], *, dry_run: bool) -> UploadOptions:
    """The options as the job has them; `given` are they by their name."""
    from bundlekeeper.jobs.recording.inventory_read import LogIn
    from bundlekeeper.jobs.upload.asked import UploadOptions

    log_in = LogIn(given["user"], given["netrc"], given["basic"], password)
    return UploadOptions(
        tuple(given["service"] or ()), log_in, given["ca"], given["map"], given["http_on_loopback"],
        given["activate"] or "", given["image_uri"], given["parallel"], given["per_cluster"], given["max_time"],
        dry_run,
    )  # fmt: skip
