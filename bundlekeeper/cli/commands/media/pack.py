"""`bundlekeeper media pack`: what a set must hold, what it lacks, and what goes on which volume."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    DetailsOption,
    InventoryOption,
    JsonOption,
    ManifestOption,
    SignatureOption,
    SpareOption,
    StoreOption,
    VolumeOption,
    caller,
    store_root,
)
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status

ForOption = Annotated[str, typer.Option("--for", metavar="NAME", help="A domain, a site, or a whole release.")]
ReleaseOption = Annotated[
    str, typer.Option("--to", metavar="RELEASE", help="The release to reach (default: the newest).")
]
ToolOption = Annotated[bool, typer.Option("--with-tool", help="Keep space for the tool's own folder on each volume.")]


def pack(
    name: ForOption = "",
    to: ReleaseOption = "",
    volume: VolumeOption = None,
    spare: SpareOption = "0%",
    with_tool: ToolOption = False,
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    out: Annotated[str | None, typer.Option("--out", "-o", metavar="FILE", help="Write the packing file here.")] = None,
    force: Annotated[bool, typer.Option("--force", "-f", help="Replace an older packing file.")] = False,
    signature: SignatureOption = None,
    store: StoreOption = None,
    details: DetailsOption = False,
    json: JsonOption = False,
) -> int:
    """Show what a set lacks, then what goes on which volume: fewest volumes, then fewest split files."""
    from bundlekeeper.cli.screen.media import pack as screen
    from bundlekeeper.jobs.media.pack import MediaQuestion, make_packing
    from bundlekeeper.jobs.planning.inputs import InputFiles
    from bundlekeeper.jobs.session import Session

    files = InputFiles(manifest, inventory, signature)
    ask = MediaQuestion(name, to, tuple(volume or ()), spare, with_tool, files)
    if json and out == "-":
        raise InputError("--json and --out - would put two documents on stdout", hint="--out FILE writes to a file")
    with Session(store_root(store), caller()) as session:
        answer = make_packing(session, ask, over=out if force else None)
    written = screen.write_packing(answer, out, force=force)
    if json:
        screen.show_json(answer, written)
    elif out != "-":
        screen.show_text(answer, written, whole=details)
    return exit_status(answer.findings)
