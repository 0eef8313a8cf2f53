"""Versions that are the one asked for in the order of a kind are found on components of that kind alone."""

from __future__ import annotations

import pytest

from bundlekeeper.ledger.ask.types import ImageOf, Selector
from bundlekeeper.ledger.ask.where import recorded_versions, summary, where
from bundlekeeper.ledger.event.events import EventKind
from bundlekeeper.ledger.record.ledger import Ledger
from tests.kits import ledger_history as shared
from tests.kits.ledger_history import DAY0, read, stated

ledger = shared.ledger
_EQUALS = (ImageOf("bios", (), "6.1.0"), ImageOf("io-module", (), "6.1"), ImageOf("bios", (), "never"))


@pytest.mark.parametrize(
    ("version", "equals", "expected"),
    [
        ("6.1", _EQUALS, ["A", "B", "D"]),
        ("6.1", (), ["A", "D"]),
        ("6.1.0.0", _EQUALS, ["B", "D"]),  # nobody recorded that text
        ("6.1.0.0", (), []),
    ],
)
def test_equal_is_of_the_kind(ledger: Ledger, version: str, equals: tuple[ImageOf, ...], expected: list[str]) -> None:
    events = [read(0, text, component=name) for name, text in (("A", "6.1"), ("B", "6.1.0"))]
    events += [read(0, text, component=name, kind="io-module") for name, text in (("C", "6.1.0"), ("D", "6.1"))]
    ledger.record([*events, stated(EventKind.ACTIVATED, 1, "6.0", component="E")], DAY0)
    selector = Selector(version=version, equals=equals)
    assert sorted(answer.component for answer in where(ledger, selector)) == expected
    assert sum(group.count for group in summary(ledger, ("kind",), selector)) == len(expected)
    assert recorded_versions(ledger) == ["6.0", "6.1", "6.1.0"]
