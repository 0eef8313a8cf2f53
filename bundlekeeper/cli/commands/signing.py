"""`bundlekeeper manifest sign`: a detached SSHSIG signature beside a document of ours.

Rules: an existing signature is replaced only with --force.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import JsonOption
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.cli.screen.passphrase import passphrase_from as passphrase_from


def sign(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The manifest (or, with --for bundles, a bundle).")],
    key: Annotated[Path, typer.Option("--key", metavar="FILE", help="Private key: OpenSSH or PKCS #8, mode 0600.")],
    purpose: Annotated[
        str, typer.Option("--for", metavar="PURPOSE", help="What is signed: manifests or bundles.")
    ] = "manifests",
    passphrase_fd: Annotated[
        int | None,
        typer.Option("--passphrase-fd", min=0, metavar="N", help="Read the passphrase from this descriptor."),
    ] = None,
    out: Annotated[
        str,
        typer.Option("--output", "-o", metavar="FILE", help="The signature's file (default: FILE.sig; - is stdout)."),
    ] = "",
    force: Annotated[bool, typer.Option("--force", "-f", help="Replace an existing signature.")] = False,
    json: JsonOption = False,
) -> int:
    """Sign a manifest: SSHSIG, in a namespace of its own, so that it serves for nothing else.

    Nothing but ssh-keygen is needed to verify it; the line for that is printed.
    """
    from bundlekeeper.cli.screen.answers import sign as screen
    from bundlekeeper.cli.screen.user_files import write_new
    from bundlekeeper.jobs.sign import sign as sign_file

    signed = sign_file(file, key, purpose, passphrase_from(passphrase_fd))
    written = write_new(out or f"{file}.sig", signed.signature, force=force)
    if written:
        screen.show(signed, written, form=form_of(json=json))
    return 0
