"""What several tests share with those of formats/test_document.py."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from typing import NamedTuple

from bundlekeeper.formats.document import (
    JsonDocument,
    Misfit,
    array,
    converted,
    flag,
    hexadecimal,
    left_out,
    mapping,
    matching,
    moment,
    named,
    nested,
    one_of,
    optional,
    row,
    safe_path,
    text,
    whole,
)

AT = datetime(2026, 8, 14, 9, 30, tzinfo=UTC)


OTHER_ZONE = timezone(timedelta(hours=-3, minutes=-30))


class Stamp(NamedTuple):
    """A value that stands as an array."""

    seen: datetime
    events: int


@dataclass(frozen=True, slots=True)
class Crate:
    """A nested value; `seal` is not written where it has none."""

    path: str = field(metadata=safe_path())
    sealed: bool = field(metadata=flag())
    seal: str = field(default="", metadata=left_out(hexadecimal(8)))


@dataclass(frozen=True, slots=True)
class Waybill:
    """A document with each form that there is."""

    number: int = field(metadata=whole(1, 999))
    ledger: str = field(metadata=named("ledger/book", hexadecimal()))
    count: int = field(metadata=named("ledger/count", whole()))
    port: str = field(metadata=named("to", matching(re.compile(r"[a-z]+(-[a-z]+)*"), 20)))
    state: str = field(metadata=one_of(("packed", "sent")))
    note: str = field(metadata=text(empty=True, most=40))
    made: datetime = field(metadata=moment())
    crates: tuple[Crate, ...] = field(metadata=array(nested(Crate), 3))
    seen: Mapping[int, datetime] = field(metadata=mapping(moment(), 3, numbered=True))
    weights: Mapping[str, int] = field(metadata=mapping(whole(), 3))
    stamps: tuple[Stamp, ...] = field(metadata=array(row(moment(), whole(), make=Stamp), 3))
    words: list[str] = field(metadata=converted(array(text(), 3), list, tuple))
    last: Crate | None = field(default=None, metadata=optional(nested(Crate)))


def _not_too_many(bill: Waybill) -> None:
    for number, crate in enumerate(bill.crates):
        if crate.path == "too/many":
            raise Misfit("is one too many", "crates", number, "path")


def document(*, indented: bool = False) -> JsonDocument[Waybill]:
    return JsonDocument(
        Waybill,
        "bundlekeeper.waybill/2",
        what="the waybill",
        kind="waybill",
        limit=20_000,
        hint="write one",
        indented=indented,
        check=_not_too_many,
    )


BILL = Waybill(
    number=7,
    ledger="ab" * 16,
    count=3,
    port="holm-quay",
    state="sent",
    note="",
    made=AT,
    crates=(Crate("blade/6.1.0/x.bin", True, "0123abcd"), Crate("rack/y", False)),
    seen={1: AT, 12: AT.astimezone(OTHER_ZONE)},
    weights={"a/b~c": 5, "": 0},
    stamps=(Stamp(AT, 3),),
    words=["one", "two"],
    last=Crate("last", False),
)
