"""`bundlekeeper verify`: verify the store, or any folder, against a manifest."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    JobsOption,
    JsonOption,
    QuietOption,
    SignatureOption,
    StoreOption,
    caller,
    now,
    store_root,
)
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import InputError, worst_exit
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import shell_word

ManifestArgument = Annotated[
    str | None,
    typer.Argument(metavar="[MANIFEST]", help="Default: the manifests that the store admitted. - is stdin."),
]
AtOption = Annotated[
    Path | None, typer.Option("--at", metavar="DIR", help="Verify this folder, not the store.", readable=False)
]
QuickOption = Annotated[
    bool, typer.Option("--quick", help="Trust files unchanged since they were last read in full; print how many.")
]
OlderThanOption = Annotated[
    str | None, typer.Option("--older-than", metavar="SPAN", help="Only what was not verified for so long: 30d, 12h.")
]
MaxTimeOption = Annotated[
    str | None,
    typer.Option("--max-time", metavar="SPAN", help="Begin no file after so long: 10m. Oldest verification first."),
]
JunitOption = Annotated[
    str | None, typer.Option("--junit", metavar="FILE", help="Also write JUnit XML to this file (- is stdout).")
]


def verify(
    manifest: ManifestArgument = None,
    at: AtOption = None,
    quick: QuickOption = False,
    older_than: OlderThanOption = None,
    max_time: MaxTimeOption = None,
    junit: JunitOption = None,
    signature: SignatureOption = None,
    jobs: JobsOption = None,
    store: StoreOption = None,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Verify the store, or any folder, against a manifest: every byte is read, unless an option limits it.

    When you interrupt it, what was verified stays verified; --older-than goes on from there.
    """
    if json and junit == "-":
        raise InputError("--json and --junit - would mix two documents on stdout", hint="--junit FILE writes to a file")
    from bundlekeeper.cli.screen.answers import verify_store as screen
    from bundlekeeper.formats.durations import seconds
    from bundlekeeper.jobs.manifest_signature import given_manifest
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.store.verify import VerifyOptions, verify_store
    from bundlekeeper.model.stop import Stop

    options = VerifyOptions(
        at,
        quick=quick,
        older_than_s=seconds(older_than) if older_than else None,
        max_time_s=seconds(max_time) if max_time else None,
        workers=jobs,
    )
    if manifest is not None and Path(manifest).is_dir():
        hint = f"to verify a folder: bundlekeeper verify MANIFEST --at {shell_word(manifest)}"
        raise InputError("a folder is in the manifest's place", where=manifest, hint=hint)
    given = given_manifest(manifest, signature) if manifest is not None else None
    stop = Stop()
    with SIGNALS.guarded(stop), Session(store_root(store), caller(quiet=quiet)) as session:
        found = verify_store(session, given, options, stop)
    if junit is not None:
        screen.write_junit(found, junit, now())
    if json:
        screen.show_json(found)
    elif junit != "-":
        screen.show_text(found)
    return worst_exit(
        [
            exit_status(found.findings),
            SIGNALS.stopped().exit_code if found.result.stopped else 0,
            found.result.trouble.exit_code if found.result.trouble is not None else 0,
        ]
    )


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("verify")(verify)
