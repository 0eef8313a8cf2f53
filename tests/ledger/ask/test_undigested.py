"""Images of which no event states the digest are counted as `where` shows them, whatever was asked and when."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.ledger.ask.types import Selector
from bundlekeeper.ledger.ask.where import summary, undigested, where
from bundlekeeper.ledger.event.events import Event
from bundlekeeper.ledger.record.ledger import Ledger
from tests.kits.ledger_history import MEMORY, ON, learn, records

SELECTORS = st.builds(
    Selector,
    site=st.sampled_from(["", "holm", ("holm", "skerry")]),
    kind=st.sampled_from(["", "bios", "network-switch"]),
    bank=st.sampled_from(["", "active", ("spare", "boot_files"), "boot_files"]),
    sha256=st.sampled_from(["", "a" * 64]),
    version=st.sampled_from(["", "", "6.1"]),
    gone=st.booleans(),
)


def _counted(ledger: Ledger, selector: Selector, on: Any) -> int:
    banks = selector.bank if isinstance(selector.bank, tuple) else (selector.bank,)
    wider = Selector(site=selector.site, kind=selector.kind, bank=selector.bank, version=selector.version,
                     gone=selector.gone)  # fmt: skip
    count = 0
    for answer in where(ledger, wider, on=on):
        of = {
            "active": (answer.active,),
            "pending": (answer.pending,),
            "spare": (answer.spare,),
            "staged": (answer.staged,),
            "boot_files": answer.boot_files,
        }
        images = [image for bank, found in of.items() if bank in banks or banks == ("",) for image in found]
        count += any(image is not None and image.version and not image.sha256 for image in images)
    return count


@settings(max_examples=150)
@given(records(), st.lists(st.integers(1, 14), max_size=2), SELECTORS, ON)
def test_undigested_counts_what_where_shows(events: list[Event], cuts: list[int], selector: Selector, on: Any) -> None:
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l.sqlite"), write=True) as ledger:
        learn(ledger, events, cuts)
        assert undigested(ledger, selector, on=on) == _counted(ledger, selector, on)


@settings(max_examples=100)
@given(records(), st.lists(st.integers(1, 14), max_size=2), st.sampled_from(["", "holm"]), ON, st.booleans())
def test_counts_are_those_of_the_answers(events: list[Event], cuts: list[int], site: str, on: Any, gone: bool) -> None:
    """Now, on a day that ends everywhere at once, and on one that does not."""
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l.sqlite"), write=True) as ledger:
        learn(ledger, events, cuts)
        selector = Selector(site=site, gone=gone)
        groups = summary(ledger, ["kind", "active"], selector, on=on)
        counts = Counter(
            (answer.kind or None, None if answer.active is None else answer.active.version)
            for answer in where(ledger, selector, on=on)
        )
        assert {group.values: group.count for group in groups} == counts
