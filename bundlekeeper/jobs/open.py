"""Opening the ledger, and what a command must know beside it: kinds, zones, held bundles.

Rules: the ledger lies in the store; who only asks never makes one; nothing heavy is imported for a question.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import Selector
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.model.manifest.types import KindRule, Manifest
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import Accepted

LEDGER = "ledger.sqlite"

SiteOption = Annotated[str, typer.Option("--site", metavar="NAME", help="Only at this site.")]
DomainOption = Annotated[str, typer.Option("--domain", metavar="NAME", help="Only in this domain.")]
ChassisOption = Annotated[str, typer.Option("--chassis", metavar="NAME", help="Only in this chassis.")]
SlotOption = Annotated[str, typer.Option("--slot", metavar="N", help="Only in this slot.")]
KindOption = Annotated[str, typer.Option("--kind", metavar="KIND", help="Only parts of this kind.")]
ModelOption = Annotated[str, typer.Option("--model", metavar="MODEL", help="Only parts of this model.")]


def opened_store(root: Path, *, write: bool) -> Store:
    """The store, open; root is told, once, when it is another user's. Raises as `Store.open`."""
    from bundlekeeper.store.contents.store import Store

    store = Store.open(root, write=write)
    if store.rights.foreign:
        _tell_root(store.rights.foreign, str(root))
    if store.adopted:
        output.aside(
            "note: the store had no .keeper folder: a new one was made; it knows no keys and no ledger of before"
        )
    return store


def open_store(root: Path, stack: ExitStack, *, write: bool) -> Store:
    """The store, until the stack unwinds. Raises as `Store.open`."""
    return stack.enter_context(opened_store(root, write=write))


def store_is_there(root: Path) -> bool:
    """True when a store is at `root`. Raises UnfinishedError where nobody can say, because it may not be entered."""
    return is_there(root / ".keeper")


def is_there(path: Path) -> bool:
    """True when something is at `path`. Raises UnfinishedError where nobody can say."""
    from bundlekeeper.store.disk import files

    with files.wrapped("it cannot be said what is there", str(path)):
        try:
            path.stat()
        except (FileNotFoundError, NotADirectoryError):
            return False
    return True


@cache
def _tell_root(owner: str, root: str) -> None:
    output.aside(f"note: you are root, and the store belongs to {owner}: its owner may change all that is in it")
    output.aside("hint: what you write into it is root's: run as its owner instead, or give it back afterwards (chown)")


def open_book(store: Store, stack: ExitStack, *, write: bool) -> Ledger:
    """The store's ledger; made where absent, when `write`. Raises InputError when there is none yet to be asked."""
    from bundlekeeper.ledger.record.ledger import Ledger

    path = store.root / ".keeper" / LEDGER
    if not write and not is_there(path):
        raise InputError(
            "nothing was recorded in this store yet",
            where=str(path),
            hint="begin with what runs today: bundlekeeper inventory load FILE",
        )
    return stack.enter_context(Ledger.open(path, write=write))


def selector_of(
    store: Store,
    book: Ledger,
    name: str | None,
    *,
    site: str,
    domain: str,
    chassis: str,
    slot: str,
    kind: str,
    model: str,
) -> Selector:
    """What a name and the place options mean together.

    Raises InputError for a name or a word that was never recorded; a kind that exists is good even where no part of it
    was recorded.
    """
    from dataclasses import replace

    from bundlekeeper.ledger.ask.types import Selector
    from bundlekeeper.ledger.ask.where import find

    chosen = find(book, name) if name else Selector()
    levels = {"site": site, "domain": domain, "chassis": chassis, "slot": slot, "kind": kind, "model": model}
    for key, value in levels.items():
        if value and getattr(chosen, key) not in ("", value):
            raise InputError(f"{name} is not at --{key} {value}", hint="give the name, or the options")
    given: dict[str, Any] = {key: value for key, value in levels.items() if value}
    _insist_on_known(store, book, given)
    return replace(chosen, **given)


def _insist_on_known(store: Store, book: Ledger, given: Mapping[str, str]) -> None:
    """Insist that every word was once recorded as what it is given as. Raises InputError naming all that were not."""
    from bundlekeeper.ledger.ask.where import ever, nearest
    from bundlekeeper.model.vocabulary import KINDS

    wrong, near = [], []
    for key, value in given.items():
        if ever(book, key, value) or (key == "kind" and value in KINDS):
            continue
        kinds = {*KINDS, *own_kinds(store)} if key == "kind" else set()
        if value in kinds:
            continue
        wrong.append(f"--{key} {value}: no {key} of that name was ever recorded")
        close = nearest(book, key, value, kinds)
        near.extend([f"--{key} {close}"] if close else [])
    if wrong:
        hint = f"did you mean {', '.join(near)}?" if near else "bundlekeeper where shows what is known"
        raise InputError("; ".join(wrong), hint=hint)


def manifest_in_force(store: Store) -> Manifest | None:
    """The manifest that the store accepted last, from its kept copy, with what a newer one withdrew; None for none.

    Raises InputError or UnfinishedError when the copy cannot be read, DamagedError when it is not the accepted one.
    """
    from bundlekeeper.model.lint.read_manifest import read

    kept = kept_manifest(store)
    if kept is None:
        return None
    newest, data = kept
    from bundlekeeper.store.contents.withdrawals import overlaid

    with store.catalogue(write=False) as catalogue:
        known = catalogue.accepted()
    return overlaid(store.fd, read(data, name=newest.place, today=newest.issued), known)[0].manifest


def kept_manifest(store: Store) -> tuple[Accepted, bytes] | None:
    """The row and the bytes of the manifest that the store accepted last; None where there is none. Raises as above."""
    import hashlib

    from bundlekeeper.errors import DamagedError
    from bundlekeeper.jobs.inputs import MANIFEST_LIMIT, read_bounded

    if not store.catalogue_path.exists():
        return None
    with store.catalogue(write=False) as catalogue:
        accepted = catalogue.accepted()
    if not accepted:
        return None
    newest = accepted[-1]
    data = read_bounded(str(store.root / newest.place), MANIFEST_LIMIT, "the kept manifest")
    if hashlib.sha256(data).hexdigest() != newest.sha256:
        raise DamagedError(
            "the kept manifest is not the one that was accepted", where=newest.place, hint="take it again"
        )
    return newest, data


def own_kinds(store: Store) -> Mapping[str, KindRule]:
    """The [kind.X] tables of the manifest in force; none where there is no manifest. Raises as above."""
    manifest = manifest_in_force(store)
    return manifest.kind if manifest is not None else {}
