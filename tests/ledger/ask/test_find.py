"""What a name means, and what is offered where nothing has that name."""

from __future__ import annotations

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.ledger.ask.find import ever, find, nearest
from bundlekeeper.ledger.ask.types import Selector
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.inventory.types import Place
from tests.kits.ledger_history import DAY0, read
from tests.kits.postgres import cluster, each_ledger

__all__ = ["cluster", "each_ledger"]


@pytest.fixture
def ledger(each_ledger: Ledger) -> Ledger:
    return each_ledger


@pytest.fixture
def two_sites(ledger: Ledger) -> Ledger:
    """A BIOS at holm with an adapter beside it, and a switch at skerry whose chassis is not known."""
    adapter = Place("holm", "holm-a", "1", "4/1")
    switch = Place("skerry", "skerry-b", None, "9")
    ledger.record(
        [
            read(0, "6.0", parent="MB4-7"),
            read(0, "3.2", component="N1", kind="network-adapter", model="Heron-2", place=adapter),
            read(0, "6.0", component="F1", kind="fabric-switch", model="Reed-40", place=switch),
        ],
        DAY0,
    )
    return ledger


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("B7", Selector(component="B7")),
        ("MB4-7", Selector(parent="MB4-7")),
        ("holm", Selector(site="holm")),
        ("holm-a", Selector(domain="holm-a")),
        ("bios", Selector(kind="bios")),
        ("Heron-2", Selector(model="Heron-2")),
        ("holm/holm-a/1/3", Selector(site="holm", domain="holm-a", chassis="1", slot="3")),
        ("holm/holm-a/1", Selector(site="holm", domain="holm-a", chassis="1")),
        ("holm-a/1/3", Selector(domain="holm-a", chassis="1", slot="3")),
        ("holm/holm-a/1/4", Selector(site="holm", domain="holm-a", chassis="1", slot="4")),  # the server of 4/1
        ("holm-a/1/4/1", Selector(domain="holm-a", chassis="1", slot="4/1")),
        ("skerry/skerry-b/?/9", Selector(site="skerry", domain="skerry-b", slot="9")),  # as it is printed
    ],
)
def test_a_name_is_found_for_what_it_is(two_sites: Ledger, name: str, meant: Selector) -> None:
    """ "`where` takes either" a component or its place; a model's, a kind's, a place's name (issue 15, point 10)."""
    assert find(two_sites, name) == meant


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("holm-b", "did you mean 'holm-a'?"),
        ("b7", "did you mean 'B7'?"),
        ("HOLM", "did you mean 'holm'?"),
        ("Heron-3", "did you mean 'Heron-2'?"),
        ("holm/holm-a/1/4/2", "did you mean 'holm/holm-a/1/4/1'?"),
        ("holm/holm-a/1/5", "holm/holm-a/1 has slot 3, 4/1"),
        ("holm/skerry-b/1", "holm has domain holm-a"),
        ("holm/holm-b/1/3", "did you mean 'holm/holm-a'?"),
        ("6.0", "give a serial, a name, a tag, a site, a domain, or a place"),  # a word, but of no place
        ("kim", "give a serial, a name, a tag, a site, a domain, or a place"),  # who reported it
    ],
)
def test_what_is_offered_is_of_the_same_level_and_never_what_was_typed(two_sites: Ledger, name: str, hint: str) -> None:
    """ "Did-you-mean prefers the same parent, domain, site, and never offers what was typed" (issue 15, point 4)."""
    with pytest.raises(InputError) as refused:
        find(two_sites, name)
    assert refused.value.hint == hint


def test_a_word_is_looked_for_where_the_others_are(two_sites: Ledger) -> None:
    """A model of the site that was named comes before one elsewhere that is a little more like it."""
    assert nearest(two_sites, "model", "Reen-4") == "Reed-40"
    assert nearest(two_sites, "model", "Reen-4", within={"site": ("holm",)}) == "Tern-4"
    assert nearest(two_sites, "model", "Reed-4", within={"site": ("holm",)}) == "Reed-40"  # far more like it
    assert nearest(two_sites, "kind", "bois", ["disk"]) == "bios"
    assert nearest(two_sites, "kind", "bios") == ""
    assert [ever(two_sites, "slot", slot) for slot in ("4", "4/1", "5")] == [True, True, False]
