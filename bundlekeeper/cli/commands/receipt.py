"""`bundlekeeper receipt`: what the receiving site sends back, as a signed file or printed; and reading it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bundlekeeper.cli.options import JsonOption, PassphraseOption, ReportedByOption, StoreOption, caller, store_root
from bundlekeeper.cli.screen.forms import OutputForm, form_of
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import visible

if TYPE_CHECKING:
    from bundlekeeper.jobs.session import Session

app = typer.Typer(help="Receipts: what arrived of a media set, and what was done since.", rich_markup_mode=None)


@app.command("write")
def write(
    out: Annotated[
        str, typer.Option("--out", "-o", metavar="FILE", help="Write the receipt (with --printed: an HTML page) here.")
    ] = "",
    key: Annotated[
        Path | None, typer.Option("--key", metavar="FILE", help="Private key to sign with; --printed needs Ed25519.")
    ] = None,
    set_id: Annotated[
        str, typer.Option("--set", metavar="ID", help="Which set (default: the last one received).")
    ] = "",
    site: Annotated[str, typer.Option("--site", metavar="NAME", help="The site that the receipt is from.")] = "",
    reported_by: ReportedByOption = None,
    after: Annotated[
        int | None,
        typer.Option("--after", min=0, metavar="N", help="Only events after number N (default: all of them)."),
    ] = None,
    printed: Annotated[bool, typer.Option("--printed", help="A short code to print, type or scan.")] = False,
    passphrase_fd: PassphraseOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Write what arrived of a set and what was done since.

    The file is signed and carries the ledger's events. The printed page carries counts, and is signed with --key.
    """
    from bundlekeeper.cli.screen.media import receipt as screen
    from bundlekeeper.cli.screen.passphrase import passphrase_from
    from bundlekeeper.jobs.media.receipt import ReceiptRequest, make_printed, write_receipt
    from bundlekeeper.jobs.session import Session

    if printed:
        _leave_out({"--after": after}, "to a receipt's file; a printed one carries no events")
    if key is None:
        _leave_out({"--passphrase-fd": passphrase_fd}, "to --key")
    _insist_on_names({"--site": site, "--reported-by": reported_by})
    request = ReceiptRequest(out, key, set_id, site, reported_by, after or 0)
    with Session(store_root(store), caller(), write=True) as session:
        if printed:
            slip = make_printed(session, request, passphrase_from(passphrase_fd))
            return screen.show_printed(slip, out, form=form_of(json=json))
        made = write_receipt(session, request, passphrase_from(passphrase_fd))
    return screen.show_written(out, made, form=form_of(json=json))


@app.command("read")
def read(
    file: Annotated[str, typer.Argument(metavar="FILE", help="The receipt's file; - is a typed code.")],
    signature: Annotated[
        Path | None, typer.Option("--signature", metavar="FILE", help="Its signature (default: FILE.sig).")
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Read a receipt that another site wrote, and merge what it reports."""
    if file == "-":
        _leave_out({"--signature": signature}, "to a receipt's file; a typed code holds its signature")
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller(), write=True) as session:
        return _read(session, file, signature, form=form_of(json=json))


def _read(session: Session, name: str, signature: Path | None, *, form: OutputForm) -> int:
    from bundlekeeper.cli.screen.media import receipt as screen
    from bundlekeeper.jobs.media.receipt import read_printed, read_receipt

    if name == "-":
        typed = read_printed(session)
        screen.show_typed(typed, form=form)
        return exit_status(typed.findings)
    found = read_receipt(session, Path(name), signature)
    screen.show_read(found, form=form)
    return exit_status(found.answer.findings)


def _leave_out(options: Mapping[str, object], reason: str) -> None:
    """Raise InputError naming those of the options that are given, where they would be ignored."""
    given = [name for name, value in options.items() if value is not None and value != ""]
    if given:
        names = " and ".join(given)
        message = f"{names} {'belongs' if len(given) == 1 else 'belong'} {reason}"
        raise InputError(message, hint=f"leave out {names}")


def _insist_on_names(options: Mapping[str, str | None]) -> None:
    """Raise InputError for a word that would not be one line of text on printed."""
    for name, value in options.items():
        if value and visible(value) != value:
            raise InputError(f"{name} {visible(value)}: a name is one line of plain text", hint="type it again")


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="receipt")
