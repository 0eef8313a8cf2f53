"""What several tests share with those of model/inventory/test_read.py."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

from hypothesis import strategies as st

from bundlekeeper.model.inventory.types import COMPONENT_KEYS, Component, ComponentKey, Inventory, Partition, Policy
from bundlekeeper.model.vocabulary import APPLIES, KINDS

WORD = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), min_size=1, max_size=12).filter(
    lambda s: s != "-"
)


VERSION = st.from_regex(r"[0-9]{1,2}(\.[0-9]{1,3}){1,2}(-p[0-9])?", fullmatch=True)


def optional(strategy: st.SearchStrategy[str]) -> st.SearchStrategy[str | None]:
    return st.none() | st.just("") | strategy


def _cells(name: str, key: ComponentKey) -> st.SearchStrategy[Any]:
    """What a key can hold. Raises KeyError for a form of cells that this test does not know."""
    by_form: dict[str, st.SearchStrategy[Any]] = {
        "kind": st.sampled_from(sorted(KINDS)),
        "text": optional(WORD),
        "label": optional(WORD),
        "running": st.none() | VERSION,
        "version": optional(VERSION),
        "versions": st.none() | st.lists(VERSION, max_size=3).map(tuple),
        "texts": st.none() | st.lists(st.sampled_from(["4711", "R12", "ü"]), max_size=3).map(tuple),
        "note": st.none() | WORD,
        "choice": st.none() | st.sampled_from(key.words),
        "flag": st.none() | st.booleans(),
    }
    needed = {"site": WORD, "domain": st.just("") | WORD}
    return needed[name] if name in needed else by_form[key.cell]


_TIMES = st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001  (bounds)


_DRAWN_LAST = ("serial", "staged")


def _staged(draw: st.DrawFn, component: Component) -> Component:
    """The component with no more banks than its kind has, and what is staged: nothing is, where it is in no bank."""
    method = KINDS[component.kind].method
    if method == "overwrite":
        component = replace(component, pending=component.pending and "", spare=component.spare and "")
    elif method == "two-bank" and component.pending:
        component = replace(component, spare=component.spare and "")
    named = [version for version in (component.pending, component.spare) if version]
    none = [] if component.pending else [""]
    return replace(component, staged=draw(st.sampled_from([None, *none, *named])))


@st.composite
def inventories(draw: st.DrawFn) -> Inventory:
    count = draw(st.integers(1, 6))
    components = tuple(
        _staged(
            draw,
            Component(
                **{name: draw(_cells(name, key)) for name, key in COMPONENT_KEYS.items() if name not in _DRAWN_LAST},
                serial=f"S{i}",
            ),
        )
        for i in range(count)
    )
    return Inventory(
        read_at=draw(st.dates(date(1990, 1, 1), date(2100, 1, 1)) | _TIMES),
        zone=draw(st.sampled_from(["UTC", "+02:00", "Europe/Lisbon"])),
        components=components,
        partitions=tuple(
            Partition(p.key, draw(WORD), draw(st.none() | st.integers(0, 2**63 - 1))) for p in components[:2]
        ),
        policies=(Policy(draw(WORD), draw(st.none() | st.just({"bios": "6.1"})), draw(st.sampled_from(APPLIES))),),
    )
