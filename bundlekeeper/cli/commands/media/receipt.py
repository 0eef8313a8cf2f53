"""`bundlekeeper media receipt`: the answer of the receiving side, as a signed file or on paper, and reading it."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bundlekeeper.cli.commands.signing import passphrase_from
from bundlekeeper.cli.options import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.screen.media import receipt as receipt_text
from bundlekeeper.errors import InputError
from bundlekeeper.findings import exit_status
from bundlekeeper.formats.escape import visible
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.open import LEDGER, is_there, open_book, open_store
from bundlekeeper.jobs.recording.who import says_who

if TYPE_CHECKING:
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.media.receipt.document import Receipt
    from bundlekeeper.media.receipt.slip import Slip
    from bundlekeeper.media.set.records import ReceivedSet
    from bundlekeeper.model.media.index import SetIndex
    from bundlekeeper.store.contents.store import Store

_PAPER_LIMIT = 64 * 1024  # bytes of typed lines


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is to be written: about which set, for which site, on whose word, with events after which number."""

    set_id: str
    site: str
    says: str | None
    after: int


def receipt(
    out: Annotated[
        str, typer.Option("--out", "-o", metavar="FILE", help="Write the receipt (with --paper: an HTML page) here.")
    ] = "",
    key: Annotated[
        Path | None, typer.Option("--key", metavar="FILE", help="Private key to sign with; on paper Ed25519 only.")
    ] = None,
    set_id: Annotated[str, typer.Option("--set", metavar="ID", help="Which set (default: the last that came).")] = "",
    site: Annotated[str, typer.Option("--site", metavar="NAME", help="The site that answers.")] = "",
    says: Annotated[str | None, typer.Option("--says", metavar="NAME", help="On whose word (default: you).")] = None,
    after: Annotated[
        int | None,
        typer.Option("--after", min=0, metavar="N", help="Only events after number N (default: all of them)."),
    ] = None,
    paper: Annotated[bool, typer.Option("--paper", help="A short code to print, type or scan.")] = False,
    read: Annotated[str, typer.Option("--read", metavar="FILE|-", help="Read a receipt; - is a typed code.")] = "",
    signature: Annotated[
        Path | None, typer.Option("--signature", metavar="FILE", help="Its signature (default: FILE.sig).")
    ] = None,
    passphrase_fd: Annotated[
        int | None, typer.Option("--passphrase-fd", min=0, metavar="N", help="Read the passphrase from here.")
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Write what arrived of a set and what was done since, or read what another site wrote.

    The file is signed and carries the ledger's events; the paper carries counts, and is signed with --key.
    """
    if read:
        writing = {"--out": out, "--key": key, "--set": set_id, "--site": site, "--says": says, "--after": after}
        writing |= {"--paper": paper or None, "--passphrase-fd": passphrase_fd}
        _leave_out(writing, "to writing a receipt; --read reads one")
        if read == "-":
            _leave_out({"--signature": signature}, "to a receipt's file; a typed code holds its signature")
        return _read(store_root(store), read, signature, json=json)
    _leave_out({"--signature": signature}, "to --read: --key makes one")
    if paper:
        _leave_out({"--after": after}, "to a receipt's file; a paper carries no events")
    if key is None:
        _leave_out({"--passphrase-fd": passphrase_fd}, "to --key")
    _insist_on_words({"--site": site, "--says": says})
    _insist_on_place(out, paper=paper)
    wanted = _Wanted(set_id, site, says, after or 0)
    with ExitStack() as stack:
        opened = open_store(store_root(store), stack, write=True)
        book = open_book(opened, stack, write=True)
        received, index, made = _composed(opened, book, wanted)
        if paper:
            return _paper(made, index, out, key, passphrase_fd, json=json)
        if not out or key is None:
            raise InputError("a receipt needs --out FILE and --key KEY", hint="or --paper, for a code to type")
        _write(opened, book, received, made, Path(out), key, passphrase_fd)
    return receipt_text.tell_written(out, made, json=json)


def _leave_out(options: Mapping[str, object], why: str) -> None:
    """Raise InputError naming those of the options that are given, where they would be ignored."""
    given = [name for name, value in options.items() if value is not None and value != ""]
    if given:
        names = " and ".join(given)
        says = f"{names} {'belongs' if len(given) == 1 else 'belong'} {why}"
        raise InputError(says, hint=f"leave out {names}")


def _insist_on_words(options: Mapping[str, str | None]) -> None:
    """Raise InputError for a word that would not be one line of text on paper."""
    for name, value in options.items():
        if value and visible(value) != value:
            raise InputError(f"{name} {visible(value)}: a name is one line of plain text", hint="type it again")


def _insist_on_place(out: str, *, paper: bool) -> None:
    from bundlekeeper.media.receipt import write as receipt_write

    if out == "-" and not paper:
        raise InputError("a receipt is two files, standard output is one", hint="--out FILE makes FILE and FILE.sig")
    if out and out != "-":
        receipt_write.insist_on_place(out)


def _composed(store: Store, book: Ledger, wanted: _Wanted) -> tuple[ReceivedSet, SetIndex, Receipt]:
    from bundlekeeper.media.receipt import compose

    received, index = compose.chosen(store, wanted.set_id)
    made = now()
    site = compose.site_of(book, wanted.site, index, made)
    by = says_who(wanted.says)
    return (
        received,
        index,
        compose.compose(store, book, received, index, made=made, site=site, by=by, after=wanted.after),
    )


def _write(
    store: Store, book: Ledger, received: ReceivedSet, made: Receipt, out: Path, key: Path, passphrase_fd: int | None
) -> None:
    from bundlekeeper.media.receipt import write as receipt_write
    from bundlekeeper.media.set.remembered_sets import Sets
    from bundlekeeper.verification.signatures import sign as signing

    private = signing.load_private_key(str(key), passphrase_from(passphrase_fd))
    receipt_write.write(out, made, book, lambda sha512: signing.sign_document(private, "receipts", {"sha512": sha512}))
    Sets(store).answered(received, made.made, made.count)


def _paper(made: Receipt, index: SetIndex, out: str, key: Path | None, passphrase_fd: int | None, *, json: bool) -> int:
    from bundlekeeper.media.receipt import slip_of
    from bundlekeeper.verification.signatures import sign as signing

    sign = None
    if key is not None:
        sign = slip_of.sign_with(signing.load_private_key(str(key), passphrase_from(passphrase_fd)))
    slip: Slip = slip_of.slip_of(made, index, sign)
    return receipt_text.tell_paper(slip, made.name, out, json=json)


def _read(root: Path, name: str, signature: Path | None, *, json: bool) -> int:
    from bundlekeeper.media.receipt import read as receipt_read
    from bundlekeeper.media.receipt import slip_of

    with ExitStack() as stack:
        opened = open_store(root, stack, write=True)
        if name == "-":
            text = read_bounded("-", _PAPER_LIMIT, "the code").decode("utf-8", "replace")
            if text.lstrip().startswith("{"):
                raise InputError("this is a receipt's file, not a typed code", hint="give it as --read FILE")
            known = is_there(root / ".keeper" / LEDGER)
            own = open_book(opened, stack, write=False) if known else None
            typed = slip_of.read(opened, text, now=now(), book=own)
            receipt_text.tell_typed(typed, json=json)
            return exit_status(typed.findings)
        book = open_book(opened, stack, write=True)
        answer = receipt_read.read(opened, book, Path(name), signature, now=now())
        head = book.head()
    receipt_text.tell_read(answer, head, json=json)
    return exit_status(answer.findings)
