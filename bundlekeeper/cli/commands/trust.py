"""`bundlekeeper trust`: the keys and certificates that signatures are checked with."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import JsonOption, StoreOption, caller, store_root
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import InputError, worst_exit
from bundlekeeper.findings import exit_status

app = typer.Typer(help="Keys and certificates that signatures are checked with.", rich_markup_mode=None)

FilesOption = list[Path] | None


@app.command()
def add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The entry's name, which manifests use.")],
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Public key or certificate: PEM, DER, OpenSSH, minisign.")
    ],
    form: Annotated[str, typer.Option("--form", metavar="FORM", help="The one form of signature that it may verify.")],
    purpose: Annotated[
        list[str], typer.Option("--for", metavar="PURPOSE", help="bundles, manifests, indexes or receipts; repeatable.")
    ],
    valid_from: Annotated[str | None, typer.Option("--from", metavar="DATE", help="Valid from this day on.")] = None,
    valid_until: Annotated[str | None, typer.Option("--until", metavar="DATE", help="Valid up to this day.")] = None,
    namespace: Annotated[
        str, typer.Option("--namespace", metavar="TEXT", help="The publisher's own SSHSIG namespace, for bundles.")
    ] = "",
    root: Annotated[
        FilesOption, typer.Option("--root", metavar="FILE", help="Root certificate of the chain; repeatable.")
    ] = None,
    intermediate: Annotated[
        FilesOption, typer.Option("--intermediate", metavar="FILE", help="Intermediate certificate; repeatable.")
    ] = None,
    crl: Annotated[
        FilesOption, typer.Option("--crl", metavar="FILE", help="Revocation list, PEM or DER; repeatable.")
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Trust a key or certificate, for one form of signature and for named kinds of document only.

    Compare the fingerprint that is printed with one that reached you by another way than the file.
    """
    from bundlekeeper.cli.screen.answers import trust as screen
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.trust import TrustOptions, add_key

    options = TrustOptions(
        name,
        file,
        form,
        tuple(purpose),
        valid_from=_day(valid_from, "--from"),
        valid_until=_day(valid_until, "--until"),
        namespace=namespace,
        roots=tuple(root or ()),
        intermediates=tuple(intermediate or ()),
        crls=tuple(crl or ()),
    )
    with Session(store_root(store), caller(), write=True) as session:
        found = add_key(session, options)
    screen.show_added(found, form=form_of(json=json))
    return exit_status(found.findings)


def _day(text: str | None, option: str) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"{option}: not a day: {text}", hint="write it as YYYY-MM-DD") from error


@app.command("list")
def list_entries(store: StoreOption = None, json: JsonOption = False) -> int:
    """List every trusted key, and every removed one, with its fingerprint as OpenSSH prints it."""
    from bundlekeeper.cli.screen.answers import trust as screen
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.trust import list_keys

    with Session(store_root(store), caller()) as session:
        found = list_keys(session)
    screen.show_list(found, form=form_of(json=json))
    return worst_exit(error.exit_code for error in found.broken)


@app.command("remove")
def remove(
    key: Annotated[
        str, typer.Argument(metavar="NAME|FINGERPRINT", help="The name of an entry of the key, or SHA256:…")
    ],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="The reason; every later finding quotes it.")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Trust a key no longer, under any name. It stays listed; what it signed is reported as removed-key from now on."""
    from bundlekeeper.cli.screen.answers import trust as screen
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.trust import remove_key

    with Session(store_root(store), caller(), write=True) as session:
        found = remove_key(session, key, reason)
    screen.show_removed(found, form=form_of(json=json))
    return 0


@app.command()
def crl(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The entry's name.")],
    lists: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Revocation lists, PEM or DER.")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Give an entry newer revocation lists: each replaces the older one of the same issuer."""
    from bundlekeeper.cli.screen.answers import trust as screen
    from bundlekeeper.jobs.session import Session
    from bundlekeeper.jobs.trust import renew_revocations

    with Session(store_root(store), caller(), write=True) as session:
        found = renew_revocations(session, name, lists)
    screen.show_renewed(found, form=form_of(json=json))
    return 0


def register(root_app: typer.Typer) -> None:
    """Add the command group."""
    root_app.add_typer(app, name="trust")
