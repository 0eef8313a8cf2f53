"""`bundlekeeper where`: which version is staged, pending, active, where; since when, on whose word, on any day."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Annotated

import typer

from bundlekeeper.cli.options import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.screen.answers import where as where_text
from bundlekeeper.errors import InputError
from bundlekeeper.jobs.open import (
    ChassisOption,
    DomainOption,
    KindOption,
    ModelOption,
    SiteOption,
    SlotOption,
    open_book,
    open_store,
    selector_of,
)

if TYPE_CHECKING:
    from datetime import date, datetime

    from bundlekeeper.ledger.ask.types import Selector

BundleOption = Annotated[
    str, typer.Option("--bundle", metavar="FAMILY/VERSION", help="Where this bundle is (or a file name of the store).")
]
VersionOption = Annotated[str, typer.Option("--version", metavar="TEXT", help="Where this image version is.")]
ShaOption = Annotated[str, typer.Option("--sha256", metavar="HEX", help="Where the file with this digest is.")]
WithdrawnOption = Annotated[bool, typer.Option("--withdrawn", help="Where a withdrawn bundle is still.")]
BankOption = Annotated[
    str, typer.Option("--bank", metavar="BANK", help="Only in this bank: active, pending, spare, held.")
]
OnOption = Annotated[str | None, typer.Option("--on", metavar="TIME", help="As it was at the end of that day.")]
KnownOption = Annotated[str | None, typer.Option("--known", metavar="TIME", help="As this store believed it then.")]
ByOption = Annotated[
    str, typer.Option("--by", metavar="KEY,KEY", help="Count by site, domain, chassis, kind, model, active, …")
]
ZoneOption = Annotated[str, typer.Option("--zone", metavar="ZONE", help="For sites whose zone no inventory told.")]
CsvOption = Annotated[bool, typer.Option("--csv", help="A table for a spreadsheet.")]
PictureOption = Annotated[bool, typer.Option("--picture", help="The chassis, slot by slot.")]
HistoryOption = Annotated[bool, typer.Option("--history", help="Everything ever recorded of one component.")]
GoneOption = Annotated[bool, typer.Option("--gone", help="Also what is no longer anywhere.")]


def where(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="Serial, site, domain, or site/domain/chassis/slot.")
    ] = None,
    site: SiteOption = "",
    domain: DomainOption = "",
    chassis: ChassisOption = "",
    slot: SlotOption = "",
    kind: KindOption = "",
    model: ModelOption = "",
    bundle: BundleOption = "",
    version: VersionOption = "",
    sha256: ShaOption = "",
    withdrawn: WithdrawnOption = False,
    bank: BankOption = "",
    on: OnOption = None,
    known: KnownOption = None,
    by: ByOption = "",
    zone: ZoneOption = "UTC",
    gone: GoneOption = False,
    history: HistoryOption = False,
    picture: PictureOption = False,
    csv: CsvOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Which version of what is staged, pending or active where; since when, on whose word, with what proof."""
    from bundlekeeper.ledger.ask import where as questions

    if sum((csv, json, picture)) > 1:
        raise InputError("only one of --json, --csv and --picture at once")
    if picture and by:
        raise InputError("--picture shows parts, --by counts them", hint="one of them")
    if history and (on or known or by or csv or picture):
        raise InputError("--history is everything, told as lines or --json", hint="leave the other options out")
    with ExitStack() as stack:
        opened = open_store(store_root(store), stack, write=False)
        book = open_book(opened, stack, write=False)
        selector = selector_of(
            opened, book, name, site=site, domain=domain, chassis=chassis, slot=slot, kind=kind, model=model
        )
        wanted = where_text.WhereWanted(bundle, version, sha256, withdrawn, bank, gone)
        meant = where_text.narrowed(opened, book, selector, wanted)
        when, then = time_of(on, "--on"), time_of(known, "--known")
        doubts = [] if history else where_text.doubts(book, when, then, zone, now())
        if meant is None:
            return where_text.tell_answers([], json=json, csv=csv, about={"on": on, "known": known}, doubts=doubts)
        if history:
            return where_text.tell_history(_one(meant), questions.history(book, meant.component), json=json)
        if by:
            keys = [key.strip() for key in by.split(",")]
            groups = questions.summary(book, keys, meant, on=when, known=then, zone=zone, clock=now())
            return where_text.tell_groups(keys, groups, json=json, csv=csv, doubts=doubts)
        answers = questions.where(book, meant, on=when, known=then, zone=zone, clock=now())
    if picture:
        return where_text.tell_picture(answers, doubts)
    return where_text.tell_answers(answers, json=json, csv=csv, about={"on": on, "known": known}, doubts=doubts)


def time_of(text: str | None, option: str) -> date | datetime | None:
    """The day or moment that an option names; None where it is not given. Raises InputError."""
    from bundlekeeper.formats.moments import parse

    if text is None:
        return None
    try:
        return parse(text)
    except InputError as error:
        raise InputError(f"{option}: {error.says}", hint=error.hint) from error


def _one(selector: Selector) -> str:
    if not selector.component:
        raise InputError("--history is about one component", hint="name it by its serial")
    return selector.component


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("where")(where)


__all__ = ["register", "where"]
