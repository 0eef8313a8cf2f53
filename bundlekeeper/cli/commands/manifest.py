"""`bundlekeeper manifest`: draft, lint, show, compare, confirm and sign a manifest; print its JSON Schema.

Rules: a file is written whole or not at all (temporary file beside it, fsync, rename); an existing file is replaced
only where the user named it for that; `-` is stdin or stdout.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import (
    InventoryOption,
    JsonOption,
    QuietOption,
    SignatureOption,
    StoreOption,
    caller,
    store_root,
    today,
)
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.cli.screen.signals import SIGNALS
from bundlekeeper.errors import InputError, worst_exit
from bundlekeeper.findings import exit_status

app = typer.Typer(
    help="Draft, lint, show, compare, confirm and sign a manifest; print its JSON Schema.",
    rich_markup_mode=None,
)

ManifestArgument = Annotated[str, typer.Argument(metavar="MANIFEST", help="The manifest's file, or - for stdin.")]
OutputOption = Annotated[
    str, typer.Option("--output", "-o", metavar="FILE", help="Write to this new file instead of stdout.")
]
ForceOption = Annotated[bool, typer.Option("--force", "-f", help="Let --output replace an existing file.")]


@app.command()
def draft(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="Bundle files, folders of them, or checksum lists as published."),
    ],
    platform: Annotated[
        str | None, typer.Option("--platform", metavar="NAME", help="The platform's name: lower case, digits, hyphens.")
    ] = None,
    into: Annotated[
        str | None,
        typer.Option(
            "--into", metavar="MANIFEST", help="Fill digests and sizes into this manifest; keep its comments."
        ),
    ] = None,
    out: OutputOption = "-",
    force: ForceOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> int:
    """Draft a first manifest from your files and the publisher's checksum list; then review it and lint it.

    Name both: the list gives the digests, the files are compared with it and give the sizes. Without a list the digests
    are marked "own copy", until `manifest confirm` has compared them with the publisher's list.
    """
    from bundlekeeper.cli.screen.answers import manifest as screen
    from bundlekeeper.jobs import draft as drafting
    from bundlekeeper.model.stop import Stop

    stop = Stop()
    if into is not None:
        if out != "-" or platform is not None:
            message = "--into changes that manifest in place: --output and --platform say nothing then"
            raise InputError(message, hint="leave them out")
        with SIGNALS.guarded(stop):
            amended = drafting.draft_into(into, files, caller(quiet=quiet), stop)
        return exit_status(screen.write_amended("manifest-draft", amended, form=form_of(json=json)))
    with SIGNALS.guarded(stop):
        drafted = drafting.draft(files, platform, caller(quiet=quiet), stop)
    screen.write_draft(drafted, out, force=force, form=form_of(json=json))
    return exit_status(drafted.findings)


@app.command()
def lint(
    manifests: Annotated[list[str], typer.Argument(metavar="MANIFEST...", help="Manifests, or - for stdin.")],
    json: JsonOption = False,
) -> int:
    """Report everything that is wrong with a manifest at once, each with its place and what to do."""
    from bundlekeeper.cli.screen.answers import manifest as screen
    from bundlekeeper.jobs.manifest import lint as lint_all

    linted = lint_all(manifests, today())
    screen.show_linted(linted, form=form_of(json=json))
    return worst_exit(manifest.status for manifest in linted)


@app.command()
def confirm(
    manifest: Annotated[str, typer.Argument(metavar="MANIFEST", help="The manifest's file; it is changed in place.")],
    against: Annotated[
        str,
        typer.Option(
            "--against", metavar="LIST", help="The publisher's own checksum list, from another place than the files."
        ),
    ],
    source: Annotated[
        str | None, typer.Option("--source", metavar="TEXT", help="Where the list comes from; kept in digest_from.")
    ] = None,
    json: JsonOption = False,
) -> int:
    """Compare a manifest's digests with the publisher's own list; those that agree lose the mark "own copy".

    The list must not come from the same place as the files: who can change both can make them agree.
    If something was confirmed, the manifest is a new issue, and its sequence goes up by one.
    """
    from bundlekeeper.cli.screen.answers import manifest as screen
    from bundlekeeper.jobs.manifest import confirm as compare

    amended = compare(manifest, against, source, today())
    return exit_status(screen.write_amended("manifest-confirm", amended, form=form_of(json=json)))


@app.command()
def show(
    manifest: ManifestArgument,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Show what is in a manifest: bundles by family, releases, rules with their sources; and who signed it."""
    from bundlekeeper.cli.screen.answers import manifest as screen
    from bundlekeeper.jobs.manifest import show as look
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller()) as session:
        found = look(session, manifest, signature)
    if json:
        screen.show_json(found)
    else:
        screen.show_text(found)
    return exit_status(found.findings)


@app.command()
def diff(
    old: Annotated[str, typer.Argument(metavar="OLD", help="The older manifest.")],
    new: Annotated[str, typer.Argument(metavar="NEW", help="The newer one.")],
    inventory: InventoryOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Compare two manifests: bundles, lifecycles, releases, rules; and the domains that each change touches.

    A bundle that is withdrawn or removed and runs somewhere is a warning; a difference alone is not.
    """
    from bundlekeeper.cli.screen.answers import manifest as screen
    from bundlekeeper.jobs.planning.manifest_diff import manifest_diff
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller()) as session:
        found = manifest_diff(session, old, new, inventory)
    screen.show_diff(found, form=form_of(json=json))
    return exit_status(found.findings)


@app.command()
def schema(out: OutputOption = "-", force: ForceOption = False) -> int:
    """Print the manifest's JSON Schema, for editors; a draft's first line names the file to save it in."""
    from bundlekeeper.cli.screen import output
    from bundlekeeper.cli.screen.user_files import SCHEMA, write_new
    from bundlekeeper.jobs.manifest import schema as make

    written = write_new(out, make(), force=force, kind=SCHEMA)
    if written:
        output.aside(f"written: {written}")
    return 0


@app.command()
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
    """Sign a manifest: SSHSIG, in a namespace of its own, so that it is good for nothing else.

    ssh-keygen alone can verify it; the command is printed.
    """
    from bundlekeeper.cli.screen.answers import sign as screen
    from bundlekeeper.cli.screen.passphrase import passphrase_from
    from bundlekeeper.cli.screen.user_files import write_new
    from bundlekeeper.jobs.sign import sign as sign_file

    signed = sign_file(file, key, purpose, passphrase_from(passphrase_fd))
    written = write_new(out or f"{file}.sig", signed.signature, force=force)
    if written:
        screen.show(signed, written, form=form_of(json=json))
    return 0


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="manifest")
