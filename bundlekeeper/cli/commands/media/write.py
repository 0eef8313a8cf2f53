"""`bundlekeeper media write`: a packed set onto volumes, verified from the medium; images, labels, the tool."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    DryRunOption,
    InventoryOption,
    JsonOption,
    ManifestOption,
    PassphraseOption,
    QuietOption,
    SignatureOption,
    SpareOption,
    StoreOption,
    VolumeOption,
    caller,
    store_root,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import InputError

TargetOption = Annotated[
    list[str] | None,
    typer.Option(
        "--to", metavar="[N=]DIR", help="A folder to write to. Repeatable for copies; N=DIR for volume N alone."
    ),
]
KeyOption = Annotated[
    Path | None, typer.Option("--key", metavar="FILE", help="Private key that signs the set's index.")
]
ImageOption = Annotated[
    Path | None, typer.Option("--iso", metavar="FILE", help="Make disc images; several are named FILE-NofM.")
]
MountOption = Annotated[
    bool | None,
    typer.Option("--must-be-mount/--no-must-be-mount", help="Only on a mounted medium / also into a plain folder."),
]
VolumeIdOption = Annotated[
    list[str] | None,
    typer.Option("--volume-id", metavar="ID", help="The medium's UUID or label must be this; repeatable."),
]


def write(
    packing: Annotated[
        str | None, typer.Argument(metavar="[PACKING]", help="The packing file that media pack --out wrote.")
    ] = None,
    to: TargetOption = None,
    only: Annotated[list[int] | None, typer.Option("--only", metavar="N", help="Only volume N. Repeatable.")] = None,
    key: KeyOption = None,
    passphrase_fd: PassphraseOption = None,
    also: Annotated[str, typer.Option("--also", metavar="sha512", help="A second list of checksums.")] = "",
    with_tool: Annotated[bool, typer.Option("--with-tool", help="Carry bundlekeeper itself, as wheels.")] = False,
    iso: ImageOption = None,
    label: Annotated[str, typer.Option("--label", metavar="FILE", help="Write a page of labels (HTML).")] = "",
    notice: Annotated[bool, typer.Option("--notice", help="A set of withdrawals alone, in place of PACKING.")] = False,
    plan: Annotated[
        str | None, typer.Option("--plan", metavar="PLAN", help="A kept plan and its run-book, too.")
    ] = None,
    must_be_mount: MountOption = None,
    volume_id: VolumeIdOption = None,
    name: Annotated[str, typer.Option("--for", metavar="NAME", help="In place of PACKING: as for media pack.")] = "",
    release: Annotated[str, typer.Option("--release", metavar="RELEASE", help="As media pack's --to.")] = "",
    volume: VolumeOption = None,
    spare: SpareOption = "0%",
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    signature: SignatureOption = None,
    dry_run: DryRunOption = False,
    store: StoreOption = None,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Write a packed set: each bundle is read once for all targets, and each volume is verified from its medium.

    After an interruption, run the same command again: what is whole on a volume is not written again.
    """
    from functools import partial

    from bundlekeeper.cli.screen.media import written as screen
    from bundlekeeper.cli.screen.passphrase import passphrase_from
    from bundlekeeper.cli.screen.user_files import write_new
    from bundlekeeper.jobs.media.pack import MediaQuestion
    from bundlekeeper.jobs.media.write import WriteRequest, dry_run_write, make_ready, write_media
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.model.stop import Stop

    files = InputFiles(manifest, inventory, signature)
    ask = MediaQuestion(name, release, tuple(volume or ()), spare, with_tool, files)
    volumes = tuple(only or ()), must_be_mount, tuple(volume_id or ())
    request = WriteRequest(packing, notice, ask, tuple(to or ()), *volumes, also, with_tool, iso, label, key, plan)
    stop = Stop()
    with Session(store_root(store), caller(quiet=quiet), write=not dry_run) as session:
        if dry_run:
            return screen.show_dry_run(dry_run_write(session, request), form=form_of(json=json))
        if json and label == "-":
            message = "--json and --label - would put two documents on stdout"
            raise InputError(message, hint="--label FILE writes to a file")
        ready = make_ready(session, request, passphrase_from(passphrase_fd))
        with SIGNALS.guarded(stop):  # not before: a signal while a passphrase is asked for ends the command at once
            report = write_media(session, ready, partial(write_new, force=True), stop)
    return screen.show(report, form=form_of(json=json))
