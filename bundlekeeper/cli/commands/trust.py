"""`bundlekeeper trust`: the keys and certificates that signatures are held against.

Rules: the list is the store's, kept under its lock; a key is never taken from a medium or a manifest, only from a file
that the user names; no key is removed: a dropped one stays listed, so that its signatures are told from a stranger's.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.options import JsonOption, StoreOption, now, store_root, today
from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError, worst_exit
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.open import opened_store

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bundlekeeper.findings import Finding
    from bundlekeeper.model.trust import TrustEntry

app = typer.Typer(help="Keys and certificates that signatures are held against.", rich_markup_mode=None)

_KEY_LIMIT = 64 * 1024  # bytes; proof.keys refuses more as well
_CERTIFICATES_LIMIT = 1024 * 1024  # proof.certificates does
_CRL_LIMIT = 8 * 1024 * 1024  # proof.revocation does
_WAIT_S = 60.0

FilesOption = list[Path] | None


@app.command()
def add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The entry's name, which manifests use.")],
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Public key or certificate: PEM, DER, OpenSSH, minisign.")
    ],
    form: Annotated[str, typer.Option("--form", metavar="FORM", help="The one form of signature that it is good for.")],
    purpose: Annotated[
        list[str], typer.Option("--for", metavar="PURPOSE", help="bundles, manifests, indexes or receipts; repeatable.")
    ],
    valid_from: Annotated[str | None, typer.Option("--from", metavar="DATE", help="Good from this day on.")] = None,
    valid_until: Annotated[str | None, typer.Option("--until", metavar="DATE", help="Good up to this day.")] = None,
    namespace: Annotated[
        str, typer.Option("--namespace", metavar="TEXT", help="The publisher's own SSHSIG namespace, for bundles.")
    ] = "",
    root: Annotated[FilesOption, typer.Option("--root", metavar="FILE", help="Root certificate of the chain.")] = None,
    intermediate: Annotated[
        FilesOption, typer.Option("--intermediate", metavar="FILE", help="Intermediate certificate.")
    ] = None,
    crl: Annotated[FilesOption, typer.Option("--crl", metavar="FILE", help="Revocation list, PEM or DER.")] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Trust a key or certificate, for one form of signature and for named kinds of document only.

    Compare the fingerprint that is printed with one that reached you by another way than the file.
    """
    from bundlekeeper.store.disk import lock
    from bundlekeeper.store.signatures import trust_list
    from bundlekeeper.verification.keys.entries import Sources, doubts_of, make_entry

    sources = Sources(
        read_bounded(str(file), _KEY_LIMIT, "the key"),
        [read_bounded(str(each), _CERTIFICATES_LIMIT, "the root certificate") for each in root or []],
        [read_bounded(str(each), _CERTIFICATES_LIMIT, "the intermediate certificate") for each in intermediate or []],
        [read_bounded(str(each), _CRL_LIMIT, "the revocation list") for each in crl or []],
    )
    dates = _day(valid_from, "--from"), _day(valid_until, "--until")
    path = store_root(store)
    with opened_store(path, write=True) as opened, lock.held(opened.fd, "trust add", clock=now, wait_s=_WAIT_S):
        entry = make_entry(
            name,
            sources,
            form=form,
            purposes=purpose,
            existing=trust_list.read_all(opened.fd).entries,
            namespace=namespace,
            valid_from=dates[0],
            valid_until=dates[1],
            added_at=now(),
            added_from=str(file),
        )
        trust_list.add(opened.fd, entry)
        opened.catalogue(write=True).close()  # a store that only trusts is a whole store, to `held` as well
    return _tell_added(path, entry, doubts_of(entry, now()), json=json)


def _tell_added(store: Path, entry: TrustEntry, found: Sequence[Finding], *, json: bool) -> int:
    from bundlekeeper.findings import exit_status

    if json:
        output.envelope("trust-add", found, {"store": str(store), "entry": _as_json(entry)})
    else:
        output.line(f"trusted: {entry.name} ({entry.key_type}, {entry.form}) for {' and '.join(entry.purposes)}")
        output.line(f"fingerprint: {entry.fingerprint}")
        output.findings_text(found)
        output.aside("next: compare the fingerprint with one that reached you by another way; bundlekeeper trust list")
    return exit_status(found)


def _day(text: str | None, option: str) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"{option}: not a day: {text}", hint="write it as YYYY-MM-DD") from error


@app.command("list")
def list_entries(store: StoreOption = None, json: JsonOption = False) -> int:
    """Every trusted key, and every dropped one, with its fingerprint as OpenSSH prints it."""
    from bundlekeeper.reports.tables import Table, write
    from bundlekeeper.store.signatures import trust_list

    path = store_root(store)
    with opened_store(path, write=False) as opened:
        listed = trust_list.read_all(opened.fd)
    if json:
        broken = [{"says": e.says, "where": e.where, "hint": e.hint} for e in listed.broken]
        data = {"store": str(path), "entries": [_as_json(e) for e in listed.entries], "broken": broken}
        output.envelope("trust-list", [], data, ok=not broken)
        return worst_exit(e.exit_code for e in listed.broken)
    table = Table(("name", "stands", "form", "for", "key", "valid", "fingerprint"), below=frozenset({6}))
    for entry in listed.entries:
        days = f"{entry.valid_from or ''}..{entry.valid_until or ''}" if entry.valid_from or entry.valid_until else "-"
        cells = (
            entry.name,
            _standing(entry),
            entry.form,
            ", ".join(entry.purposes),
            entry.key_type,
            days,
            entry.fingerprint,
        )
        table.rows.append(cells)
    if listed.entries:
        write(table)
    else:
        output.line("nobody is trusted")
        output.aside("next: bundlekeeper trust add NAME FILE --form FORM --for PURPOSE")
    for error in listed.broken:
        output.error_text(error)
    return worst_exit(e.exit_code for e in listed.broken)


def _standing(entry: TrustEntry) -> str:
    if entry.dropped:
        return f"dropped {entry.dropped_at:%Y-%m-%d}"
    day = today()
    if entry.valid_until is not None and day > entry.valid_until:
        return "expired"
    if entry.valid_from is not None and day < entry.valid_from:
        return "not yet valid"
    return "trusted"


@app.command()
def drop(
    key: Annotated[
        str, typer.Argument(metavar="NAME|FINGERPRINT", help="The name of an entry of the key, or SHA256:…")
    ],
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why; quoted by every later finding.")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Trust a key no longer, under any name. It stays listed; what it signed is reported as dropped-key from now on."""
    from bundlekeeper.store.disk import lock
    from bundlekeeper.store.signatures import trust_list
    from bundlekeeper.verification.keys.entries import root_keys

    path = store_root(store)
    with opened_store(path, write=True) as opened, lock.held(opened.fd, "trust drop", clock=now, wait_s=_WAIT_S):
        entries = trust_list.drop(opened.fd, key, at=now(), why=why)
        live = [each for each in trust_list.read_all(opened.fd).entries if not each.dropped]
    led = [each.name for each in live if entries[0].fingerprint in root_keys(each)]
    if json:
        data = {"entries": [_as_json(each) for each in entries], "was_root_of": led}
        output.envelope("trust-drop", [], {"store": str(path), **data})
    else:
        for entry in entries:
            output.line(f"dropped: {entry.name} ({entry.fingerprint}): {entry.dropped_why}")
        if led:
            output.aside(f"note: it is a root of {', '.join(led)}: chains that end at it are good no longer")
        output.aside("next: bundlekeeper check says what it had signed")
    return 0


@app.command()
def crl(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The entry's name.")],
    lists: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Revocation lists, PEM or DER.")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Give an entry newer revocation lists: each takes the place of the older one of the same issuer."""
    from bundlekeeper.store.disk import lock
    from bundlekeeper.store.signatures import trust_list
    from bundlekeeper.verification.keys.entries import with_crls

    data = [read_bounded(str(each), _CRL_LIMIT, "the revocation list") for each in lists]
    path = store_root(store)
    with opened_store(path, write=True) as opened, lock.held(opened.fd, "trust crl", clock=now, wait_s=_WAIT_S):
        entry = with_crls(trust_list.read_all(opened.fd).get(name), data)
        trust_list.renew(opened.fd, entry)
    if json:
        output.envelope("trust-crl", [], {"store": str(path), "entry": _as_json(entry)})
    else:
        output.line(f"{entry.name}: {len(entry.crls)} revocation lists")
        output.aside("next: bundlekeeper check says what was revoked")
    return 0


def _as_json(entry: TrustEntry) -> dict[str, Any]:
    return {
        "name": entry.name,
        "stands": _standing(entry),
        "form": entry.form,
        "for": list(entry.purposes),
        "key_type": entry.key_type,
        "fingerprint": entry.fingerprint,
        "namespace": entry.namespace,
        "valid_from": entry.valid_from.isoformat() if entry.valid_from else None,
        "valid_until": entry.valid_until.isoformat() if entry.valid_until else None,
        "roots": len(entry.roots),
        "crls": len(entry.crls),
        "added_at": entry.added_at.isoformat() if entry.added_at else None,
        "added_from": entry.added_from,
        "dropped_at": entry.dropped_at.isoformat() if entry.dropped_at else None,
        "dropped_why": entry.dropped_why,
    }


def register(root_app: typer.Typer) -> None:
    """Add the command group."""
    root_app.add_typer(app, name="trust")
